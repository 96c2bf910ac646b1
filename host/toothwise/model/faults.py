"""What goes wrong with a signal on its way, and the truth about each fault.

A fault takes a `Scene` (the line so far, the true teeth, what the engine did) and changes the line; what it
did is written down in the scene's own words of `records.Event`, plus what the recorder cannot know: the
conductor and the cause. `count` is teeth for missing, level changes for extra (a lone pulse is 2).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from toothwise.model.drive import Drive
from toothwise.model.line import Line, disjoint
from toothwise.model.motion import Floats
from toothwise.model.sensor import TrueTeeth
from toothwise.wheel.pattern import Wheel


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that went wrong.

    kind: missing, extra, silent, feed_low as the events are; `shifted` for a tooth that was seen early or
        late by `shift` of a pitch because the line was held while it passed.
    t_s, end_s: for missing from the first to the last absent tooth; else from the first change to the last.
    conductor: signal, feed, ground, shield, or wheel for what is no wire's fault. cause: a plain word.
    """

    kind: str
    channel: str
    t_s: float
    end_s: float
    revolution: int | None
    tooth: int | None
    count: int
    level: int | None
    conductor: str
    cause: str
    shift: float = 0.0


@dataclass(eq=False)
class Scene:
    """One channel while faults are laid over it. The faults see the teeth as they were before any of them."""

    channel: str
    wheel: Wheel
    line: Line
    teeth: TrueTeeth
    drive: Drive
    active: int
    rng: np.random.Generator
    faults: list[Fault] = field(default_factory=list)
    feed_lows: list[tuple[float, float]] = field(default_factory=list)

    def index(self, revolution: int, tooth: int) -> int:
        """Where a tooth of a revolution stands among the true teeth; IndexError if it never passed."""
        found = np.flatnonzero(
            (self.teeth.revolution == revolution) & (self.teeth.tooth == tooth) & ~self.teeth.backwards
        )
        return int(found[0])

    def before(self, t_s: float) -> int:
        """The last true tooth at or before a time; -1 if none."""
        return int(np.searchsorted(self.teeth.t_s, t_s, side="right")) - 1

    def back_s(self, index: int) -> float:
        """When the line left its active level after a tooth."""
        at = int(np.searchsorted(self.line.t_s, self.teeth.t_s[index], side="right"))
        while at < len(self.line) and self.line.levels[at] == self.active:
            at += 1
        return float(self.line.t_s[at]) if at < len(self.line) else float(self.teeth.t_s[index])

    def note(
        self,
        kind: str,
        t_s: float,
        end_s: float,
        index: int,
        count: int,
        level: int | None,
        conductor: str,
        cause: str,
        shift: float = 0.0,
    ) -> None:
        known = 0 <= index < len(self.teeth)
        revolution = int(self.teeth.revolution[index]) if known else None
        tooth = int(self.teeth.tooth[index]) if known else None
        self.faults.append(
            Fault(kind, self.channel, t_s, end_s, revolution, tooth, count, level, conductor, cause, shift)
        )

    def note_missing(self, first: int, count: int, level: int, conductor: str, cause: str) -> None:
        """A run of teeth; one longer than a revolution is silence as well."""
        t = self.teeth.t_s
        last = min(first + count, len(t)) - 1
        for kind in ("missing", "silent")[: 2 if count >= self.wheel.teeth else 1]:
            self.note(kind, float(t[first]), float(t[last]), first, count, level, conductor, cause)

    def hold(self, starts: Floats, ends: Floats, level: int, conductor: str, cause: str) -> None:
        """The line held at a level for spans, and every consequence written down."""
        starts, ends = disjoint(starts, ends)
        clean = self.line
        self.line = clean.forced(starts, ends, level)
        was, then = clean.before(starts), clean.before(ends)
        low, high = (np.searchsorted(clean.t_s, x, side="left") for x in (starts, ends))
        pulses: list[tuple[float, float]] = []
        for a, b, before, after, i, j in zip(
            starts.tolist(),
            ends.tolist(),
            was.tolist(),
            then.tolist(),
            low.tolist(),
            high.tolist(),
            strict=True,
        ):
            if i == j:
                if before != level:
                    pulses.append((a, b))
                continue
            gone = clean.t_s[i:j][clean.levels[i:j] == self.active]
            if len(gone) == 0:
                continue
            early = before != level and level == self.active
            late = after != level and after == self.active
            first = self._tooth_of(float(gone[0]))
            if early:
                self._note_shift(first, a, conductor, cause)
            elif late:
                self._note_shift(first + len(gone) - 1, b, conductor, cause)
            lost = len(gone) - (early or late)
            if lost:
                self.note_missing(first + early, lost, level, conductor, cause)
        self.note_pulses(pulses, conductor, cause)

    def _tooth_of(self, edge_s: float) -> int:
        """The true tooth nearest a timing edge (a coil's comparator fires beside the true time)."""
        i = int(np.searchsorted(self.teeth.t_s, edge_s))
        near = [k for k in (i - 1, i) if 0 <= k < len(self.teeth)]
        return min(near, key=lambda k: abs(float(self.teeth.t_s[k]) - edge_s))

    def _note_shift(self, index: int, to_s: float, conductor: str, cause: str) -> None:
        t = self.teeth.t_s
        was = float(t[index])
        pitch = float(t[min(index + 1, len(t) - 1)] - t[max(index - 1, 0)]) / 2
        self.note("shifted", min(was, to_s), max(was, to_s), index, 1, None, conductor, cause, (to_s - was) / pitch)

    def note_pulses(self, pulses: list[tuple[float, float]], conductor: str, cause: str) -> None:
        """Extra level changes, those within one pitch together as one cluster."""
        groups: dict[int, list[tuple[float, float]]] = {}
        for pulse in sorted(pulses):
            groups.setdefault(self.before(pulse[0]), []).append(pulse)
        for index, group in groups.items():
            self.note("extra", group[0][0], group[-1][1], index, 2 * len(group), None, conductor, cause)

    def add_pulses(self, starts: Floats, widths: Floats, conductor: str, cause: str) -> None:
        """Pulses that invert the line, wherever they fall."""
        starts, ends = disjoint(starts, starts + widths)
        self.line = self.line.flipped(starts, ends)
        self.note_pulses(list(zip(starts.tolist(), ends.tolist(), strict=True)), conductor, cause)


