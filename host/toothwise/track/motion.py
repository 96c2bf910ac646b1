"""How a crankshaft may and may not move: the one place where the tracker's beliefs stand, with their units.

An interval between two edges, divided by the angle between the two teeth they are taken for, is a speed. If the
assignment is right, speeds follow one another smoothly, because a shaft with a flywheel can't jump. How smoothly
is physics, not taste:

* torque over inertia bounds the angular acceleration, so the relative change of speed over an angle D is at most
  about  alpha * D / omega**2;
* within the compression strokes of a slow engine it is the swing that bounds it: a relative change a radian.

The smaller of the two is what a speed may change by from one interval to the next. It is nearly nothing at
running speed and large while cranking, so the same rule is strict where it can be and patient where it must be.
To it are added what the wheel's own teeth, and the clock, put in.

All numbers are one standard deviation, and the penalty grows only linearly beyond two of them, so that one odd
interval never outweighs the count of a whole revolution.
"""

from __future__ import annotations

import math

ALPHA_RAD_S2 = 600.0
"""Usual angular acceleration. A published cranking V8, 85 to 225 rpm over 45 degrees, makes 300 (TRADE.md, derived);
a free-revving engine, 0 to 6000 rpm in 1.5 s, 420. Twice the larger, less a third for being one deviation."""

SWING_PER_RAD = 0.8
"""Usual relative change of speed a radian while cranking: half of a swing of 35 % at four swings a revolution."""

SWING_MOST = 0.35
"""However long two intervals are, the speed within one turn doesn't usually change by more."""

TOOTH_DEG = 0.12
"""Usual error of a tooth's place; 0.3 degrees is then the far end (common practice, no source)."""

FLOOR = 0.015
"""What else disturbs one interval: the sensor's own noise."""

JOLT = 0.01
"""What else changes the speed from one interval to the next: load jolts."""

MOST_RAD_S2 = 3000.0
"""No starter takes a shaft from rest, and no compression stops one, any faster (five times the usual)."""

STEP_RPM_MOST = 15000.0
"""Edges that would mean a faster wheel are no teeth."""

MISSING_FIRST = 7.0
MISSING_MORE = 0.04
EXTRA_FIRST = 7.0
EXTRA_MORE = 2.5
EXTRA_BURST = 16
EXTRA_STILL_MORE = 1.5
"""What calling a tooth missing or an edge extra costs, in nats (natural log units of odds): one fault in about a
thousand teeth, and faults come in company: the second extra edge in one place is cheaper, and in a burst each
costs little. It must cost more than a healthy tooth's usual penalty, or refusing them all would be the best of all
explanations."""

UNUSUAL = 3.0
"""What it costs, in nats, to leave the swing that the last turns showed: one interval in twenty may."""

RAD = math.pi / 180.0


def penalty(error: float, sigma: float) -> float:
    """Nats against an error of so many log units where `sigma` is usual: a parabola with straight arms."""
    x = abs(error) / sigma
    return 0.5 * x * x if x <= 2.0 else 2.0 * x - 2.0


def moved_variance(span_deg: float, before_deg: float, pace_s: float, from_rest: int = 0) -> float:
    """Usual change in the log of speed between two intervals next to each other, squared.

    span_deg, before_deg: angle of the later and of the earlier interval. pace_s: seconds a degree.
    from_rest: which interval of a start from rest the later one is (1 the second), 0 when it is none. From rest at
    steady torque the intervals go as the differences of square roots; their log ratio falls as i**-1.5.
    """
    omega = RAD / pace_s
    distance = 0.5 * (span_deg + before_deg) * RAD
    moved = min(distance * min(ALPHA_RAD_S2 / (omega * omega), SWING_PER_RAD), SWING_MOST)
    variance = moved * moved + JOLT * JOLT
    if from_rest:
        start = 0.7 / from_rest**1.5
        variance += start * start
    return variance


def teeth_variance(span_deg: float) -> float:
    """What two misplaced teeth, and the sensor, put into the log of one interval's speed, squared."""
    return 2.0 * TOOTH_DEG * TOOTH_DEG / (span_deg * span_deg) + FLOOR * FLOOR
