"""The spindle: how fast it turns, and, where the rig has a drive, making it turn as wanted.

A drive is only ever made ready with a stated most speed. It stops when the host falls silent, at a key, at the mark
button, and at a speed that no spindle has; the rig itself sees to that (firmware/drive.py), whatever this program does.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

import numpy as np

from toothwise.bench.loop import Finding, Loop, Plant
from toothwise.bench.setup import DriveSetup
from toothwise.bench.stage import MASTER_CHANNEL, SENSOR_CHANNEL
from toothwise.edges.signal import Batch, Clock, Edges
from toothwise.errors import RigTrouble
from toothwise.wheel.pattern import Wheel

WINDOW_S = 0.15
"""The speed is that of the last whole turn where it took no longer, else of the last teeth."""
FEWEST = 6
TURN_S = 0.05
REPEAT_S, PATIENCE_S = 0.1, 1.0
"""Between two turns of a busy loop the last value is repeated so often, and for so long at most."""
CAUTIONS = (
    "Guard over the wheel, sleeves and hair away, eye protection; nothing loose on the spindle.",
    "A switch in the motor's supply within reach of a hand: it is the emergency stop, not this program.",
    "Any key but those named below stops the drive, as does the mark button.",
)


class SpeedMeter:
    """Revolutions a minute from one channel's rising edges, a gap now and then notwithstanding."""

    def __init__(self, wheel: Wheel, clock: Clock) -> None:
        self._teeth = wheel.teeth
        self._turns = wheel.turn_deg / 360.0
        self._slots = wheel.slots
        self._tick_s = clock.tick_ns * 1e-9
        self._ticks: deque[int] = deque(maxlen=2 * wheel.teeth + 1)
        self._until = 0

    def feed(self, edges: Edges, until_tick: int) -> None:
        self._ticks.extend(edges.ticks[edges.levels == 1][-(2 * self._teeth + 1) :].tolist())
        self._until = max(self._until, until_tick)

    @property
    def rpm(self) -> float:
        """Now; 0 where nothing came for five times as long as the last teeth took one by one."""
        if len(self._ticks) < FEWEST:
            return 0.0
        at = np.array(self._ticks, np.float64) * self._tick_s
        now = self._until * self._tick_s
        n = self._teeth
        if len(at) > n and at[-1] - at[-1 - n] <= WINDOW_S:
            found = 60.0 * self._turns / float(at[-1] - at[-1 - n])
        else:
            inside = max(int((at > at[-1] - WINDOW_S).sum()), FEWEST)
            found = 60.0 * self._turns / self._slots / float(np.median(np.diff(at[-inside:])))
        pitch_s = 60.0 * self._turns / self._slots / found
        silent_s = now - float(at[-1])
        if silent_s > 5.0 * pitch_s:
            return 0.0 if silent_s > 0.5 else min(found, 60.0 * self._turns / self._slots / silent_s)
        return found


class Commanded(Protocol):
    """What a rig is to the drive."""

    def command(self, text: str, wait_s: float = ...) -> dict[str, str]: ...

    def say(self, text: str) -> None: ...


class Spindle:
    """Turned by hand, or by a motor that this program knows nothing of: only measured."""

    driven = False
    finding = False
    """Whether a drive is still getting to know its motor."""

    def __init__(self, wheel: Wheel, clock: Clock) -> None:
        self._meters = {name: SpeedMeter(wheel, clock) for name in (SENSOR_CHANNEL, MASTER_CHANNEL)}
        self.target_rpm = 0.0
        self.stopped = ""
        """Why the drive was stopped, in words; empty while it was not."""

    @property
    def rpm(self) -> float:
        """By the channel that sees more teeth: a sensor under test may miss some."""
        return max(meter.rpm for meter in self._meters.values())

    def feed(self, batch: Batch) -> None:
        for name, meter in self._meters.items():
            meter.feed(batch.edges.get(name, Edges.none()), batch.until_tick)

    def turn(self) -> None:
        """Called often; does what is due."""

    def go(self) -> None:
        """Make a drive ready."""

    def stop(self, why: str = "") -> None:
        self.target_rpm = 0.0
        self.stopped = why