class FaultMaker(Protocol):
    """Anything that can be laid over a scene."""

    def lay(self, scene: Scene) -> None: ...


# faults at known places


@dataclass(frozen=True, slots=True)
class TeethGone:
    """Teeth that leave no edge: (revolution, first tooth, how many). Meanwhile the line stays at its level
    between teeth, or (`active`) at the tooth's level."""

    places: tuple[tuple[int, int, int], ...]
    active: bool = False
    conductor: str = "signal"
    cause: str = "lost"

    def lay(self, scene: Scene) -> None:
        starts, ends = [], []
        level = scene.active if self.active else 1 - scene.active
        for revolution, tooth, count in self.places:
            first = scene.index(revolution, tooth)
            edges = _timing_edges(scene, first, count)
            if self.active:
                starts.append(scene.back_s(first - 1))
                ends.append(float(np.nextafter(edges[1], np.inf)))
            else:
                starts.append(edges[0])
                ends.append(float(np.nextafter(scene.back_s(first + count - 1), np.inf)))
            scene.note_missing(first, count, level, self.conductor, self.cause)
        spans = disjoint(np.array(starts), np.array(ends))
        scene.line = scene.line.forced(*spans, level)


def _timing_edges(scene: Scene, first: int, count: int) -> tuple[float, float]:
    """The line's own timing edges of the first and last of a run (a coil's lie near the true time)."""
    edges = scene.line.t_s[scene.line.levels == scene.active]
    wanted = scene.teeth.t_s[[first, first + count - 1]]
    at = np.clip(np.searchsorted(edges, wanted), 1, len(edges) - 1)
    at -= (wanted - edges[at - 1]) < (edges[at] - wanted)
    return float(edges[at[0]]), float(edges[at[1]])


