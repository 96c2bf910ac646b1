"""Where in the cycle to look at the crank's speed: around each cylinder's top dead centre, and half-way between.

Two windows one turn apart look at the very same teeth, so whatever error those teeth have is in both alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothwise.checks.crank_physics import energy
from toothwise.wheel.pattern import Wheel

Floats = NDArray[np.float64]

_HALF_WIDTH_DEG = 30.0
_UNEVEN = 0.15
"""Two firings are uneven if the crank is slowest further from half-way between its slowest points before and behind
than by this share of the interval. Firings 90 and 150 or 270 and 450 degrees apart have 0.25; 315 and 405 have 0.125,
and their windows still lie near their top dead centres [D]."""
_PLAIN = 0.3
"""A slowest point counts if it is so deep against the deeper one; common practice, no source."""
_WHEEL = 0.004
"""And further yet for a wheel's errors, the more the smaller the wave of the squared speed is: 58 teeth 0.2 degrees off
make waves of 0.005 at order 3 and 0.007 at order 4; on a four's of height A they move two slowest points apart by
(3 * 0.005 + 4 * 0.007) / (4 * pi * A) intervals [D]."""
_WAVES = 4
"""Waves over two firings that say where the crank is slowest: the second is the firing's own."""


@dataclass(frozen=True, slots=True)
class Windows:
    """Spans of teeth over a cycle and a window beyond it.

    first_deg: angle of the first window's middle, a top dead centre, from tooth 1 of the cycle's first turn; below 0
        where its like a firing later would leave no room for the last window.
    start, end: (2n+1,), the steps each window spans, counted in the four turns of a row; even windows lie on
        top dead centres, odd ones half-way to the next.
    span_deg: (2n+1,), how far each reaches. middle_deg: (2n+1,), its middle.
    beside_gap: (teeth,), teeth that a coil sees shifted, by how much depends on its air gap.
    """

    cylinders: int
    first_deg: float
    start: NDArray[np.int64]
    end: NDArray[np.int64]
    span_deg: Floats
    middle_deg: Floats
    beside_gap: NDArray[np.bool_]

    def energies(self, rows: Floats) -> Floats:
        """(cycles, 2n+1): squared speed in each window, rad²/s²; rows as `Cycles.longest` gives them."""
        clock = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(rows, axis=1)], axis=1)
        return energy(self.span_deg, clock[:, self.end] - clock[:, self.start])


def possible(wheel: Wheel, cylinders: int) -> bool:
    """Whether the wheel has teeth enough to tell a top dead centre from the middle between two."""
    return wheel.turn_deg == 360.0 and float(np.median(wheel.steps_deg)) <= 180.0 / cylinders


def place(wheel: Wheel, angles_deg: Floats, cylinders: int, first_deg: float) -> Windows:
    """Windows for an engine whose slowest point comes first at `first_deg`.

    angles_deg: the teeth's true angles, (teeth,), as far as they are known.
    """
    apart = 360.0 / cylinders
    half = min(_HALF_WIDTH_DEG, 0.6 * apart)
    if first_deg + half > 360.0:  # of two cylinders one fires a turn
        first_deg -= 2.0 * apart
    ends = np.concatenate([angles_deg + 360.0 * turn for turn in range(-1, 3)])
    starts, stops = [], []
    for index in range(cylinders):
        middle = first_deg + index * apart
        start = int(np.abs(ends - (middle - half)).argmin())
        stop = max(start + 1, int(np.abs(ends - (middle + half)).argmin()))
        starts.append(start)
        stops.append(stop)
    start_of = np.array(starts + [s + wheel.teeth for s in starts] + [starts[0] + 2 * wheel.teeth])
    end_of = np.array(stops + [s + wheel.teeth for s in stops] + [stops[0] + 2 * wheel.teeth])
    ends = np.concatenate([angles_deg + 360.0 * turn for turn in range(-1, 4)])
    return Windows(
        cylinders,
        first_deg,
        start_of,
        end_of,
        ends[end_of] - ends[start_of],
        (ends[end_of] + ends[start_of]) / 2,
        _beside_gap(wheel),
    )


def looked_at(at: Windows) -> Floats:
    """(2n, 21): angles that each window of the cycle looks at, evenly from end to end, crank degrees."""
    n = 2 * at.cylinders
    return np.asarray(at.middle_deg[:n, None] + at.span_deg[:n, None] * np.linspace(-0.5, 0.5, 21))


def _beside_gap(wheel: Wheel) -> NDArray[np.bool_]:
    """Teeth with a longer step on either side."""
    longer = wheel.steps_deg > np.median(wheel.steps_deg) + 0.1 * wheel.pitch_deg
    return np.asarray(longer | np.roll(longer, 1))


def slowest(rows: Floats, angles_deg: Floats, cylinders: int) -> float:
    """Where the crank is slowest on average, crank degrees from tooth 1, 0 to the firing interval.

    From the wave that comes once a firing in the squared speed of the mean cycle. An oval wheel adds to that
    wave on some engines: 0.1° against about 1° at idle.
    """
    wave = _waves(rows, angles_deg, np.array([cylinders / 2]))[0]
    # The wave is cos(turn + its argument): least where that is 180°.
    interval = 720.0 / cylinders
    return float(np.degrees(np.pi - np.angle(wave)) * 2 / cylinders % interval)


def fires_unevenly(rows: Floats, angles_deg: Floats, cylinders: int) -> bool:
    """Whether every other firing comes early, as in some engines whose cylinders share crank pins: then no window lies
    where it should. Where a cylinder is weak, or every other one is, the slowest points keep their places.
    """
    if cylinders % 2:
        return False
    at = np.linspace(0.0, 2 * np.pi, 240, endpoint=False)  # over two firings
    each = np.arange(1.0, _WAVES + 1)
    waves = _waves(rows, angles_deg, cylinders / 4 * each)
    curve = (waves @ np.exp(1j * np.outer(each, at))).real
    lowest = np.flatnonzero((curve < np.roll(curve, 1)) & (curve <= np.roll(curve, -1)))
    lowest = lowest[np.argsort(curve[lowest])][:2]
    if len(lowest) < 2:
        return False
    depth = curve.max() - curve[lowest]
    apart = abs(float(lowest[1] - lowest[0])) / len(at) * 2.0  # in intervals, 1 where even
    least = _UNEVEN + _WHEEL / float(np.abs(waves[:2]).max())
    return bool(depth[1] > _PLAIN * depth[0] and abs(apart - 1.0) > least)


def _waves(rows: Floats, angles_deg: Floats, orders: Floats) -> NDArray[np.complex128]:
    """Waves of so many periods a turn in the squared speed of the mean cycle: heights, as shares of its mean, and
    phases."""
    teeth = len(angles_deg)
    span = np.diff(np.concatenate([angles_deg, angles_deg[:1] + 360.0]))
    middle = angles_deg + span / 2
    own = rows[:, teeth : 3 * teeth]
    square = energy(np.tile(span, 2), np.median(own, axis=0))
    turn = np.radians(np.concatenate([middle, middle + 360.0]) * orders[:, None])
    weight = np.tile(span, 2)
    mean = np.average(square, weights=weight)
    return np.asarray(2.0 * np.average((square / mean - 1.0) * np.exp(-1j * turn), axis=1, weights=weight))
