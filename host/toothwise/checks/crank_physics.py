"""What one cylinder does to the crank's energy, from the crank-slider and an ideal gas. Nothing here is fitted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROD_RATIO = 45.0 / 145.0
"""Crank radius over rod length of a middling engine; the shapes hardly depend on it."""

COMPRESSION_RATIO = 10.0
POLYTROPIC = 1.3
"""Of a warm petrol engine, from memory [M]; the shapes hardly depend on them either."""


def piston_travel(angle_deg: Floats, radius: float, rod: float) -> Floats:
    """Piston's way from top dead centre, in the unit of radius and rod, at crank degrees from it."""
    angle = np.radians(angle_deg)
    return np.asarray(radius * (1 - np.cos(angle)) + rod - np.sqrt(rod**2 - (radius * np.sin(angle)) ** 2))


def squeezed(angle_deg: Floats) -> Floats:
    """Share of its whole compression work that a closed cylinder holds so many degrees from top dead centre.

    1 at top dead centre, 0 from 180° on: p·V^n is constant, so the work goes as V^(1−n).
    """
    away = np.abs((np.asarray(angle_deg) + 360.0) % 720.0 - 360.0)
    travel = piston_travel(np.minimum(away, 180.0), ROD_RATIO, 1.0) / (2 * ROD_RATIO)
    volume = 1.0 + (COMPRESSION_RATIO - 1.0) * travel
    most = COMPRESSION_RATIO
    power = 1.0 - POLYTROPIC
    return np.asarray((volume**power - most**power) / (1.0 - most**power))


def delivered(angle_deg: Floats) -> Floats:
    """Share of a firing's work that has reached the crank so many degrees after its top dead centre, 0 to 720.

    The gas, hottest at top dead centre, gives it back as it expands; all of it by 180°.
    """
    return np.asarray(1.0 - squeezed(np.minimum(np.asarray(angle_deg) % 720.0, 180.0)))


def energy(span_deg: Floats, span_s: Floats) -> Floats:
    """Twice the rotational energy per moment of inertia, rad²/s²: the squared mean speed over a span."""
    return np.asarray(np.radians(span_deg) / span_s) ** 2
