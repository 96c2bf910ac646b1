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
"""Usual angular acceleration. A cranking V8 seen on trade pages, 85 to 225 rpm over 45 degrees, makes 300 (derived);
a free-revving engine, 0 to 6000 rpm in 1.5 s, 420. Twice the larger, less a third for being one deviation."""

SWING_PER_RAD = 0.8
"""Usual relative change of speed a radian while cranking: half of a swing of 35 % at four swings a revolution."""

SWING_MOST = 0.35
"""However long two intervals are, the speed within one turn doesn't usually change by more."""

SWINGS = 3
"""Compressions in an engine cycle, at the least: over longer than a third of one, an interval evens the swing out."""

TOOTH_DEG = 0.12
"""Usual error of a tooth's place; 0.3 degrees is then the far end (common practice, no source)."""

FINE_DEG = 8.0
"""On wheels with a finer pitch even a cranking engine is smooth from tooth to tooth; coarser ones need to know what the
last turns looked like."""

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

UNUSUAL = 6.0
"""What it costs, in nats, to leave the swing that the last turns showed, once for as long as it lasts: an engine that
catches, stops or is loaded does so for many teeth."""

ABRUPT = 5.0
"""What it costs, in nats, to leave the swing of a slow engine for what torque alone allows: the last teeth before a
stop, the first after it, a first firing. It is paid once for a run of intervals that all go the same way; slower for
one tooth and back, as a missing one looks, pays twice and so more than the missing tooth."""

REST = 7.0
"""What it costs, in nats, to say that the wheel came to rest between two edges, were it slow enough and seen slowing
down before and starting after."""

TURN_BACK = 8.0
"""What it costs, in nats, to say that the wheel turned back between two edges, or came to rest for no longer than that
takes, were it slow enough and seen slowing down before: most engines end so, thrown back by the last compression."""

TURN_AGAIN = 2.0
"""The same for a wheel that has only just turned back: what threw it back will do so again."""

SHORT_DEG, LONG_DEG, RUN_DOWN_SIGMA, RUN_DOWN_MOST = 90.0, 360.0, 0.08, 12.0
"""A wheel runs down over its last turns. Its pace is averaged over about so many degrees each; in a running or cranking
engine the two means differ by no more than the swing leaves, in log units; and so many nats may that be worth."""

STOPS_AT_LEAST = 4.0
"""Of the teeth that are left to a wheel that runs down, any may be the last."""

THROWN_BACK = 0.35
"""Nothing gives a wheel that turns back more speed than it had a quarter turn before, with this much room in log units;
what is faster was started."""

ROCKING_S = 0.5
"""For so long at most nothing passes while a wheel turns back (common practice, no source)."""

SILENT = 10.0
"""What it costs, in nats, to say that the line was still for more than a turn of a turning wheel, and that the count is
lost: little more than a missing run."""

SHORT_REST_S = 0.3
"""An engine hardly stands still for less before the starter takes it up again, and a broken line is the less likely
the longer it lasts (common practice, no source)."""

START_RAD_S2 = 300.0
"""Usual acceleration from rest, by the starter alone: the same cranking V8's (derived)."""

LEAST_SLOWING, SLOWING_SIGMA = 0.26, 0.12
"""A wheel that comes to rest at steady torque takes, for the last whole step before, longer than for the one before
that: by sqrt(2) - 1 to sqrt(3) - sqrt(2) at least, 0.26 in log units (geometry). The same, mirrored, after a rest."""

RENUMBER = 7.0
"""What it costs, in nats, to say that the teeth have been numbered wrongly so far: as much as a fault. Asked only where
faults come turn after turn: right numbers with one fault a turn then stay the better answer, for wrong ones pay again
at the gap. It must leave the other numbers in the running until then (see `SETTLED` in `beam.py`)."""

RAD = math.pi / 180.0


