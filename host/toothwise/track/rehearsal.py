"""What the first turns of a wheel with few teeth look like, before anything about them is decided.

With few teeth, a swing of the speed looks like a tooth too few, and what is usual is only known after a few turns. So
the first edges are gone through once, the swing is learnt from the best explanation of them, and with that they are
gone through again.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from toothwise.track.beam import HOPELESS_AT_FIRST, Beam
from toothwise.track.geometry import FEW_TEETH, Geometry
from toothwise.track.node import columns, path
from toothwise.track.profile import Profile

TURNS, TURNS_ALIKE = 6, 8
"""Turns that are rehearsed; the second number where all teeth look alike."""

LEAST, MOST = 24, 100
"""Edges, whatever the turns."""


class Rehearsal:
    """For the wheel and the line of a careful tracker, which itself is left as it is.

    used: whether the wheel wants one. wanted: edges that it takes.
    """

    def __init__(self, geometry: Geometry, beam: Beam) -> None:
        self._geometry = geometry
        self._beam = beam
        self._alike = geometry.symmetry == 1
        self._seen = 0  # edges in the latest one that was not enough
        self.used = Profile(geometry).used and geometry.teeth <= FEW_TEETH
        self.wanted = min(max((TURNS_ALIKE if self._alike else TURNS) * geometry.teeth, LEAST), MOST)

    def profile(self, edge: int, ahead: NDArray[np.int64], last: bool) -> Profile | None:
        """What the stretch that begins at this edge looks like; None when more edges are needed to tell.

        ahead: `wanted` timing edges from it on, or as many as there are. last: there will be no more.
        """
        whole = len(ahead) == self.wanted or last
        if not whole and len(ahead) < 2 * self._seen:
            return None  # anew for each few edges would cost the square
        self._seen = len(ahead)
        profile, ended = self._once(edge, ahead)
        if not (ended or whole):
            return None
        if self._alike and len(ahead) == self.wanted:
            # A fault in the first turns spoils what they teach; where teeth look alike, nothing else shows it.
            half = len(ahead) // 2
            for begin, part in ((0, ahead[:half]), (half, ahead[half:])):
                other, _ = self._once(edge + begin, part)
                profile = min(profile, other, key=lambda p: p.misfit)
        self._seen = 0
        return profile

    def _once(self, edge: int, times: NDArray[np.int64]) -> tuple[Profile, bool]:
        """The swing as these edges teach it, and whether the stretch ends among them."""
        profile = Profile(self._geometry)
        beam = Beam(self._geometry, self._beam.tick_s, self._beam.blind)
        beam.hopeless = HOPELESS_AT_FIRST
        beam.widths = self._beam.widths
        beam.width_of = lambda i: self._beam.width_of(edge + i)
        beam.begin(0, int(times[0]), range(self._geometry.symmetry))
        ended = False
        for i, tick in enumerate(times[1:].tolist(), 1):
            if beam.lost(tick):
                ended = True
                break
            beam.step(i, tick)
        profile.learn(*columns(path(beam.best()))[1:])
        return profile, ended
