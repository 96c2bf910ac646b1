"""From events and stretches to what each place comes to, by the rules."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from toothwise.edges.signal import Clock
from toothwise.wiggle import exact, rules
from toothwise.wiggle.disturbance import Burst
from toothwise.wiggle.marks import Stretch
from toothwise.wiggle.seen import Seen

SCHEMA = 1


@dataclass(frozen=True, slots=True)
class Placed:
    """An event, and the place and wiggle it belongs to. place: None before the first mark. wiggle: from 1, within its
    place; 0 where it fell into a stretch that was no wiggle."""

    clock: Clock
    event: Burst
    mode: str
    place: str | None
    wiggle: int
    near_mark: bool

    @property
    def conductor(self) -> str:
        return self.event.conductor(self.clock, self.mode == "continuity")

    @property
    def longest_s(self) -> float:
        return self.clock.span_s(self.event.longest.longest)

    def as_json(self) -> dict[str, Any]:
        event, clock = self.event, self.clock
        longest = event.longest
        return {
            "t_s": round(clock.seconds(event.tick), 9),
            "span_s": round(clock.span_s(event.end_tick - event.tick), 9),
            "duration_s": round(self.longest_s, 9),
            "at_least_s": round(clock.span_s(longest.least), 9),
            "at_most_s": round(clock.span_s(longest.most), 9),
            "stays": longest.stays,
            "place": self.place,
            "wiggle": self.wiggle,
            "near_mark": self.near_mark,
            "conductor": self.conductor,
            "kinds": list(event.kinds),
            "held": None if longest.level is None else ("low", "high")[longest.level],
            "disturbances": event.count,
            "revolution": event.parts[0].revolution,
            "tooth": event.parts[0].tooth,
            "parts": [
                [part.channel, round(clock.seconds(part.tick), 9), round(clock.span_s(part.longest), 9)]
                for part in event.parts
            ],
        }


@dataclass(slots=True)
class Place:
    """What a place came to. seconds: moved and seen. hits: wiggles with an event.

    lacks: what a suspect one would have taken to be confirmed: "hands_off" "quiet" or "watched", "wiggles" with events.
    """

    name: str
    wiggles: int = 0
    hits: int = 0
    seconds: float = 0.0
    blind_s: float = 0.0
    events: list[Placed] = field(default_factory=list)
    interference: int = 0
    stands: str = "untested"
    lacks: dict[str, str | int] = field(default_factory=dict)

    @property
    def bound_95(self) -> float:
        return exact.upper_bound(self.hits, self.wiggles, rules.CONFIDENCE)

    @property
    def longest_s(self) -> float:
        return max((event.longest_s for event in self.events), default=0.0)

    def as_json(self) -> dict[str, Any]:
        classes = dict.fromkeys([rules.SHORTER, *(name for name, _ in rules.CLASSES)], 0)
        classes.update(Counter(rules.class_of(event.longest_s) for event in self.events))
        held = Counter(e.event.longest.level for e in self.events if e.conductor not in ("feed", "both"))
        return {
            "place": self.name,
            "wiggles": self.wiggles,
            "wiggles_with_events": self.hits,
            "events": len(self.events),
            "longest_s": round(self.longest_s, 9),
            "classes": classes,
            "conductors": dict(sorted(Counter(event.conductor for event in self.events).items())),
            "held": {"high": held[1], "low": held[0]},
            "stands": self.stands,
            "lacks": self.lacks,
            "bound_95": self.bound_95,
            "moved_s": round(self.seconds, 6),
            "blind_s": round(self.blind_s, 9),
            "interference": self.interference,
        }


@dataclass(slots=True)
class Judged:
    """A whole wiggle test. hands_off: the background, as a place of its own kind."""

    seen: list[Seen]
    places: list[Place]
    hands_off: Place
    unplaced: list[Placed]
    front_end: dict[str, Any] | None = None

    @property
    def found(self) -> bool:
        """Whether there was any event of a contact."""
        return any(place.events for place in [*self.places, self.hands_off]) or bool(self.unplaced)

    def events(self) -> Iterator[Placed]:
        yield from self.unplaced
        for place in (self.hands_off, *self.places):
            yield from place.events

    def as_json(self) -> dict[str, Any]:
        """The object that a machine reads. Plain types only."""
        first = self.seen[0]
        interference = [told for seen in self.seen for told in seen.interference]
        return {
            "schema": SCHEMA,
            "source": first.source,
            "parts": len(self.seen),
            "mode": first.mode,
            "channels": list(first.channels),
            "feed_watched": "feed" in first.channels and first.mode != "continuity",
            "wheel": first.wheel,
            "revolutions": sum(seen.revolutions for seen in self.seen),
            "places": [place.as_json() for place in self.places],
            "hands_off": self.hands_off.as_json(),
            "unplaced": len(self.unplaced),
            "events": [placed.as_json() for placed in sorted(self.events(), key=_in_time)],
            "interference": interference,
            "blind_s": round(sum(s.clock.span_s(b - a) for s in self.seen for a, b in s.blind), 9),
            "hidden": first.hidden,
            "moved_edge_limit_deg": first.limit_deg,
            "moved_edges_judged": first.judged,
            "front_end": self.front_end,
            "end_supposed": any(stretch.supposed for seen in self.seen for stretch in seen.stretches),
        }


def _in_time(placed: Placed) -> tuple[float, str]:
    return placed.clock.seconds(placed.event.tick), placed.place or ""


def judge(parts: Sequence[Seen]) -> Judged:
    """Judge one test, of one or more recordings of the same harness taken one after another."""
    places: dict[str, Place] = {}
    for seen in parts:
        for stretch in seen.stretches:
            places.setdefault(stretch.place, Place(stretch.place))
    hands_off = places.pop(rules.HANDS_OFF, Place(rules.HANDS_OFF))
    between = places.pop(rules.BETWEEN, Place(rules.BETWEEN))
    every = {**places, rules.HANDS_OFF: hands_off, rules.BETWEEN: between}
    claims = _claims(parts)
    unplaced: list[Placed] = []
    for seen in parts:
        wiggle = _count_wiggles(seen, every)
        owners = _owners(seen, claims)
        for event, (at, near) in zip(seen.events, owners, strict=True):
            place = None if at is None else seen.stretches[at].place
            number = 0 if at is None else wiggle[at]
            placed = Placed(seen.clock, event, seen.mode, place, number, near)
            if place is None:
                unplaced.append(placed)
            else:
                every[place].events.append(placed)
        for at in {at for at, _ in owners if at is not None}:
            every[seen.stretches[at].place].hits += wiggle[at] > 0
        for tick in seen.noise:
            at = _stretch_at(seen.stretches, tick)
            if at is not None:
                every[seen.stretches[at].place].interference += 1
    lacks: dict[str, str | int] = {}
    if hands_off.events:
        lacks["hands_off"] = "quiet"
    elif hands_off.seconds <= 2 * rules.HUMAN_S:  # the human delay at both its ends: nobody's hands were surely off
        lacks["hands_off"] = "watched"
    for one in every.values():
        own = lacks if one.hits >= rules.CONFIRMING else {**lacks, "wiggles": rules.CONFIRMING}
        one.stands = _stands(one, confirmed=not own)
        if one.stands == "suspect" and one is not hands_off:
            one.lacks = own
    return Judged(list(parts), list(places.values()), hands_off, [*unplaced, *between.events])


def _stands(place: Place, *, confirmed: bool) -> str:
    if place.events:
        return "confirmed" if confirmed else "suspect"
    return "quiet" if place.wiggles else "untested"


def _count_wiggles(seen: Seen, places: dict[str, Place]) -> list[int]:
    """The number of each stretch among its place's wiggles, 0 for what was none; the places' time is added up."""
    numbers = []
    shortest = seen.clock.ticks(rules.SHORTEST_S)
    for stretch in seen.stretches:
        place = places[stretch.place]
        length = stretch.end - stretch.start
        start, end = max(stretch.start, seen.from_tick), min(stretch.end, seen.until_tick)
        watched = max(end - start, 0)
        unseen = length - watched + seen.unseen(start, end)
        place.blind_s += seen.clock.span_s(unseen)
        place.seconds += seen.clock.span_s(length - unseen)
        counts = length >= shortest and 2 * unseen < length
        place.wiggles += counts
        numbers.append(place.wiggles if counts else 0)
    return numbers


Claims = dict[str, tuple[float, float]]
"""Of each place, events a second away from its marks with other places, and events a second that could be its own."""


def _claims(parts: Sequence[Seen]) -> Claims:
    seconds: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for seen in parts:
        human = seen.clock.ticks(rules.HUMAN_S)
        ticks = np.array([event.tick for event in seen.events], np.int64)
        for i, stretch in enumerate(seen.stretches):
            for which, reach in enumerate((human, -human)):
                start, end = _inner(seen.stretches, i, reach)
                seconds[stretch.place][which] += seen.clock.span_s(max(end - start, 0))
                if end > start:
                    a, b = np.searchsorted(ticks, (start, end))
                    counts[stretch.place][which] += int(b - a)
    return {place: (_rate(counts[place][0], s[0]), _rate(counts[place][1], s[1])) for place, s in seconds.items()}


def _rate(count: int, seconds: float) -> float:
    return count / seconds if seconds > 0 else 0.0


def _inner(stretches: Sequence[Stretch], i: int, human: int) -> tuple[int, int]:
    """A stretch without the time near a mark at which the place changed; with a negative `human`, with more of it."""
    own = stretches[i]
    before = i > 0 and stretches[i - 1].place != own.place
    after = i + 1 < len(stretches) and stretches[i + 1].place != own.place
    return own.start + human * before, own.end - human * after


def _stretch_at(stretches: Sequence[Stretch], tick: int) -> int | None:
    for i, stretch in enumerate(stretches):
        if stretch.start <= tick < stretch.end:
            return i
    if stretches and tick >= stretches[-1].start:
        return len(stretches) - 1
    return None


def _owners(seen: Seen, claims: Claims) -> list[tuple[int | None, bool]]:
    """The stretch of each event, and whether it lay near a mark."""
    owners = [owner(event.tick, seen, claims) for event in seen.events]
    human = seen.clock.ticks(rules.HUMAN_S)
    counts = Counter(at for at, _ in owners)
    for i, event in enumerate(seen.events):
        at = owners[i][0]
        if at is None or counts[at] < 2:
            continue
        for other, gap in (
            (at - 1, event.tick - seen.stretches[at].start),
            (at + 1, seen.stretches[at].end - event.tick),
        ):
            beside = 0 <= other < len(seen.stretches) and seen.stretches[other].place == seen.stretches[at].place
            if beside and not counts[other] and gap <= human:
                counts[at] -= 1
                counts[other] += 1
                owners[i] = other, True
                break
    return owners


def owner(tick: int, seen: Seen, claims: Claims) -> tuple[int | None, bool]:
    """The stretch an event belongs to, and whether it lay so near a mark that the neighbour might have had it."""
    stretches = seen.stretches
    at = _stretch_at(stretches, tick)
    human = seen.clock.ticks(rules.HUMAN_S)
    if at is None:
        first = stretches[0] if stretches else None
        if first is not None and first.moved and first.start - tick <= human:
            return 0, True
        return None, False
    near = {at}
    if at > 0 and tick - stretches[at].start < human:
        near.add(at - 1)
    if at + 1 < len(stretches) and stretches[at].end - tick <= human:
        near.add(at + 1)
    near = {i for i in near if i == at or stretches[i].place != stretches[at].place}
    if len(near) == 1:
        return at, False

    def claim(i: int) -> tuple[float, bool, float, bool]:
        sure, possible = claims[stretches[i].place]
        return sure, stretches[i].moved, possible, i == at

    return max(near, key=claim), True
