"""One bench at work: sensor after sensor through the steps. Batches and keys in, results out; no screen and no port.

The time is the recording's own. A key is a letter as it comes from the terminal; a scanner types a serial and Enter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from toothwise.bench import decide
from toothwise.bench.figures import Master
from toothwise.bench.limits import Limits
from toothwise.bench.of_file import versions
from toothwise.bench.result import FAIL, LEARNT, MASTER, NONE, new_uuid, utc_now
from toothwise.bench.spindle import Spindle
from toothwise.bench.stage import Stage
from toothwise.bench.steps import CONFIRM, COUNT, READING, SERIAL, SWEEP, Step, steps
from toothwise.edges.signal import Batch, Clock
from toothwise.errors import RigTrouble
from toothwise.records import Judged, SensorResult

AT_SPEED = {True: 0.02, False: 0.10}
"""Share of the wanted speed within which counting may begin, driven and by hand: common practice, no source."""
AT_SPEED_S = 1.0
SLOW_TURNS = 3
GROWTH_A_TURN = 0.10
"""A sweep gets so much faster a turn while it is slow, so that two turns tell a speed within a few per cent."""
QUICKEST = 0.5
"""And no more than this share a second."""


@dataclass(slots=True)
class Sensor:
    """The one that is being tested."""

    serial: str = ""
    uuid: str = field(default_factory=new_uuid)
    started_utc: str = field(default_factory=utc_now)
    judged: list[Judged] = field(default_factory=list)
    references: list[str] = field(default_factory=list)


class Bench:
    """Feed batches and keys; `finished` holds results to be kept, and is emptied by whoever keeps them.

    more: further versions for the results (firmware, board).
    """

    def __init__(
        self,
        lot: str,
        limits: Limits,
        bench: str,
        spindle: Spindle,
        clock: Clock,
        channels: tuple[str, ...],
        master: Master | None = None,
        more: dict[str, str] | None = None,
    ) -> None:
        self.lot, self.limits, self.name, self.spindle = lot, limits, bench, spindle
        self.steps = steps(limits, driven=spindle.driven)
        self.at = 0
        self.typed = ""
        self.sensor = Sensor()
        self.stage: Stage | None = None
        self.finished: list[SensorResult] = []
        self.last: SensorResult | None = None
        self.ended = False
        self._clock, self._channels, self._master, self._more = clock, channels, master, dict(more or {})
        self._now = self._before = 0
        self._at_speed_since: int | None = None
        self._slow_turns = 0.0

    @property
    def step(self) -> Step:
        return self.steps[self.at]

    # ------------------------------------------------------------ batches

    def feed(self, batch: Batch) -> None:
        self._before, self._now = self._now, max(self._now, batch.until_tick)
        self.spindle.feed(batch)
        if self.step.kind in (SWEEP, COUNT):
            self._spin(batch)
        self.spindle.turn()

    def _spin(self, batch: Batch) -> None:
        if self.spindle.driven and not self.spindle.target_rpm and not self.spindle.stopped:
            self._start_drive()
        if self.spindle.finding:
            return
        if self.stage is None and (self._slow_enough() if self.step.kind == SWEEP else self._at_speed()):
            self.stage = Stage(self.step.stage, self.limits, self._clock, self._channels, self._master)
            self._slow_turns = 0.0
        if self.stage is None:
            return
        self.stage.feed(batch)
        if self.step.kind == SWEEP:
            self._sweep()
        elif self.stage.clear_fail() or self.stage.counts.revolutions >= self.limits.sequence.revolutions:
            self._end_stage()

    def _start_drive(self) -> None:
        try:
            self.spindle.go()
        except RigTrouble as trouble:
            self.spindle.stopped = str(trouble)
            return
        self.spindle.target_rpm = self.limits.sequence.sweep_rpm[0] if self.step.kind == SWEEP else self.step.rpm

    def _slow_enough(self) -> bool:
        """For a sweep to begin: a motor that was just got to know must first run down."""
        return not self.spindle.driven or self.spindle.rpm <= 2.0 * self.limits.sequence.sweep_rpm[0]

    def _at_speed(self) -> bool:
        """At the wanted speed for a second."""
        near = abs(self.spindle.rpm - self.step.rpm) <= AT_SPEED[self.spindle.driven] * self.step.rpm
        if not near:
            self._at_speed_since = None
        elif self._at_speed_since is None:
            self._at_speed_since = self._now
        since = self._at_speed_since
        return since is not None and self._clock.span_s(self._now - since) >= AT_SPEED_S

    def _sweep(self) -> None:
        low, high = self.limits.sequence.sweep_rpm
        rpm, dt_s = self.spindle.rpm, self._clock.span_s(self._now - self._before)
        if self.spindle.driven and self.spindle.target_rpm:
            if self._slow_turns < SLOW_TURNS:
                self._slow_turns += (rpm or self.spindle.target_rpm) * dt_s / 60.0
            else:
                slowest = math.log(high / low) / self.limits.sequence.sweep_s
                a_turn = GROWTH_A_TURN * self.spindle.target_rpm / 60.0
                growth = min(a_turn, max(slowest, a_turn / 2.0), QUICKEST)
                self.spindle.target_rpm = min(self.spindle.target_rpm * math.exp(growth * dt_s), 1.02 * high)
        if rpm >= high:
            self._end_stage()

    def _end_stage(self) -> None:
        """Judge the stage; on to the next step, or to the end where it clearly failed."""
        stage, self.stage = self.stage, None
        if stage is None:
            return
        found = stage.judge()
        self.sensor.judged += found
        if not stage.figures.sweep:
            self.sensor.references.append(stage.figures.reference)
        self._go_on(failed=any(one.verdict == FAIL for one in found))

    def _go_on(self, *, failed: bool = False) -> None:
        self._at_speed_since = None
        self.typed = ""
        if failed or self.at + 1 == len(self.steps):
            self._finish()
            return
        self.at += 1
        if self.step.kind == COUNT and self.spindle.driven and self.spindle.target_rpm:
            self.spindle.target_rpm = self.step.rpm  # from one speed to the next without a stop
        elif self.spindle.target_rpm:
            self.spindle.stop()

    def _finish(self) -> None:
        self.spindle.stop()
        sensor = self.sensor
        whole = sensor.judged + decide.never_measured(self.limits, sensor.judged)
        verdict, reasons = decide.verdict(whole)
        self.last = SensorResult(
            sensor.uuid,
            self.lot,
            sensor.serial,
            self.limits.name,
            self.name,
            sensor.started_utc,
            utc_now(),
            verdict,
            reasons,
            tuple(whole),
            _weakest(sensor.references),
            versions(self.limits, self._more),
        )
        self.finished.append(self.last)
        self._begin()

    def _begin(self) -> None:
        """Ready for the next sensor."""
        self.sensor, self.at, self.typed, self.stage = Sensor(), 0, "", None

    # ------------------------------------------------------------ keys

    def press(self, key: str) -> None:
        """One key. Where nothing is to be typed: Enter goes on, s leaves a step out, x gives the sensor up, q ends.
        Enter alone for a serial number takes the last one again."""
        if self.step.kind in (SERIAL, READING):
            self._type(key)
        elif key in "\r\n":
            self._enter()
        elif key == "s":
            self._leave_out()
        elif key == "x":
            self.spindle.stop("")
            self._begin()
        elif key == "q":
            self.ended = True
            self.spindle.stop("")
        else:
            self.spindle.stop("a key was pressed; Enter starts it again")

    def _enter(self) -> None:
        if self.step.kind == CONFIRM:
            self._go_on()
        elif self.spindle.stopped:
            self.spindle.stopped = ""  # the next batch makes the drive ready again
            self.stage = None
        elif self.step.kind == SWEEP and not self.spindle.driven and self.stage is not None:
            self._end_stage()

    def _leave_out(self) -> None:
        if self.stage is not None:
            self._end_stage()
        else:
            self._go_on()

    def _type(self, key: str) -> None:
        if key in "\r\n":
            self._typed_in(self.typed.strip())
        elif key in "\x7f\b":
            self.typed = self.typed[:-1]
        elif key == "\x1b" and self.step.kind == READING:
            self._begin()
        elif key == "\x04":  # Ctrl-D: a serial number may begin with any letter
            self.ended = True
        elif key.isprintable():
            self.typed = (self.typed + key)[-60:]

    def _typed_in(self, text: str) -> None:
        if self.step.kind == SERIAL:
            text = text or (self.last.serial if self.last is not None else "")
            if text:
                self.sensor = Sensor(text)
                self._go_on()
            return
        assert self.step.limit is not None
        value = number(text)
        if value is None and text:
            self.typed = ""
            return
        limit, stage = self.step.limit, self.step.stage
        failed = False
        if value is not None or stage == "bench":
            doubt = None if value is None else limit.meter_uncertainty(value)
            found = decide.judge(limit, value, doubt, stage, self.limits.sequence.coverage)
            self.sensor.judged.append(found)
            failed = found.verdict == FAIL
        self._go_on(failed=failed)


_PREFIXES = {"k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9, "m": 1e-3}


def number(text: str) -> float | None:
    """What was read from a meter: 850, 0,85k, 12M; None where it is no number."""
    text = text.strip().replace(",", ".")
    factor = _PREFIXES.get(text[-1:], 1.0)
    try:
        value = float(text[:-1] if factor != 1.0 else text) * factor
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _weakest(references: list[str]) -> str:
    """The reference that all of it can claim."""
    order = (MASTER, LEARNT, NONE)
    return max(references, key=order.index, default=NONE)
