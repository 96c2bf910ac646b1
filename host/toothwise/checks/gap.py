"""Gap check: each gap as it was learnt, in degrees, against the pattern; and the fraction a simple decoder sees.

The fraction is the gap's step over the sum of it and the steps beside it; at steady speed 1/3 for a plain tooth, 0.5
at an N-1 gap, 0.6 at N-2 [D; the test itself S: US 6,498,980, 2002].
"""

from __future__ import annotations

import numpy as np

from toothwise.checks.wheel_error import Learnt
from toothwise.records import Measure
from toothwise.wheel.pattern import Wheel


class Gap:
    """Measures `gap_step` (deg) and `gap_fraction` of each step that is longer than the pitch."""

    def __init__(self, wheel: Wheel) -> None:
        self._wheel = wheel

    def measures(self, learnt: Learnt) -> list[Measure]:
        wheel = self._wheel
        n = wheel.teeth
        turn = wheel.steps_deg + np.roll(learnt.whole_deg, -1) - learnt.whole_deg
        out = []
        for at in np.flatnonzero(wheel.steps_deg > 1.5 * wheel.pitch_deg).tolist():
            after = (at + 1) % n
            pair = learnt.covariance[np.ix_([at, after], [at, after])]
            doubt = float(np.sqrt(max(pair[0, 0] + pair[1, 1] - 2 * pair[0, 1], 0.0)))
            three = turn[(at - 1) % n] + turn[at] + turn[after]
            about = {"after_tooth": at + 1, "pattern": float(wheel.steps_deg[at])}
            out.append(Measure("gap_step", float(turn[at]), "deg", doubt, about))
            out.append(Measure("gap_fraction", float(turn[at] / three), "", doubt / float(three), about))
        return out
