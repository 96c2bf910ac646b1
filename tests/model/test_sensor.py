"""Sensors: without a fault the edges are the truth, and what weakens a tooth weakens its signal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from toothwise.model import drive
from toothwise.model.engine import healthy
from toothwise.model.line import Line
from toothwise.model.made import Scenario, make, numbered
from toothwise.model.motion import Motion
from toothwise.model.profiles import Swing, ramp, steady
from toothwise.model.recorder import Capture
from toothwise.model.sensor import Coil, Comparator, Hall
from toothwise.model.timing import for_cam, jumped, phased
from toothwise.model.wheel import MadeWheel, machined
from toothwise.wheel import catalogue
from toothwise.wheel.pattern import Wheel


def rng() -> np.random.Generator:
    return np.random.default_rng(11)


def timing_s(line: Line, level: int) -> np.ndarray:
    return line.t_s[line.levels == level]


@pytest.mark.parametrize("name", catalogue.NAMES)
@pytest.mark.parametrize("active", [0, 1])
def test_a_switch_gives_two_changes_a_tooth_at_the_wheels_angles(name: str, active: int) -> None:
    wheel = catalogue.wheel(name)
    motion = steady(700, 4, start_deg=100.0, swings=(Swing(2, 0.1),))
    line, teeth = Hall(active=active, jitter_deg=0.0).sense(MadeWheel(wheel), motion, rng())
    at = motion.angle_at(timing_s(line, active))
    angles = np.array(wheel.angles_deg)
    off = (at[:, None] - angles[None, :] + wheel.turn_deg / 2) % wheel.turn_deg - wheel.turn_deg / 2
    assert np.abs(off).min(axis=1).max() < 1e-6
    assert timing_s(line, active) == pytest.approx(teeth.t_s)
    assert teeth.seen.all()
    assert np.all(np.diff(line.levels.astype(int)) != 0)
    turns = 4 * 360.0 / wheel.turn_deg
    assert len(teeth) == pytest.approx(turns * wheel.teeth, abs=1)


@pytest.mark.parametrize("tick_ns", [16.0, 1000.0])
@pytest.mark.parametrize("sensor", [Hall(active=1, jitter_deg=0.02), Coil(), Coil(falls_to=1)])
def test_recorded_edges_are_the_truth_to_the_tick(sensor: Hall | Coil, tick_ns: float) -> None:
    wheel = catalogue.wheel("36-2")
    made = make(Scenario(machined(wheel, rng()), steady(900, 10), sensor, recorder=Capture(tick_ns)), rng())
    teeth, edges = made.truth.teeth["crank"], made.recording.edges["crank"]
    level = sensor.active if isinstance(sensor, Hall) else sensor.falls_to
    ticks = edges.ticks[edges.levels == level]
    true = teeth.t_s / (tick_ns * 1e-9)
    near = ticks[np.clip(np.searchsorted(ticks, true), 1, len(ticks) - 1)]
    before = ticks[np.clip(np.searchsorted(ticks, true), 1, len(ticks) - 1) - 1]
    away = np.minimum(np.abs(near - true), np.abs(before - true))[1:-1]
    # A coil's comparator edge is interpolated between samples of the wave.
    allowed = 1.0 if isinstance(sensor, Hall) else 1.0 + 0.02 * made.truth.drive.motion.end_s * 1e9 / 3600 / tick_ns
    assert away.max() <= allowed
    assert not made.truth.faults


def test_teeth_are_numbered_as_the_records_number_them() -> None:
    wheel = catalogue.wheel("12-1")
    motion = steady(600, 3, start_deg=200.0)
    _, teeth = Hall().sense(MadeWheel(wheel), motion, rng())
    told = numbered(teeth, wheel)
    ones = np.flatnonzero(told.tooth == 1)
    assert told.revolution[ones[0]] == 0 and told.revolution[0] == -1
    assert np.array_equal(told.revolution[ones], np.arange(len(ones)))
    plain = numbered(Hall().sense(MadeWheel(catalogue.wheel("24")), motion, rng())[1], catalogue.wheel("24"))
    assert (plain.tooth[0], plain.revolution[0]) == (1, 0)


def test_coil_voltage_is_proportional_to_speed() -> None:
    made, coil = MadeWheel(catalogue.wheel("60-2")), Coil(volts=0.5)
    peaks = []
    for rpm in (150.0, 3000.0):
        motion = steady(rpm, 3)
        t = np.linspace(0, motion.end_s * 0.3, 200_000)
        peaks.append(float(np.quantile(coil.volts_at(made, motion, t, rng()), 0.999)))
    assert peaks[1] / peaks[0] == pytest.approx(20.0, rel=1e-3)
    assert peaks[0] == pytest.approx(0.5, rel=0.15)


def test_sampled_volts_fall_through_zero_at_the_teeth() -> None:
    made = machined(catalogue.wheel("60-2"), rng())
    result = make(Scenario(made, ramp(300, 900, 1.0), Coil(), volts_hz=200_000.0), rng())
    assert result.volts is not None and result.volts_hz == 200_000.0
    falls = np.flatnonzero((result.volts[:-1] > 0) & (result.volts[1:] <= 0)) / 200_000.0
    true = result.truth.teeth["crank"].t_s[2:-2]
    away = np.abs(falls[np.clip(np.searchsorted(falls, true), 1, len(falls) - 1)] - true)
    away = np.minimum(away, np.abs(falls[np.clip(np.searchsorted(falls, true), 1, len(falls) - 1) - 1] - true))
    assert away.max() < 1.1 / 200_000.0


def test_a_switchs_line_can_be_sampled_too() -> None:
    made = machined(catalogue.wheel("36-1"), rng())
    result = make(Scenario(made, steady(600, 5), Hall(active=1), volts_hz=50_000.0), rng())
    assert result.volts is not None
    rises = np.flatnonzero((result.volts[:-1] < 2.5) & (result.volts[1:] >= 2.5)) / 50_000.0
    true = result.truth.teeth["crank"].t_s
    assert len(rises) == pytest.approx(len(true), abs=1)
    assert rises[5:30] == pytest.approx(true[5:30], abs=21e-6) or rises[5:30] == pytest.approx(true[6:31], abs=21e-6)


def test_a_slow_wheel_is_lost_first_where_the_gap_is_wide() -> None:
    made = replace(MadeWheel(catalogue.wheel("60-2")), runout=(0.5, 0.0))
    coil = Coil(volts=0.5, comparator=Comparator(high_v=0.1, follows=0.0))
    seen = {}
    for rpm in (20.0, 30.0, 60.0):
        _, teeth = coil.sense(made, steady(rpm, 10), rng())
        seen[rpm] = teeth.seen[5:-5].mean()
    assert seen[20.0] < seen[30.0] < seen[60.0] == 1.0
    _, teeth = coil.sense(made, steady(30.0, 20), rng())
    lost = teeth.tooth[~teeth.seen]
    mean = np.abs(np.mean(np.exp(2j * np.pi * lost / 60)))
    assert mean > 0.5  # on one side of the wheel


def test_missing_chipped_bent_teeth_and_runout_show() -> None:
    wheel = catalogue.wheel("36-1")
    motion = steady(600, 4, start_deg=25.0)
    plain = MadeWheel(wheel)
    for sensor in (Hall(jitter_deg=0.0), Coil()):
        _, teeth = sensor.sense(plain.without(7, 8), motion, rng())
        assert set(teeth.tooth[~teeth.seen].tolist()) == {7, 8}
    _, teeth = Hall(jitter_deg=0.0).sense(plain.bent(5, 0.8), motion, rng())
    angle = motion.angle_at(teeth.t_s[teeth.tooth == 5])
    assert (angle % 360.0) == pytest.approx(40.8)
    _, teeth = Hall(jitter_deg=0.0).sense(plain.chipped(5, lead_deg=1.5), motion, rng())
    assert (motion.angle_at(teeth.t_s[teeth.tooth == 5]) % 360.0) == pytest.approx(41.5)
    once = replace(plain, runout=(0.4, 0.0))
    error = once.timing_error_deg
    assert error.max() == pytest.approx(0.4, abs=0.01) and error.min() == pytest.approx(-0.4, abs=0.01)
    _, teeth = Hall(jitter_deg=0.0).sense(once, motion, rng())
    off = motion.angle_at(teeth.t_s) % 360.0 - np.array(wheel.angles_deg)[teeth.tooth - 1]
    assert (off + 180) % 360 - 180 == pytest.approx(error[teeth.tooth - 1], abs=1e-6)


def test_a_chipped_tip_makes_a_coils_tooth_weak() -> None:
    plain, coil = MadeWheel(catalogue.wheel("36-1")), Coil()
    whole = coil.slope(plain)
    low = coil.slope(plain.chipped(10, 0.0, height=0.4))
    near = slice(int(len(whole) * 80 / 360), int(len(whole) * 90 / 360))
    assert 0.3 < low[near].max() / whole[near].max() < 0.8


def test_gap_and_heat_narrow_a_halls_tooth() -> None:
    made, motion = MadeWheel(catalogue.wheel("36-1")), steady(600, 3)

    def duty(hall: Hall) -> float:
        line, _ = hall.sense(made, motion, rng())
        spans = np.diff(line.t_s)
        low = spans[line.levels[:-1] == 0]
        return float(np.median(low)) / (60.0 / 600 / 36)

    usual = duty(Hall(jitter_deg=0.0))
    assert duty(Hall(jitter_deg=0.0, gap_mm=2.0)) < usual - 0.02
    assert duty(Hall(jitter_deg=0.0, temperature_c=125.0)) < usual - 0.01


def test_repeatability_and_settling() -> None:
    wheel = catalogue.wheel("60-2")
    motion = steady(800, 200)
    _, teeth = Hall(jitter_deg=0.03).sense(MadeWheel(wheel), motion, rng())
    off = (motion.angle_at(teeth.t_s) - np.array(wheel.angles_deg)[teeth.tooth - 1] + 180) % 360 - 180
    assert off.std() == pytest.approx(0.03, rel=0.05)
    _, late = Hall(jitter_deg=0.0, settling_teeth=6, settling_deg=1.0).sense(MadeWheel(wheel), motion, rng())
    off = (motion.angle_at(late.t_s) - np.array(wheel.angles_deg)[late.tooth - 1] + 180) % 360 - 180
    assert off[0] > 0.8 and off[10] == pytest.approx(0.0, abs=1e-6)


def test_turning_back_swaps_the_edges() -> None:
    there = ramp(60, 0, 1.0, start_deg=1.0)
    back = Motion(there.t_s, -there.angle_deg, there.speed_deg_s[::-1] * -1.0)
    back = Motion.of_speeds(there.angle_deg, there.speed_deg_s[::-1])
    back = Motion(back.t_s, -back.angle_deg, -back.speed_deg_s)
    line, teeth = Hall(active=1, jitter_deg=0.0).sense(
        MadeWheel(catalogue.wheel("36-1")), Motion.join([there, 0.5, back]), rng()
    )
    assert teeth.backwards.any() and not teeth.backwards.all()
    turned = int(np.argmax(teeth.backwards))
    assert teeth.tooth[turned] == teeth.tooth[turned - 1]
    assert np.all(np.diff(line.levels.astype(int)) != 0)


def test_a_jumped_belt_and_a_slipped_ring_show_from_their_moment_on() -> None:
    wheel = Wheel("one", (0.0,), 1, widths_deg=(20.0,))
    crank = steady(600, 60)
    for moves, late in ((jumped(2.0, 18.0), 18.0), (phased(((2.0, 30.0),), 100.0), 30.0)):
        made = replace(MadeWheel(wheel), moved=for_cam(wheel, moves))
        cam = crank.geared(0.5, 40.0)
        _, teeth = Hall(jitter_deg=0.0).sense(made, cam, rng())
        at = (crank.angle_at(teeth.t_s) - 40.0 + 360.0) % 720.0 - 360.0
        assert at[teeth.t_s < 1.9] == pytest.approx(0.0, abs=1e-6)
        assert at[teeth.t_s > 2.5] == pytest.approx(late, abs=1e-3)


def test_an_engines_whole_course_can_be_sensed() -> None:
    run = drive.run(healthy(4), drive.start() + drive.stop(), rng())
    for sensor in (Hall(), Coil(volts=1.0)):
        line, teeth = sensor.sense(machined(catalogue.wheel("60-2"), rng()), run.motion, rng())
        assert np.all(np.diff(line.t_s) >= 0) and np.all(np.diff(teeth.t_s) >= 0)
        assert teeth.seen.mean() > 0.98
