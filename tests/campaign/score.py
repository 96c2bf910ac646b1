"""Holding a tracker's answer against the truth.

The matching rule, in plain words. Times are compared in slots: the step from the tooth in question to the next,
as long as it took just there.

- An event of kind missing, extra or silent matches a true fault of the same kind on the same channel whose start
  lies within one slot of its own start. Each event and each fault is used once, nearest pairs first.
- Recall is matched faults over all faults; precision is matched events over all events.
- Of the matched, a tooth is right if tooth and revolution are both equal, and a count if it is equal; a silent
  event has no count to get right.
- A dropout of a whole turn or more is two faults, missing and silent. It is told apart from the rest, because a
  wheel slow enough to stand still within a turn may have done so: `stopped` over such a dropout is counted as
  "called stopped", neither right nor false.
- So is a dropout of more than a quarter turn on a wheel whose teeth all look alike: nothing in such a signal says how
  many passed but the speed, and that may have changed by more than a tooth's worth.
- Every other stopped, contact or blind event of a recording in which nothing stopped is a false event.
- The tracker may time teeth by either of their edges, and the truth is told for that edge; where no record can
  keep count the truth counts anew (see Timeline).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from toothwise.model.faults import Fault
from toothwise.model.made import unnumbered
from toothwise.model.sensor import Coil, TrueTeeth
from toothwise.records import Event
from toothwise.track.teeth import Teeth

from tests.campaign.cases import Case

SCORED = ("missing", "extra", "silent")


@dataclass(slots=True)
class Tally:
    """Counts that add up over cases."""

    faults: int = 0
    events: int = 0
    matched: int = 0
    tooth_right: int = 0
    count_right: int = 0
    called_stopped: int = 0

    def __iadd__(self, other: Tally) -> Tally:
        for name in Tally.__slots__:
            setattr(self, name, getattr(self, name) + getattr(other, name))
        return self

    @property
    def recall(self) -> float:
        return self.matched / self.faults if self.faults else 1.0

    @property
    def precision(self) -> float:
        return self.matched / self.events if self.events else 1.0

    def share(self, right: int) -> float:
        return right / self.matched if self.matched else 1.0


@dataclass(slots=True)
class Score:
    """One case's result. within: faults that can be counted; beyond: long dropouts. complaints: what
    was wrong, in words; notes: the same of long dropouts. misnumbered: teeth handed on with a wrong number.
    revolutions: turns of the wheel."""

    within: Tally = field(default_factory=Tally)
    beyond: Tally = field(default_factory=Tally)
    false_events: int = 0
    misnumbered: int = 0
    lost_teeth: int = 0
    revolutions: float = 0.0
    complaints: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


class Timeline:
    """The true teeth of one case as the tracker in question marks them, and the faults as it should tell them.

    A tracker may time a tooth by either of its edges; each marks it, and each has its own due times. `place` is
    revolution × teeth + tooth − 1. Where no record could keep count, it is set anew: on a wheel whose teeth look
    alike at the first tooth seen, and after a long dropout by whole turns (by teeth, if they look alike); the
    miscount has then been scored once, as the dropout's count.
    """

    def __init__(self, case: Case, told: Teeth) -> None:
        teeth = case.made.truth.teeth["crank"]
        recording = case.made.recording
        self.tick_s = recording.clock.tick_ns * 1e-9
        self.n = case.wheel.teeth
        self.alike = unnumbered(case.wheel)
        keep = ~teeth.backwards
        self.place = (teeth.revolution * self.n + teeth.tooth - 1)[keep]
        level = self._level(case, told)
        steps = case.wheel.steps_deg[self.place % self.n]
        self.t = _one_more(marks(case, level)[keep], steps, case.wheel.steps_deg[(self.place[:1] - 1) % self.n])
        true_s = _one_more(teeth.t_s[keep], steps, case.wheel.steps_deg[(self.place[:1] - 1) % self.n])
        if len(self.place):
            self.place = np.concatenate(([self.place[0] - 1], self.place, [self.place[-1] + 1]))
        self.steps = np.append(np.diff(self.t), np.inf) if len(self.t) else np.empty(0)
        if len(told) and len(self.t) and not self.alike:
            ahead = self.place[int(self.before(told.ticks[:1])[0]) :]
            first = ahead[ahead % self.n == 0]
            self.place -= int(first[0]) if len(first) else 0
        self.faults = self._faults(case, true_s, level)
        self._count_anew(told, _standstills(case))

    def _level(self, case: Case, told: Teeth) -> int | None:
        """Which edge the tracker times by; None for the true one."""
        edges = case.made.recording.edges["crank"]
        if not len(told) or not len(edges):
            return None
        at = int(np.searchsorted(edges.ticks, told.ticks[len(told) // 2]))
        return int(edges.levels[at]) if at < len(edges) and edges.ticks[at] == told.ticks[len(told) // 2] else None

    def _faults(self, case: Case, t_s: np.ndarray, level: int | None) -> list[Fault]:
        """The true faults with times and places for this edge."""
        active = active_level(case)
        other = level is not None and level != active
        coil = isinstance(case.made.truth.scenario.sensor, Coil)
        told = []
        for fault in case.made.truth.faults:
            if fault.kind not in SCORED or fault.cause == "no tooth seen":
                continue
            if fault.kind == "extra":
                i = int(np.searchsorted(self.t, fault.t_s, side="right")) - 1
                told.append(self._at(fault, i, fault.t_s, fault.end_s))
                continue
            i = int(np.argmin(np.abs(t_s - fault.t_s)))
            if other and coil and fault.level != active:
                i += 1  # a lost crossing takes the rise before the next tooth with it
            if other and not coil and fault.level == active:
                i -= 1  # held at the tooth's level, the line lacks the trailing edge of the tooth before
            last = min(i + fault.count, len(self.t)) - 1
            told.append(self._at(fault, i, float(self.t[i]), float(self.t[last])))
        return told

    def _at(self, fault: Fault, i: int, t_s: float, end_s: float) -> Fault:
        place = int(self.place[i])
        return replace(fault, t_s=t_s, end_s=end_s, revolution=place // self.n, tooth=place % self.n + 1)

    def _count_anew(self, told: Teeth, stands: list[float]) -> None:
        if not len(told):
            return
        breaks = sorted({f.end_s for f in self.faults if self.is_long(f)})
        starts = ([-np.inf] if self.alike else []) + breaks
        if self.alike:  # a wheel that stood still is numbered from its first tooth again
            starts += stands
        said = told.revolution * self.n + told.tooth - 1
        t = told.ticks * self.tick_s
        for start in sorted(starts):
            first = int(np.searchsorted(t, start, side="right"))
            if first == len(t):
                continue
            i = int(self.before(told.ticks[first : first + 1])[0])
            away = int(said[first] - self.place[i])
            away = away if self.alike else self.n * round(away / self.n)
            self.place[i if start > -np.inf else 0 :] += away
            self.faults = [self._moved(f, away) if f.t_s > start else f for f in self.faults]

    def is_long(self, fault: Fault) -> bool:
        """A dropout whose count the signal may not carry."""
        most = max(self.n / 4, 1) if self.alike else self.n - 1
        return fault.kind != "extra" and fault.count > most

    def _moved(self, fault: Fault, by: int) -> Fault:
        assert fault.revolution is not None and fault.tooth is not None
        revolution, tooth = divmod(fault.revolution * self.n + fault.tooth - 1 + by, self.n)
        return replace(fault, revolution=revolution, tooth=tooth + 1)

    def before(self, ticks: np.ndarray) -> np.ndarray:
        """Index of the true tooth whose pitch each tick falls in; a fifth of a step early is still its own."""
        t = ticks * self.tick_s
        after = np.searchsorted(self.t, t)
        before, near = np.maximum(after - 1, 0), np.minimum(after, len(self.t) - 1)
        early = self.t[near] - t < 0.2 * np.minimum(self.steps[near], self.steps[before])
        return np.where((after < len(self.t)) & early, near, before)

    def slot_s(self, t_s: float) -> float:
        i = int(np.clip(np.searchsorted(self.t, t_s, side="right") - 1, 0, len(self.t) - 2))
        return float(self.steps[i])


def _standstills(case: Case) -> list[float]:
    """When the shaft began to turn again after each rest."""
    motion = case.made.truth.drive.motion
    return [float(motion.t_s[s.first]) - 1e-6 for s in motion.spins[1:]]


def _one_more(t_s: np.ndarray, steps_deg: np.ndarray, before_deg: np.ndarray) -> np.ndarray:
    """Times with one more tooth at each end, at the speed there: of a tooth whose true edge lies just outside the
    recording the other edge may lie inside."""
    if len(t_s) < 2:
        return t_s
    first, last = (t_s[1] - t_s[0]) / steps_deg[0], (t_s[-1] - t_s[-2]) / steps_deg[-2]
    return np.concatenate((t_s[:1] - first * before_deg, t_s, t_s[-1:] + last * steps_deg[-1:]))


def active_level(case: Case) -> int:
    """The line's level after a true timing edge."""
    sensor = case.made.truth.scenario.sensor
    return sensor.falls_to if isinstance(sensor, Coil) else sensor.active


