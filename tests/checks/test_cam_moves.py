"""The cam's movement: steps, to and fro, with the speed; and a healthy spread of 2° is none of them."""

from __future__ import annotations

import numpy as np
import pytest
from toothwise.checks.cam_moves import moves
from toothwise.records import Measure

N = 600
T = np.arange(N) * 0.15
RPM = np.full(N, 800.0)


def named(shift: np.ndarray, rpm: np.ndarray = RPM) -> dict[str, Measure]:
    return {m.name: m for m in moves(T, rpm, shift)}


def noise(seed: int, size: float = 0.7) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, size, N)


@pytest.mark.parametrize("seed", range(20))
def test_a_healthy_spread_neither_steps_nor_swings(seed: int) -> None:
    """2° from end to end, slow or quick."""
    rng = np.random.default_rng(seed)
    slow = np.sin(T / rng.uniform(0.5, 20) + rng.uniform(0, 6)) * rng.uniform(0, 0.6)
    found = named(slow + noise(seed, 0.3))
    assert "cam_step" not in found and found["cam_swing"].value < 3.0


@pytest.mark.parametrize("size", [15.0, 18.0, -20.0, 36.0])
@pytest.mark.parametrize("at", [40, 300, 560])
def test_a_jump(size: float, at: int) -> None:
    found = named(np.where(np.arange(N) >= at, size, 0.0) + noise(1))
    assert found["cam_step"].value == pytest.approx(size, abs=0.6)
    assert found["cam_step"].about["times"] == 1
    assert found["cam_step"].about["at_s"] == pytest.approx(T[at], abs=1.0)
    assert found["cam_swing"].value < 3.0


def test_a_slipping_ring_steps_again_and_again() -> None:
    stairs = sum(np.where(np.arange(N) >= at, size, 0.0) for at, size in ((150, 4.5), (300, 6.0), (450, 3.5)))
    step = named(stairs + noise(2, 0.4))["cam_step"]
    assert step.about["times"] == 3 and step.value == pytest.approx(6.0, abs=0.5)


def test_steps_of_a_short_recording_stay_steps() -> None:
    """Three steps in 160 cycles, to and fro but to another place each time."""
    n = np.arange(160)
    shift = np.where(n >= 40, -5.3, 0.0) + np.where(n >= 75, 7.7, 0.0) + np.where(n >= 110, -6.0, 0.0)
    found = {m.name: m for m in moves(T[:160], RPM[:160], shift + np.random.default_rng(8).normal(0, 0.05, 160))}
    assert found["cam_step"].about["times"] == 3 and found["cam_swing"].value < 1.0


@pytest.mark.parametrize("sizes", [(-4.4, 5.8), (-7.2, -5.2, 4.8), (6.0, 5.0, -5.2, 7.0)])
def test_what_slips_may_pass_a_place_again(sizes: tuple[float, ...]) -> None:
    """But not its outermost one, again and again: that is a stop."""
    n = np.arange(N)
    shift = sum(np.where(n >= 100 * (k + 1), size, 0.0) for k, size in enumerate(sizes))
    step = named(shift + noise(5, 0.1))["cam_step"]
    assert step.about["times"] == len(sizes)


def test_an_actuator_comes_back_to_its_stop_from_wherever_it_was() -> None:
    n = np.arange(N)
    shift = sum(np.where((n // 60) == k, out, 0.0) for k, out in ((1, 25.0), (3, 15.0), (5, 20.0), (7, 9.0)))
    found = named(shift + noise(6, 0.2))
    assert "cam_step" not in found and found["cam_swing"].value > 10


def test_an_actuator_goes_to_and_fro() -> None:
    found = named(12 * np.sin(T / 3) + noise(3, 0.4))
    assert found["cam_swing"].value > 15 and "cam_step" not in found
    square = named(np.where((np.arange(N) // 80) % 2, 25.0, 0.0) + noise(3, 0.4))
    assert square["cam_swing"].value > 20 and "cam_step" not in square


def test_it_goes_with_the_speed() -> None:
    rpm = 800 + 1700 * (np.sin(T / 9) > 0) + noise(4, 20)
    found = named((rpm - 800) / 1000 * 8 + noise(5, 0.4), rpm)
    assert found["cam_speed_slope"].value == pytest.approx(8.0, abs=0.5)
    once = named(np.where(np.arange(N) >= 300, 25.0, 0.0), np.where(np.arange(N) >= 300, 2200.0, 800.0))
    assert once["cam_step"].about["with_speed"]


def test_drift() -> None:
    drift = named(T / 60 * 2.0 + noise(6, 0.3))["cam_drift"]
    assert drift.value == pytest.approx(2.0, abs=max(0.3, 3 * drift.uncertainty))


def test_gaps_and_short_recordings() -> None:
    shift = np.where(np.arange(N) >= 300, 18.0, 0.0) + noise(7)
    shift[::5] = np.nan
    assert named(shift)["cam_step"].value == pytest.approx(18.0, abs=0.6)
    assert moves(T[:30], RPM[:30], shift[:30]) == []
