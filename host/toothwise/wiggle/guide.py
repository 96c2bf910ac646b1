"""Leads the hands through the places: what to do now, for how long, and the marks that come of it.

It knows no clock but the recording's own: time that the rig did not see does not count down.

    hands off   quiet_s    nothing touched: the background
    moving on   moving_s   hands go to the next place
    wiggle      wiggle_s   times `wiggles`, each with a mark of its own
    over                   all places done
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from toothwise.wiggle import rules
from toothwise.wiggle.harness import Harness, Spot
from toothwise.wiggle.marks import Mark


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do. number: the place's, from 1; 0 with hands off. wiggle: from 1; 0 where nothing is moved."""

    place: str
    seconds: float
    spot: Spot | None = None
    number: int = 0
    wiggle: int = 0


def steps(harness: Harness, done: Mapping[str, int] | None = None) -> list[Step]:
    """All that is to do. done: wiggles that a place has had already, in an earlier part of the same test."""
    out = [Step(rules.HANDS_OFF, harness.quiet_s)]
    for number, spot in enumerate(harness.places, 1):
        first = (done or {}).get(spot.name, 0) + 1
        if first > harness.wiggles:
            continue
        if harness.moving_s:
            out.append(Step(rules.BETWEEN, harness.moving_s, spot, number))
        out += [Step(spot.name, harness.wiggle_s, spot, number, k) for k in range(first, harness.wiggles + 1)]
    return out


class Guide:
    """Runs through the steps. Every method takes the recording's tick now.

    by_hand: a step's time only tells when it is done; going on takes a key or the button.
    """

    def __init__(self, steps: list[Step], tick_s: float, *, by_hand: bool = False) -> None:
        self.steps = steps
        self._tick_s = tick_s
        self._by_hand = by_hand
        self._at = -1
        self._began = 0
        self._hidden = 0
        self.marks: list[Mark] = []
        """All marks so far; also where a step was left before its time."""

    @property
    def step(self) -> Step | None:
        """What to do now; None before the start and when it is over."""
        return self.steps[self._at] if 0 <= self._at < len(self.steps) else None

    @property
    def next_place(self) -> str:
        """Where the hands go after this place; empty where it is the last one."""
        step = self.step
        later = self.steps[max(self._at, 0) :]
        here = step.spot.name if step and step.spot else ""
        return next((s.spot.name for s in later if s.spot and s.spot.name != here), "")

    @property
    def wiggle_next(self) -> bool:
        """Whether what comes next is a wiggle of the place where the hands are."""
        step, later = self.step, self.steps[self._at + 1 : self._at + 2]
        return bool(step and later and later[0].wiggle and later[0].number == step.number)

    @property
    def over(self) -> bool:
        return self._at >= len(self.steps)

    @property
    def places(self) -> int:
        return max((step.number for step in self.steps), default=0)

    def left_s(self, tick: int) -> float:
        """Seconds left of this step; none below zero."""
        step = self.step
        return max(step.seconds - (tick - self._began - self._hidden) * self._tick_s, 0.0) if step else 0.0

    def unseen(self, ticks: int) -> None:
        """So much time the rig did not see."""
        self._hidden += ticks

    def go(self, tick: int) -> list[Mark]:
        """Time went on; the marks of steps that began."""
        made: list[Mark] = []
        if self._at < 0:
            made += self._begin(0, tick)
        while not self.over and not self._by_hand and self.left_s(tick) <= 0.0:
            step = self.step
            assert step is not None
            made += self._begin(
                self._at + 1, min(tick, self._began + self._hidden + round(step.seconds / self._tick_s))
            )
        return made

    def next(self, tick: int) -> list[Mark]:
        """On to the next thing, by key or button: out of a wiggle to the next one, out of moving on to the wiggle."""
        return self._begin(self._at + 1, tick) if not self.over else []

    def skip(self, tick: int) -> list[Mark]:
        """On to the next place, whatever is left to do at this one; after the last one it is over."""
        if self.over:
            return []
        here = self.step.number if self.step else 0
        later = (i for i, step in enumerate(self.steps) if i > self._at and step.number > here)
        return self._begin(next(later, len(self.steps)), tick)

    def back(self, tick: int) -> list[Mark]:
        """To this place's first wiggle once more; from there and from moving on, to the place before."""
        step = self.step
        if step is None or step.spot is None:
            return []
        name = step.spot.name
        if step.wiggle <= 1:
            earlier = [s.spot.name for s in self.steps[: self._at] if s.spot and s.spot.name != name]
            name = earlier[-1] if earlier else name
        return self._begin(next(i for i, s in enumerate(self.steps) if s.spot and s.spot.name == name), tick)

    def _begin(self, at: int, tick: int) -> list[Mark]:
        self._at, self._began, self._hidden = at, tick, 0
        place = self.steps[at].place if at < len(self.steps) else rules.BETWEEN
        mark = Mark(tick, place)
        self.marks.append(mark)
        return [mark]
