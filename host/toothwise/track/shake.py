"""How much a worn sensor's edges shake: what the tracker then takes for a usual error of a tooth's place."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from toothwise.scatter import sigma
from toothwise.track import motion
from toothwise.track.geometry import Geometry

LOOK_BACK = 72
"""Decided teeth to judge by."""

LEAST = 32
"""With fewer nothing is said."""

MOST_DEG = 0.4
"""A sensor that shakes more is not believed to: then something else is wrong."""


def tooth_deg(counts: NDArray[np.int64], ticks: NDArray[np.int64], geometry: Geometry) -> float:
    """Usual error of a tooth's place in degrees, from the last decided teeth; `motion.TOOTH_DEG` at least.

    Errors of single edges show in the third difference of the edges' times with the weights 1, -3, 3, -1, so its
    variance is 20 times theirs; a cranking engine's swing hardly shows there if the pitch is fine. Where it is not, the
    profile of the last turns says how far to trust it.
    """
    if geometry.teeth * motion.FINE_DEG <= 360.0 or len(counts) < LEAST:
        return motion.TOOTH_DEG
    counts, ticks = counts[-LOOK_BACK:], ticks[-LOOK_BACK:]
    step = np.diff(counts)
    pitch = np.array(geometry.steps)[counts[:-1] % geometry.teeth]
    even = (step == 1) & (pitch < 1.5 * geometry.smallest_deg)
    pace = np.log(np.maximum(np.diff(ticks), 1) / pitch)
    bend = np.diff(pace, 2)[even[2:] & even[1:-1] & even[:-2]]
    if len(bend) < LEAST // 2:
        return motion.TOOTH_DEG
    shaken = float(sigma(bend)) / math.sqrt(20.0) * geometry.smallest_deg
    return min(max(shaken, motion.TOOTH_DEG), MOST_DEG)
