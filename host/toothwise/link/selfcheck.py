"""`rig check`: the rig plays a known pattern into its own input; every edge must be found where it was put.

Then steady rates are played, each higher than the one before, until one does not come through whole: the one
before is what this board, cable and computer sustain together.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from toothwise.edges.signal import Batch, Blind, Clock, Edges
from toothwise.errors import RigTrouble
from toothwise.link.frames import pattern_out
from toothwise.link.notes import Happening
from toothwise.link.rig import Rig

RATES_HZ = (1_000, 2_000, 5_000, 10_000, 20_000, 50_000, 75_000, 100_000, 150_000, 200_000, 300_000)
RATE_MS = 500
_ROUND_TRIPS = 20
_BEGIN_WAIT_S = 5.0
_SLACK_S = 5e-3
"""The board notes begin and end by its loop, the player's first and last edge may lie a little outside."""
_EXACT_TICKS = 3
"""State machines play and capture in whole cycles of one crystal: two ticks of rounding at most, and one to spare."""


@dataclass(frozen=True, slots=True)
class PatternReport:
    """The known pattern, edge by edge. Times are seconds after its first edge."""

    expected: int
    found: int
    missing_s: tuple[float, ...]
    extra_s: tuple[float, ...]
    worst_us: float
    """How far the found edge that lay farthest from its place was from it."""
    blind_s: float
    from_rpm: float
    to_rpm: float
    jumper: str
    """From which pin to which, where the board says."""

    @property
    def passed(self) -> bool:
        return self.found == self.expected and not self.extra_s and self.blind_s == 0.0


@dataclass(frozen=True, slots=True)
class LinkReport:
    """The line between rig and host."""

    round_trip_ms: float
    """Median time from a command to its answer."""
    round_trip_worst_ms: float
    highest_rate_hz: int | None
    """Edges a second sustained without loss for half a second; None where the board cannot play a steady rate."""
    failed_rate_hz: int | None
    """The lowest rate that did not come through whole; None when all did."""
    stated_rate_hz: int | None
    """What the firmware says of itself."""
    lost_frames: int
    bad_crc: int


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What `rig check` found."""

    board: str
    pattern: PatternReport
    link: LinkReport

    @property
    def passed(self) -> bool:
        """All edges where they were put. The rate is a measure, not a verdict."""
        return self.pattern.passed

    def as_json(self) -> dict[str, Any]:
        return {"passed": self.passed, **asdict(self)}


def check(rig: Rig, progress: Callable[[str], None] | None = None) -> CheckReport:
    """Run the self-check on an open rig whose pattern pin leads to its crank input. Takes about half a
    minute.

    progress: called with a few words at each step. Raises RigTrouble where the rig has no pattern pin,
    refuses, or goes away. An edge that is missing, extra or out of place is not raised but reported.
    """
    say = progress or (lambda words: None)
    gather = _Gather(rig)
    say("measuring the line")
    trips = [_round_trip_ms(rig) for _ in range(_ROUND_TRIPS)]
    say("playing the pattern")
    pattern = _pattern(rig, gather)
    highest: int | None = None
    failed: int | None = None
    for hz in RATES_HZ if pattern.found else ():
        say(f"playing {hz} edges a second")
        try:
            whole = _rate(rig, gather, hz)
        except RigTrouble:
            if rig.trouble is not None:
                raise
            break  # refused: this board cannot play that
        if not whole:
            failed = hz
            break
        highest = hz
    stated = [channel.get("highest_rate") for channel in rig.hello.facts["channels"]]
    link = LinkReport(
        round_trip_ms=statistics.median(trips),
        round_trip_worst_ms=max(trips),
        highest_rate_hz=highest,
        failed_rate_hz=failed,
        stated_rate_hz=stated[0],
        lost_frames=rig.stats.lost_frames,
        bad_crc=rig.stats.bad_crc,
    )
    return CheckReport(rig.hello.board, pattern, link)


def _round_trip_ms(rig: Rig) -> float:
    start = time.perf_counter()
    rig.command("pins")
    return (time.perf_counter() - start) * 1e3


class _Gather:
    """The rig's batches, taken while a pattern plays."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._batches: Iterator[Batch] = rig.batches()
        deadline = time.monotonic() + _BEGIN_WAIT_S
        for batch in self._batches:
            if batch.until_tick > 0:  # the capture has begun
                return
            if time.monotonic() > deadline:
                break
        raise RigTrouble(
            f"The rig on {rig.port} does not begin to capture",
            cause="The board is stuck",
            step="Press reset on the board and check again",
        )

    def until_done(self, channel: str, most_s: float) -> tuple[Happening, Edges, tuple[Blind, ...]]:
        """The played pattern's edges and blind stretches. Raises RigTrouble when it does not end in time."""
        deadline = time.monotonic() + most_s
        slack = self._rig.clock.ticks(_SLACK_S)
        edges: list[Edges] = []
        blind: list[Blind] = []
        done: Happening | None = None
        for batch in self._batches:
            if channel in batch.edges:
                edges.append(batch.edges[channel])
            blind += [stretch for stretch in batch.blind if stretch.channel in (None, channel)]
            for note in self._rig.take_notes():
                if isinstance(note, Happening) and note.kind == "pattern_done":
                    done = note
            if done is not None and batch.until_tick >= done.end_tick + 2 * slack:
                break
            if time.monotonic() > deadline:
                break
        if done is None:
            raise RigTrouble(
                f"The rig on {self._rig.port} did not finish its pattern",
                cause="The board is stuck",
                step="Press reset on the board and check again",
            )
        whole = Edges.join(edges)
        inside = (whole.ticks >= done.tick - slack) & (whole.ticks <= done.end_tick + slack)
        seen = tuple(s for s in blind if s.end_tick > done.tick and s.start_tick < done.end_tick)
        return done, Edges(whole.ticks[inside], whole.levels[inside]), seen