def marks(case: Case, level: int | None) -> np.ndarray:
    """When each true tooth is marked by the edge to a level: its own edge, or for the other level a switching
    sensor's trailing edge, which follows it, or a coil's rise, which precedes it."""
    truth = case.made.truth
    t, line = truth.teeth["crank"].t_s, truth.clean["crank"]
    if level is None or level == active_level(case) or not len(t):
        return t
    other = line.t_s[line.levels == level]
    coil = isinstance(truth.scenario.sensor, Coil)
    if coil:
        at = np.searchsorted(other, t) - 1
        return np.where(at >= 0, other[np.maximum(at, 0)], t)
    at = np.searchsorted(other, t, side="right")
    return np.where(at < len(other), other[np.minimum(at, len(other) - 1)], t)


def score(case: Case, told: Teeth) -> Score:
    """told: all teeth and events of the crank channel, from first to last."""
    result = Score()
    line = Timeline(case, told)
    turn_deg = case.wheel.turn_deg
    motion = case.made.truth.drive.motion
    result.revolutions = float(np.abs(np.diff(motion.angle_deg)).sum()) / turn_deg
    faults = line.faults
    long = [f for f in faults if line.is_long(f)]
    used: set[int] = set()
    for kind in SCORED:
        _match(kind, faults, told.events, line, result, used)
    stops = 0
    for i, event in enumerate(told.events):
        if i in used:
            continue
        over = [f for f in long if _overlaps(f, event, line)]
        if event.kind == "stopped" and over:
            result.beyond.called_stopped += 1
            continue
        stops += event.kind == "stopped"
        if event.kind == "stopped" and stops <= case.stops:
            continue
        if event.kind in SCORED:
            tally = result.beyond if over else result.within
            tally.events += 1
        result.false_events += 1
        result.complaints.append(f"false {_words(event, line)}")
    _check_numbers(case, told, line, result)
    return result


