"""Motion: exact both ways, at rest, backwards, joined and geared."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.model.motion import Motion
from toothwise.model.profiles import RPM, Swing, ramp, steady


@settings(max_examples=40, deadline=None)
@given(st.floats(40, 9000), st.floats(0, 0.35), st.floats(0.5, 8), st.floats(-1000, 1000), st.integers(0, 2**31))
def test_angles_and_times_invert_each_other(rpm: float, depth: float, order: float, start: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    motion = steady(rpm, 3, start_deg=start, swings=(Swing(order, depth),), walk=0.02, rng=rng)
    (spin,) = motion.spins
    angles = np.sort(rng.uniform(start, start + 3 * 360.0, 200))
    times = motion.times_in(spin, angles)
    assert np.all(np.diff(times) >= 0)
    assert motion.angle_at(times) == pytest.approx(angles, abs=1e-7)
    speeds = motion.speeds_in(spin, angles)
    assert speeds == pytest.approx(motion.speed_at(times), rel=1e-6)


def test_distance_is_the_integral_of_speed() -> None:
    motion = steady(800, 20, swings=(Swing(2, 0.1),), walk=0.05, rng=np.random.default_rng(1))
    t = np.linspace(0, motion.end_s, 200_001)
    assert np.trapezoid(motion.speed_at(t), t) == pytest.approx(20 * 360.0, rel=1e-6)


def test_steady_and_ramp_keep_their_speeds() -> None:
    assert steady(600, 10).end_s == pytest.approx(1.0)
    motion = ramp(0, 6000, 1.5)
    assert motion.end_s == pytest.approx(1.5)
    t = np.linspace(0.01, 1.49, 50)
    assert motion.speed_at(t) == pytest.approx(6000 * RPM * t / 1.5, rel=1e-9)
    assert motion.angle_at(np.array([0.75]))[0] == pytest.approx(1.5 * 6000 * RPM / 8, rel=1e-9)


def test_rest_and_backwards_are_spins_of_their_own() -> None:
    there = ramp(100, 0, 1.0, start_deg=30.0)
    back = Motion(there.t_s, -there.angle_deg, -there.speed_deg_s)
    motion = Motion.join([0.5, there, 2.0, back])
    assert motion.end_s == pytest.approx(4.5)
    assert [s.direction for s in motion.spins] == [1, -1]
    first, second = motion.spins
    far = 30.0 + 300.0 - 1.0
    assert float(motion.times_in(first, np.array([far]))[0]) < 1.5
    t = motion.times_in(second, np.array([200.0, 100.0]))
    assert t[0] < t[1]
    assert motion.angle_at(t) == pytest.approx([200.0, 100.0])
    assert np.all(motion.speeds_in(second, np.array([200.0])) < 0)
    assert motion.speed_at(np.array([0.2, 2.5]))[0] == 0.0


def test_a_geared_shaft_turns_in_step() -> None:
    crank = steady(900, 10, start_deg=50.0)
    cam = crank.geared(0.5, behind_deg=40.0)
    t = np.linspace(0, crank.end_s, 7)
    assert cam.angle_at(t) == pytest.approx((crank.angle_at(t) - 40.0) / 2)