@dataclass(frozen=True, slots=True)
class Pulse:
    """One cluster: `n` pulses of `width_s`, `period_s` apart, the first at `share` of the way from a tooth to
    the next."""

    revolution: int
    tooth: int
    share: float
    width_s: float
    n: int = 1
    period_s: float = 0.0


@dataclass(frozen=True, slots=True)
class ExtraPulses:
    """Pulses at known places."""

    pulses: tuple[Pulse, ...]
    conductor: str = "signal"
    cause: str = "pulse"

    def lay(self, scene: Scene) -> None:
        starts, widths = [], []
        t = scene.teeth.t_s
        for pulse in self.pulses:
            i = scene.index(pulse.revolution, pulse.tooth)
            begin = float(t[i] + pulse.share * (t[i + 1] - t[i]))
            starts += [begin + k * pulse.period_s for k in range(pulse.n)]
            widths += [pulse.width_s] * pulse.n
        scene.add_pulses(np.array(starts), np.array(widths), self.conductor, self.cause)


@dataclass(frozen=True, slots=True)
class Held:
    """Opens and shorts: the line at one level for spans of time. The pull-up takes an open one to 1."""

    spans: tuple[tuple[float, float], ...]
    level: int = 1
    conductor: str = "signal"
    cause: str = "open"

    def lay(self, scene: Scene) -> None:
        spans = np.array(self.spans, float).reshape(-1, 2)
        scene.hold(spans[:, 0], spans[:, 1], self.level, self.conductor, self.cause)


# wiring that moves


def contact_durations(n: int, rng: np.random.Generator) -> Floats:
    """How long a poor contact stays open, in seconds: most openings are microseconds of fretting, some are
    milliseconds of a loose terminal, a few are tenths of a second of a broken strand. Invented shares;
    the classes 1 µs to 10 ms are those of the disturbance tests."""
    kind = rng.choice(3, n, p=(0.5, 0.35, 0.15))
    middle, spread = np.array([20e-6, 1.5e-3, 40e-3])[kind], np.array([1.2, 1.0, 0.9])[kind]
    return np.asarray(np.clip(middle * np.exp(spread * rng.standard_normal(n)), 0.2e-6, 1.0))


@dataclass(frozen=True, slots=True)
class Chatter:
    """A contact that opens when it is moved: episodes within spans of time, each a handful of bounces.

    per_s: episodes a second inside the spans. level: where the open line goes. also_feed: the moved contact
    is the feed's, so the feed channel sees it too.
    """

    spans: tuple[tuple[float, float], ...]
    per_s: float = 4.0
    level: int = 1
    conductor: str = "signal"
    cause: str = "contact"
    also_feed: bool = False

    def lay(self, scene: Scene) -> None:
        starts, ends = [], []
        for begin, end in self.spans:
            for at in np.sort(scene.rng.uniform(begin, end, scene.rng.poisson(self.per_s * (end - begin)))):
                opens = contact_durations(1 + scene.rng.geometric(0.4), scene.rng)
                closes = scene.rng.lognormal(np.log(60e-6), 1.5, len(opens))
                starts.append(at + np.concatenate(([0.0], np.cumsum(opens[:-1] + closes[:-1]))))
                ends.append(starts[-1] + opens)
        if not starts:
            return
        spans = disjoint(np.concatenate(starts), np.concatenate(ends))
        scene.hold(*spans, self.level, self.conductor, self.cause)
        if self.also_feed:
            scene.feed_lows += zip(spans[0].tolist(), spans[1].tolist(), strict=True)


