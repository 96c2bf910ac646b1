"""Learnt tooth errors against the truth, at any speed profile, and whether the stated uncertainty holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from toothwise.checks.gap import Gap
from toothwise.checks.wheel_error import Learnt, WheelError, learn
from toothwise.track.tracker import Tracker
from toothwise.wheel.pattern import Wheel

from tests.campaign.cases import Spec, build
from tests.checks.spinning import MICRO, Spin, cut, idle, n_minus


def made_errors(wheel: Wheel, seed: int, size: float = 0.05) -> np.ndarray:
    error = np.random.default_rng(seed).uniform(-size, size, wheel.teeth)
    return error - error.mean()


def learnt_from(wheel: Wheel, spin: Spin, error: np.ndarray, *, pieces: int = 1, jitter_deg: float = 0.02) -> Learnt:
    check = WheelError(wheel, MICRO)
    for part in cut(spin.teeth(wheel, error_deg=error, jitter_deg=jitter_deg), pieces):
        check.add(part)
    learnt = check.result()
    assert learnt is not None
    return learnt


@pytest.mark.parametrize("cylinders", [3, 4, 6])
def test_a_minute_of_idle(cylinders: int) -> None:
    """Orders at which the engine itself repeats every turn cannot be told from the wheel at one speed; the rest can.
    What is left of ±0.05° is about 0.01°, and the uncertainty says so."""
    wheel = n_minus(60, 2)
    off, told = [], []
    for seed in range(6):
        error = made_errors(wheel, seed)
        learnt = learnt_from(wheel, idle(cylinders, seed=seed), error)
        off.append(learnt.error_deg - error)
        told.append(learnt.uncertainty_deg)
    off_all, told_all = np.concatenate(off), np.concatenate(told)
    assert np.sqrt(np.mean(off_all**2)) < 0.015
    assert 0.5 < np.sqrt(np.mean(off_all**2)) / told_all.mean() < 1.3
    assert 0.88 < (np.abs(off_all) < 1.96 * told_all).mean() <= 1.0


def test_without_an_engine_it_is_limited_by_jitter_alone() -> None:
    """A rebuilder's bench: no firing. Jitter 0.02° over 200 turns leaves 0.0014°; orders 1 and 2 are runout's."""
    wheel = n_minus(60, 2)
    error = made_errors(wheel, 3)
    low = np.radians(np.array(wheel.angles_deg))
    basis = np.stack([f(k * low) for k in (1, 2) for f in (np.cos, np.sin)], axis=1)
    error = error - basis @ np.linalg.lstsq(basis, error, rcond=None)[0]
    learnt = learnt_from(wheel, Spin(600.0, 200, seed=3), error)
    off = learnt.error_deg - error
    assert np.sqrt(np.mean((off - off.mean()) ** 2)) < 0.006
    assert learnt.uncertainty_deg.max() < 0.02


@pytest.mark.parametrize("ramp", [6.0, 0.3])
def test_while_the_speed_runs_up_or_down(ramp: float) -> None:
    wheel = n_minus(60, 2)
    error = made_errors(wheel, 4)
    spin = Spin(900.0, 400, ((2.0, 0.02, 0.3), (4.0, 0.004, 1.0)), 0.05, ramp=ramp, seed=4)
    learnt = learnt_from(wheel, spin, error)
    off = learnt.error_deg - error
    assert np.sqrt(np.mean(off**2)) < 0.013
    assert (np.abs(off) < 3.5 * learnt.uncertainty_deg).all()


def test_one_bent_tooth_is_named_and_its_neighbours_are_not() -> None:
    wheel = n_minus(60, 2)
    error = made_errors(wheel, 5)
    error[16] += 0.3
    learnt = learnt_from(wheel, idle(4, seed=5), error)
    assert int(np.abs(learnt.error_deg).argmax()) == 16
    # It must not make the others look worse either: 0.3° shared out would be 0.05° on its own account.
    off = learnt.error_deg - (error - error.mean())
    assert abs(off[16]) < 0.02
    assert np.sqrt(np.mean(off**2)) < 0.015


def test_while_cranking_the_speed_of_the_moment_counts() -> None:
    """A tooth 0.3° off shows 0.4° where the engine is a quarter slower."""
    wheel = n_minus(60, 2)
    off = []
    for seed in (1, 2, 3):
        error = made_errors(wheel, seed, 0.3)
        spin = Spin(200.0, 200, ((2.0, 0.25, 0.3),), 0.05, seed=seed)
        learnt = learnt_from(wheel, spin, error)
        off.append((learnt.error_deg - error) / learnt.uncertainty_deg)
    assert (np.abs(np.concatenate(off)) < 1.96).mean() > 0.85
    assert np.abs(np.concatenate(off)).max() < 4.0


def test_runout_where_the_engine_leaves_it_alone() -> None:
    """Order 1 on any engine with even cylinders, order 2 on a six."""
    wheel = n_minus(60, 2)
    at = np.radians(np.array(wheel.angles_deg))
    error = made_errors(wheel, 6, 0.03)
    runout = 0.25 * np.sin(at + 0.4) + 0.12 * np.sin(2 * at + 2.0)
    waves = ((3.0, 0.02, 0.1), (6.0, 0.004, 1.0))
    learnt = learnt_from(wheel, Spin(800.0, 600, waves, 0.05, 3.0, 0.01, seed=6), error + runout)
    for order, truth in ((0, 0.25), (1, 0.12)):
        assert learnt.runout_deg[order] == pytest.approx(truth, abs=3 * learnt.runout_uncertainty_deg[order] + 0.01)
    assert learnt.runout_uncertainty_deg[1] < 0.04  # a six has a little of its own twice a turn
    four = learnt_from(wheel, idle(4, seed=6), error + runout)
    assert four.runout_uncertainty_deg[1] > 0.1, "twice a turn is the firing order of a four: it must not claim to know"


def test_cuts_change_nothing() -> None:
    wheel = n_minus(36, 1)
    error = made_errors(wheel, 7)
    whole = learnt_from(wheel, idle(4, 10, seed=7), error)
    parts = learnt_from(wheel, idle(4, 10, seed=7), error, pieces=40)
    assert parts.cycles == whole.cycles
    assert parts.error_deg == pytest.approx(whole.error_deg, abs=2e-3)


def test_too_little_says_nothing() -> None:
    wheel = n_minus(60, 2)
    check = WheelError(wheel, MICRO)
    check.add(Spin(800.0, 4).teeth(wheel))
    assert check.result() is None and check.measures(None) == []
    four = Wheel("4", (0.0, 90.0, 180.0, 270.0), 4)
    check = WheelError(four, MICRO)
    check.add(Spin(800.0, 100).teeth(four))
    assert check.result() is None


def test_gap_check() -> None:
    wheel = n_minus(60, 2)
    error = np.zeros(58)
    error[0] = 0.2  # tooth 1 stands late: the gap is wider
    learnt = learnt_from(wheel, Spin(800.0, 200, seed=8), error, jitter_deg=0.01)
    step, fraction = Gap(wheel).measures(learnt)
    assert step.about["after_tooth"] == 58 and step.about["pattern"] == pytest.approx(18.0)
    assert step.uncertainty is not None
    assert step.value == pytest.approx(18.2, abs=0.02)
    assert fraction.value == pytest.approx(18.2 / 30.0, abs=0.003)


def test_a_speed_at_which_the_engine_speaks_too_loud_is_left_out() -> None:
    """Uneven cylinders swing a slow engine once a turn, far more than a wheel can be off centre."""
    wheel = n_minus(60, 2)
    error = made_errors(wheel, 9)
    check = WheelError(wheel, MICRO)
    check.add(Spin(800.0, 120, ((2.0, 0.02, 0.3),), 0.05, seed=9).teeth(wheel, error_deg=error, jitter_deg=0.02))
    slow = Spin(300.0, 60, ((1.0, 0.12, 0.5), (2.0, 0.1, 0.3)), 0.02, seed=10)
    later = slow.teeth(wheel, error_deg=error, jitter_deg=0.02)
    gap = 2_000_000 + int(120 * 60 / 800 * 1e6)
    check.add(replace(later, ticks=later.ticks + gap, turning=later.turning + 1))
    learnt = check.result()
    assert learnt is not None
    for found, doubt in zip(learnt.runout_deg, learnt.runout_uncertainty_deg, strict=True):
        assert found < 0.5 and found < 2.0 * doubt + 0.01
    assert np.sqrt(np.mean((learnt.error_deg - error) ** 2)) < 0.02


@pytest.mark.parametrize(("pitches", "missing"), [(6, 0), (8, 0), (12, 0), (12, 1), (12, 2), (24, 2), (36, 2)])
def test_any_number_of_teeth_on_a_loud_engine(pitches: int, missing: int) -> None:
    """Of few teeth the finer waves are all but nothing; what is left of them by rounding is not taken for large. Such
    wheels may teach nothing, but never an error that isn't there."""
    wheel = n_minus(pitches, missing)
    check = WheelError(wheel, MICRO)
    check.add(Spin(400.0, 60, ((1.0, 0.01, 0.5), (2.0, 0.08, 0.3)), 0.02, seed=10).teeth(wheel))
    for measure in check.measures(check.result()):
        assert measure.uncertainty is not None
        assert abs(measure.value) < 4.0 * measure.uncertainty + 0.05


