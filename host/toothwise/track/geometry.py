"""A wheel's angles in the form that the trackers' inner loops want."""

from __future__ import annotations

from toothwise.wheel.pattern import Wheel

FEW_TEETH = 24
"""With so few teeth, or fewer, what a turn looks like is only known after a few of them."""

ODD = 0.2
"""A step that differs from the usual one by a larger share stands out."""


class Geometry:
    """Plain lists over two turns and more, in degrees of the wheel's own shaft."""

    def __init__(self, wheel: Wheel) -> None:
        self.teeth = wheel.teeth
        self.turn_deg = 360.0  # a pattern over 720 degrees of crank is one turn of its own shaft
        scale = 360.0 / wheel.turn_deg
        one = [a * scale for a in wheel.angles_deg]
        self.angle = [a + 360.0 * turn for turn in range(3) for a in one]
        self.symmetry = wheel.symmetry
        self.steps = [self.angle[i + 1] - self.angle[i] for i in range(self.teeth)]
        self.largest_deg = max(self.steps)
        self.smallest_deg = min(self.steps)
        self.cycle_deg = 720.0 * scale
        """An engine cycle, as far as the wheel turns in it."""
        self.lost_deg = 360.0 + 0.5 * self.largest_deg
        """A line without a tooth for so long is not counted through."""

    @property
    def marks(self) -> list[int]:
        """The teeth, from 0, with a step behind them that is not the usual one: what numbers the teeth of a turn."""
        usual = sorted(self.steps)[self.teeth // 2]
        return [tooth for tooth, step in enumerate(self.steps) if abs(step / usual - 1.0) > ODD]

    def span(self, count: int, teeth: int) -> float:
        """Degrees from tooth `count` on by so many teeth (at most two turns)."""
        first = count % self.teeth
        return self.angle[first + teeth] - self.angle[first]