def _match(kind: str, faults: list[Fault], events: tuple[Event, ...], line: Timeline, result: Score,
           used: set[int]) -> None:  # fmt: skip
    wanted = [f for f in faults if f.kind == kind]
    pairs = []
    for i, event in enumerate(events):
        if event.kind != kind:
            continue
        at = event.tick * line.tick_s
        for j, fault in enumerate(wanted):
            away = abs(at - fault.t_s) / max(line.slot_s(fault.t_s), 1e-9)
            if away <= 1.0:
                pairs.append((away, i, j))
    met: dict[int, int] = {}
    for _, i, j in sorted(pairs):
        if j not in met and i not in used:
            met[j] = i
            used.add(i)
    for j, fault in enumerate(wanted):
        tally = result.beyond if line.is_long(fault) else result.within
        tally.faults += 1
        said = result.notes if tally is result.beyond else result.complaints
        if j not in met:
            said.append(f"not found: {_fault_words(fault)}")
            continue
        event = events[met[j]]
        tally.events += 1
        tally.matched += 1
        tooth = (event.revolution, event.tooth) == (fault.revolution, fault.tooth)
        count = event.count == fault.count or kind == "silent"
        tally.tooth_right += tooth
        tally.count_right += count
        if not (tooth and count):
            said.append(f"told {_words(event, line)} for {_fault_words(fault)}")