def _pattern(rig: Rig, gather: _Gather) -> PatternReport:
    said = rig.command("self-check pattern")
    to_rpm = int(said["to_rpm"])
    seconds = float(said["seconds"])
    _, got, blind = gather.until_done(said["channel"], most_s=5.0 + 2.0 * seconds)
    expected = pattern_out.edges(rig.hello.tick_hz, to_rpm)
    exact = rig.hello.facts.get("capture") != "irq"
    return compare(
        expected, got, rig.clock, exact, blind, (pattern_out.FROM_RPM, to_rpm), _jumper(rig, said["channel"])
    )


def compare(
    expected: list[tuple[int, int]],
    got: Edges,
    clock: Clock,
    exact: bool,
    blind: tuple[Blind, ...] = (),
    rpm: tuple[float, float] = (0.0, 0.0),
    jumper: str = "",
) -> PatternReport:
    """Edge by edge. expected: (ticks after the first edge, level). got: what was captured, the first rising
    edge of which is taken as the first expected one.

    exact: an edge must lie within a few ticks of its place; otherwise within a quarter of the way to its
    neighbour.
    """
    places = np.array([tick for tick, _ in expected], np.int64)
    levels = np.array([level for _, level in expected], np.uint8)
    rising = np.flatnonzero(got.levels == 1)
    first = int(rising[0]) if len(rising) else len(got)
    ticks = got.ticks - (got.ticks[first] if first < len(got) else 0)
    gaps = np.diff(places)
    nearest = np.minimum(np.append(gaps, gaps[-1]), np.insert(gaps, 0, gaps[0]))
    within = np.full(len(places), _EXACT_TICKS) if exact else np.maximum(nearest // 4, _EXACT_TICKS)
    missing: list[int] = []
    extra: list[int] = [int(t) for t in ticks[:first]]
    worst = 0
    at = first
    for place, level, reach in zip(places.tolist(), levels.tolist(), within.tolist(), strict=True):
        while at < len(ticks) and ticks[at] < place - reach:
            extra.append(int(ticks[at]))
            at += 1
        if at < len(ticks) and ticks[at] <= place + reach and got.levels[at] == level:
            worst = max(worst, abs(int(ticks[at]) - place))
            at += 1
        else:
            missing.append(place)
    extra += [int(t) for t in ticks[at:]]
    return PatternReport(
        expected=len(places),
        found=len(places) - len(missing),
        missing_s=tuple(clock.span_s(tick) for tick in missing),
        extra_s=tuple(clock.span_s(tick) for tick in extra),
        worst_us=clock.span_s(worst) * 1e6,
        blind_s=clock.span_s(sum(s.end_tick - s.start_tick for s in blind)),
        from_rpm=rpm[0],
        to_rpm=rpm[1],
        jumper=jumper,
    )


def _rate(rig: Rig, gather: _Gather, hz: int) -> bool:
    rig.command(f"self-check rate {hz} {RATE_MS}")
    done, got, blind = gather.until_done("crank", most_s=5.0 + RATE_MS / 1e3)
    return len(got) == done.count and not blind


def _jumper(rig: Rig, channel: str) -> str:
    pins = rig.command("pins")
    if int(pins.get("pattern", -1)) < 0 or int(pins.get(channel, -1)) < 0:
        return ""
    return f"pin {pins['pattern']} to pin {pins[channel]}"
