"""What the trailing edges tell about a tooth: how wide it was, and so whether it was one at all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from toothwise.track import motion

SHARE_SIGMA = 0.25
"""Usual error of a tooth's share of its pitch, in log odds, at steady speed: uneven teeth, a comparator's whims."""

WIDTH_SIGMA = 0.5
"""Usual error of a tooth's width by itself, in log units."""

MOST = 3.0
"""However odd a width is, it weighs no more nats than this: a tooth may be split, or the line held."""

MOST_LOST = 3
"""With more teeth missing in one place, the line may have been at both levels meanwhile."""

FOLLOW = 0.1
"""How quickly the expected width follows the signal's (a comparator's moves with the speed)."""


@dataclass(frozen=True)
class Widths:
    """Expected widths, and how much to make of them.

    degrees: of each tooth, in the wheel's own degrees. telling: the line rests through a gap, so the share of the
    way to the next tooth that a tooth takes says how long that way was, whatever the speed does. cycle_deg: of an
    engine cycle.
    """

    degrees: Sequence[float]
    telling: bool
    cycle_deg: float

    def judge(
        self,
        count: int,
        shift: float,
        width: int,
        span: int,
        span_deg: float,
        pace: float,
        tick_s: float,
        lost: int,
    ) -> tuple[float, float]:
        """Nats against tooth `count` having lasted `width` ticks, and by how much the expected width should move.

        shift: log of the width seen so far against `degrees`. span, span_deg: from the tooth to the next one seen.
        pace: ticks a degree up to the tooth, 0 where unknown. lost: teeth missing between, -1 with edges between.
        """
        expected = self.degrees[count % len(self.degrees)] * math.exp(shift)
        if self.telling and 0 <= lost <= MOST_LOST:
            half = 0.5 * span_deg
            moved = motion.moved_variance(half, half, pace * tick_s, self.cycle_deg) if pace else motion.SWING_MOST**2
            sigma = math.sqrt(SHARE_SIGMA * SHARE_SIGMA + 2.0 * moved)
            seen = _log_odds(width / span)
            error = seen - _log_odds(expected / span_deg)
            if not lost:
                return min(motion.penalty(error, sigma), MOST), FOLLOW * min(max(error, -1.0), 1.0)
            # Through the missing teeth the line rests at either level.
            held = seen - _log_odds(1.0 - (span_deg / (lost + 1) - expected) / span_deg)
            return min(motion.penalty(min(abs(error), abs(held)), sigma), MOST), 0.0
        if not pace:
            return 0.0, 0.0
        error = math.log(width / (pace * expected))
        if lost and error > 0.0:
            return 0.0, 0.0  # through a missing tooth the line may be held at either level
        return min(motion.penalty(error, WIDTH_SIGMA), MOST), 0.0 if lost else FOLLOW * min(max(error, -1.0), 1.0)


def _log_odds(share: float) -> float:
    share = min(max(share, 0.02), 0.98)
    return math.log(share / (1.0 - share))