def _overlaps(fault: Fault, event: Event, line: Timeline) -> bool:
    slot = line.slot_s(fault.t_s)
    return event.tick * line.tick_s <= fault.end_s + slot and event.end_tick * line.tick_s >= fault.t_s - slot


def _check_numbers(case: Case, told: Teeth, line: Timeline, result: Score) -> None:
    """Every tooth's number, and up to the first stop its revolution; and whether teeth were left out."""
    if not len(told) or not len(line.t):
        result.lost_teeth = int(case.made.truth.teeth["crank"].seen.sum())
        return
    place = line.place[line.before(told.ticks)]
    wrong = (place % line.n + 1) != told.tooth
    first = told.turning == told.turning[0]
    revolution = np.maximum(place // line.n, -1)
    wrong |= first & (revolution != told.revolution)
    result.misnumbered = int(wrong.sum())
    if result.misnumbered:
        at = float(told.ticks[np.argmax(wrong)]) * line.tick_s
        result.complaints.append(f"{result.misnumbered} of {len(told)} teeth misnumbered, first at {at:.4f} s")
    gone = sum(f.count for f in case.made.truth.faults if f.kind == "missing")
    # A reading may begin and end a tooth late or early.
    result.lost_teeth = max(0, len(line.t) - 2 - gone - len(told) - 2 * (1 + case.stops))
    if result.lost_teeth:
        result.complaints.append(f"{result.lost_teeth} teeth not handed on")


def _words(event: Event, line: Timeline) -> str:
    return (f"{event.kind} at {event.tick * line.tick_s:.6f} s, revolution {event.revolution} tooth {event.tooth} "
            f"count {event.count}")  # fmt: skip


def _fault_words(fault: Fault) -> str:
    where = f"revolution {fault.revolution} tooth {fault.tooth}"
    return f"{fault.kind} at {fault.t_s:.6f} s, {where} count {fault.count}"


def echo(case: Case, faults: tuple[Fault, ...] | None = None) -> Teeth:
    """What a tracker that knows the truth would say; `faults` replaces the true ones. For testing the scorer."""
    truth, clock = case.made.truth, case.made.recording.clock
    teeth: TrueTeeth = truth.teeth["crank"]
    ticks = np.array([clock.ticks(t) for t in teeth.t_s.tolist()], np.int64)
    events = tuple(
        Event(f.kind, "crank", clock.ticks(f.t_s), clock.ticks(f.end_s),
              None if f.revolution is None or f.revolution < 0 else f.revolution, f.tooth, None, f.count, f.level)
        for f in (truth.faults if faults is None else faults) if f.kind in SCORED
    )  # fmt: skip
    here = np.ones(len(teeth), bool)
    for fault in truth.faults:
        if fault.kind == "missing":
            first = int(np.searchsorted(teeth.t_s, fault.t_s - 1e-12))
            here[first : first + fault.count] = False
    n = int(here.sum())
    return Teeth(ticks[here], np.full(n, -1), teeth.tooth[here], teeth.revolution[here], np.ones(n, np.int32), events)