class DrivenSpindle(Spindle):
    """A motor on the rig's drive, held at `target_rpm` by the loop.

    clock_s: a clock for the loop's turns; tests give their own.
    """

    driven = True

    def __init__(
        self,
        rig: Commanded,
        setup: DriveSetup,
        wheel: Wheel,
        clock: Clock,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__(wheel, clock)
        self._rig, self._setup, self._clock_s = rig, setup, clock_s
        self._edges = 2 * wheel.teeth * 360 // round(wheel.turn_deg) if wheel.turn_deg < 720 else wheel.teeth
        self._over = threading.Event()
        """Set where nothing may be told to the drive any more; a run has one of its own."""
        self._over.set()
        self._speaking = threading.Lock()
        self._value = 0
        self._told_s = 0.0
        self._loop: Loop | None = None
        self._finding: Finding | None = None
        self.plant: Plant | None = setup.plant
        if setup.kind == "step" and self.plant is None:
            # Steps are obeyed or lost: speed is steps over steps a turn, behind by the ramp and the telling.
            self.plant = Plant(setup.most_rpm, 0.1)

    def go(self) -> None:
        """Raises RigTrouble where the rig has no drive or refuses."""
        setup, most = self._setup, round(self._setup.most_rpm)
        options = f"{setup.steps} {setup.ramp}" if setup.kind == "step" else f"{setup.carrier_hz}"
        self._over.set()
        with self._speaking:
            self._rig.command(f"drive {setup.kind} {most} {self._edges} {options}")
        self._over, self.stopped, self._value = threading.Event(), "", 0
        self._told_s = self._clock_s()
        threading.Thread(target=self._repeat, args=(self._over,), name="drive", daemon=True).start()
        if self.plant is None:
            self._finding = Finding(setup.most_rpm)
        else:
            self._loop = Loop(self.plant, setup.most_rpm)

    @property
    def finding(self) -> bool:  # type: ignore[override]
        return self._finding is not None

    def turn(self) -> None:
        now_s = self._clock_s()
        dt_s = now_s - self._told_s
        if self._over.is_set() or dt_s < TURN_S:
            return
        self._told_s = now_s
        output = self._output(min(dt_s, 4 * TURN_S))
        full = 1000.0 if self._setup.kind == "pwm" else self._setup.most_rpm * self._setup.steps / 60.0
        self._value = round(output * full)
        self._tell()

    def _tell(self) -> None:
        try:
            with self._speaking:
                if not self._over.is_set():
                    self._rig.command(f"drive set {self._value}", 0.5)
        except RigTrouble as trouble:
            self._over.set()
            self.stop(self._why(trouble))

    def _repeat(self, over: threading.Event) -> None:
        """Says the last value again while the loop is at work on something else, but not for long: a program that hangs
        must not keep a motor turning."""
        while not over.wait(REPEAT_S):
            with self._speaking, suppress(RigTrouble):  # the loop's own word will say what is wrong
                if not over.is_set() and self._clock_s() - self._told_s < PATIENCE_S:
                    self._rig.say(f"drive set {self._value}")

    def _output(self, dt_s: float) -> float:
        if self._finding is not None:
            output = self._finding.step(self.rpm, dt_s)
            if self._finding.over:
                self.plant, self._finding = self._finding.plant, None
                if self.plant is None:
                    self.stop("the motor did not turn, or would not settle: check its supply and the belt")
                else:
                    self._loop = Loop(self.plant, self._setup.most_rpm)
            return output
        return 0.0 if self._loop is None else self._loop.step(self.target_rpm, self.rpm, dt_s)

    def _why(self, trouble: RigTrouble) -> str:
        """The rig's own reason, where it can still be asked."""
        try:
            for _ in range(3):  # an answer to an earlier word may still be on its way
                if (reason := self._rig.command("drive", 0.5).get("stopped_by", "")) != "":
                    break
        except RigTrouble:
            return str(trouble)
        return str(trouble) if reason in ("", "nothing") else reason.replace("drive_", "").replace("_", " ")

    def stop(self, why: str = "") -> None:
        super().stop(why)
        self._loop = self._finding = None
        if not self._over.is_set():
            self._over.set()
            try:
                with self._speaking:
                    self._rig.command("drive stop", 0.5)
            except RigTrouble as trouble:
                self.stopped = why or str(trouble)  # the rig stops by itself when it hears nothing