def test_a_fours_firing_order_without_harmonics_is_no_oval_wheel() -> None:
    """The simplest of speeds, one sine: nothing but the firing makes an engine's speed, so it is the engine's."""
    wheel = n_minus(60, 2)
    learnt = learnt_from(wheel, Spin(800.0, 300, ((2.0, 0.03, 0.3),), seed=4), made_errors(wheel, 4))
    assert learnt.runout_deg[1] < 2.0 * learnt.runout_uncertainty_deg[1]


def test_a_twin_that_fires_once_a_turn_is_no_wheel_off_centre() -> None:
    """With the cylinders known, what comes once a turn is the firing's."""
    wheel = n_minus(36, 1)
    twin = Spin(300.0, 120, ((1.0, 0.08, 0.3), (2.0, 0.04, 0.9), (3.0, 0.02, 1.5), (4.0, 0.01, 2.0)), 0.02, seed=5)
    for cylinders in (2, None):
        check = WheelError(wheel, MICRO, cylinders)
        check.add(twin.teeth(wheel, error_deg=made_errors(wheel, 5), jitter_deg=0.02))
        learnt = learn(check._shape, check._shape.finish(), None if cylinders is None else cylinders / 2)
        claimed = learnt.runout_deg[0] > 3.0 * learnt.runout_uncertainty_deg[0] + 0.05
        assert claimed == (cylinders is None), "unknown, it may as well be the wheel; known, it may not"


def test_few_turns_say_no_more_than_they_hold() -> None:
    """Fewer cycles than teeth vary in fewer ways than there are; what never varied is not known the better for it."""
    case = build(Spec("healthy", "48-2", "0-6000 engine", 1_600_000, 1))  # runout of 0.5 degrees at most, teeth of 0.3
    recording = case.made.recording
    tracker = Tracker(case.wheel, recording.clock)
    check = WheelError(case.wheel, recording.clock)
    check.add(tracker.feed(recording.edges["crank"], recording.until_tick))
    check.add(tracker.finish(recording.until_tick))
    learnt = check.result()
    assert learnt is not None
    for found, doubt in zip(learnt.runout_deg, learnt.runout_uncertainty_deg, strict=True):
        assert found - 2.0 * doubt < 0.5
    assert (np.abs(learnt.error_deg) - 2.0 * learnt.uncertainty_deg < 0.3).all()