@dataclass(frozen=True, slots=True)
class FeedSag:
    """The sensor's feed falls away and the signal with it; `level` is what the line does without a feed."""

    spans: tuple[tuple[float, float], ...]
    level: int = 1
    conductor: str = "feed"

    def lay(self, scene: Scene) -> None:
        Held(self.spans, self.level, self.conductor, "feed").lay(scene)
        scene.feed_lows += self.spans
        for begin, end in self.spans:
            scene.faults.append(Fault("feed_low", "feed", begin, end, None, None, 1, 0, self.conductor, "feed"))


# interference


def _ringing(at_s: Floats, n: int, width_s: float, hz: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Each disturbance as up to `n` narrow pulses of a ringing cable."""
    starts, widths = [], []
    for t in at_s.tolist():
        many = int(rng.integers(1, n + 1))
        starts.append(t + np.arange(many) / hz)
        widths.append(width_s * rng.uniform(0.5, 1.0, many))
    none: list[Floats] = [np.empty(0)]
    return np.concatenate(starts or none), np.concatenate(widths or none)


@dataclass(frozen=True, slots=True)
class Ignition:
    """Sparks that couple into the line, one a firing, moving with the spark advance."""

    chance: float = 0.5
    width_s: float = 8e-6
    pulses: int = 3
    ring_hz: float = 40e3
    conductor: str = "shield"
    cause: str = "ignition"

    def lay(self, scene: Scene) -> None:
        at = []
        for firing in scene.drive.firings:
            if scene.rng.random() < self.chance:
                speed = float(scene.drive.motion.speed_at(np.array([firing.t_s]))[0])
                if speed > 0.0:
                    at.append(firing.t_s - firing.advance_deg / speed)
        scene.add_pulses(
            *_ringing(np.array(at), self.pulses, self.width_s, self.ring_hz, scene.rng),
            self.conductor,
            self.cause,
        )


@dataclass(frozen=True, slots=True)
class Alternator:
    """Pulses at a fixed order of the crank, which need not be whole."""

    order: float = 15.8
    chance: float = 0.03
    width_s: float = 5e-6
    conductor: str = "shield"
    cause: str = "alternator"

    def lay(self, scene: Scene) -> None:
        motion, step = scene.drive.motion, 360.0 / self.order
        at: list[NDArray[np.float64]] = []
        for spin in motion.spins:
            low, high = sorted((float(motion.angle_deg[spin.first]), float(motion.angle_deg[spin.last])))
            angles = np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step
            at.append(motion.times_in(spin, angles[scene.rng.random(len(angles)) < self.chance]))
        starts = np.sort(np.concatenate(at))
        scene.add_pulses(starts, np.full(len(starts), self.width_s), self.conductor, self.cause)


@dataclass(frozen=True, slots=True)
class StarterNoise:
    """Brush noise while the starter draws current."""

    per_s: float = 10.0
    width_s: float = 4e-6
    conductor: str = "shield"
    cause: str = "starter"

    def lay(self, scene: Scene) -> None:
        at = [scene.rng.uniform(a, b, scene.rng.poisson(self.per_s * (b - a))) for a, b in scene.drive.starter]
        starts = np.sort(np.concatenate(at)) if at else np.empty(0)
        scene.add_pulses(starts, np.full(len(starts), self.width_s), self.conductor, self.cause)


@dataclass(frozen=True, slots=True)
class Bursts:
    """Fast transients: trains of pulses at up to some megahertz at given times."""

    at_s: tuple[float, ...]
    pulses: int = 15
    hz: float = 2e6
    conductor: str = "shield"
    cause: str = "burst"

    def lay(self, scene: Scene) -> None:
        starts = (np.array(self.at_s)[:, None] + np.arange(self.pulses)[None, :] / self.hz).ravel()
        scene.add_pulses(starts, np.full(len(starts), 0.4 / self.hz), self.conductor, self.cause)