def penalty(error: float, sigma: float) -> float:
    """Nats against an error of so many log units where `sigma` is usual: a parabola with straight arms."""
    x = abs(error) / sigma
    return 0.5 * x * x if x <= 2.0 else 2.0 * x - 2.0


def moved_variance(span_deg: float, before_deg: float, pace_s: float, cycle_deg: float, from_rest: int = 0) -> float:
    """Usual change in the log of speed between two intervals next to each other, squared.

    span_deg, before_deg: angle of the later and of the earlier interval. pace_s: seconds a degree. cycle_deg: of an
    engine cycle. The mean of a sine over a span of s of its periods is at most 1 / (pi s) of its height.
    from_rest: which interval of a start from rest the later one is (1 the second), 0 when it is none. From rest at
    steady torque the intervals go as the differences of square roots; their log ratio falls as i**-1.5.
    """
    omega = RAD / pace_s
    mean_deg = 0.5 * (span_deg + before_deg)
    # This is asked for more than anything else: no calls.
    most = ALPHA_RAD_S2 / (omega * omega)
    moved = mean_deg * RAD * (most if most < SWING_PER_RAD else SWING_PER_RAD)
    even = cycle_deg / (SWINGS * math.pi * mean_deg)
    swing = SWING_MOST * even if even < 1.0 else SWING_MOST
    moved = swing if swing < moved else moved
    variance = moved * moved + JOLT * JOLT
    if from_rest:
        start = 0.7 / from_rest**1.5
        variance += start * start
    return variance


def torque_sigma(span_deg: float, before_deg: float, pace_s: float) -> float:
    """Usual change in the log of speed that torque over inertia alone would allow, were there no engine's swing:
    half of log(1 + 2 alpha D / omega**2), with a third of the most for alpha."""
    omega = RAD / pace_s
    distance = 0.5 * (span_deg + before_deg) * RAD
    return 0.5 * math.log1p(2.0 * MOST_RAD_S2 / 3.0 * distance / (omega * omega))


def stop_cost(pace_s: float, within_deg: float, slowing: float) -> float:
    """Nats against a wheel at this speed coming to rest within so many degrees.

    slowing: by how much the interval towards the rest was longer than the one before it, in log units.
    """
    unseen = penalty(max(LEAST_SLOWING - slowing, 0.0), SLOWING_SIGMA)
    return _torque_cost(pace_s, within_deg, ALPHA_RAD_S2) + unseen


def run_down(trend: float) -> float:
    """Nats for a wheel about to stop, where it is by so much slower over the last quarter turn than over the turn."""
    return min(penalty(trend, RUN_DOWN_SIGMA), RUN_DOWN_MOST) if trend > 0.0 else 0.0


def rest_cost(still_s: float) -> float:
    """Nats against a wheel that has come to rest staying so for about so long."""
    shorter = math.log(SHORT_REST_S / still_s)
    return REST + (4.0 * shorter if shorter > 0.0 else max(2.0 * shorter, -2.0))


def start_cost(pace_s: float, within_deg: float) -> float:
    """Nats against a wheel having reached this speed from rest within so many degrees."""
    return _torque_cost(pace_s, within_deg, START_RAD_S2)


def _torque_cost(pace_s: float, within_deg: float, usual_rad_s2: float) -> float:
    omega = RAD / pace_s
    needed = omega * omega / (2.0 * within_deg * RAD)
    if needed > MOST_RAD_S2:
        return math.inf
    return penalty(needed, usual_rad_s2)


def reach_deg(pace_s: float) -> float:
    """Degrees that it takes at least to stop from this speed, or to come to it from rest."""
    omega = RAD / pace_s
    return omega * omega / (2.0 * MOST_RAD_S2) / RAD


def teeth_variance(span_deg: float, tooth_deg: float) -> float:
    """What two misplaced teeth, and the sensor, put into the log of one interval's speed, squared."""
    return 2.0 * tooth_deg * tooth_deg / (span_deg * span_deg) + FLOOR * FLOOR
