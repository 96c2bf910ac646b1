"""Recordings read from their end: the same teeth and numbers, and a sensor that wakes late is read rightly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from toothwise.bench.backwards import mirrored, read_backwards
from toothwise.bench.figures import Master
from toothwise.bench.of_file import judge_recording
from toothwise.bench.result import FAIL
from toothwise.model import profiles
from toothwise.track.tracker import Tracker
from toothwise.wheel import catalogue

from tests.bench import made_sensors as made


def test_the_same_teeth_with_the_same_numbers() -> None:
    rng = np.random.default_rng(3)
    motion = profiles.ramp(300.0, 1500.0, 4.0)
    held = made.record(made.MadeSensor(), rng, motion)
    edges = held.edges["crank"]
    tracker = Tracker(made.WHEEL, held.clock, timing_level=1)
    parts = [tracker.feed(edges, held.until_tick), tracker.finish(held.until_tick)]
    back = read_backwards(edges, held.until_tick, (), made.WHEEL, held.clock, 1)
    assert back is not None
    for name in ("ticks", "tooth", "revolution"):
        np.testing.assert_array_equal(getattr(back, name), np.concatenate([getattr(p, name) for p in parts]))
    assert not back.events


@pytest.mark.parametrize("name", ["60-2", "36-1", "36-2-2-2", "6+1"])
def test_a_wheel_mirrored_twice_is_itself(name: str) -> None:
    wheel = catalogue.wheel(name)
    np.testing.assert_allclose(mirrored(mirrored(wheel)).angles_deg, wheel.angles_deg, atol=1e-9)


def test_a_wheel_told_by_widths_or_by_nothing_is_not_read_backwards() -> None:
    held = made.record(made.MadeSensor(), np.random.default_rng(3), profiles.steady(600.0, 5))
    for name in ("60", "2-long-2-short"):
        wheel = catalogue.wheel(name)
        assert read_backwards(held.edges["crank"], held.until_tick, (), wheel, held.clock, 1) is None


@pytest.mark.parametrize(
    ("seed", "offset_deg"), [(1_000_024, None), (1_000_050, None), (1_000_053, None), (2_026_004_969, 0.4266)]
)
def test_a_sensor_that_wakes_below_its_limit_counts_fully_above_it(seed: int, offset_deg: float | None) -> None:
    """Between 26 and 36 rpm, tooth by tooth at random: read forwards alone, these were taken one gap off for long, and
    the last one's first turns for a contact that chatters."""
    rng = np.random.default_rng(seed)
    sensor = made.good(rng)
    if offset_deg is not None:
        rng.random()
        sensor = replace(sensor, offset_deg=offset_deg)
    held = made.record(sensor, rng)
    result = judge_recording(lambda: held, made.made_limits(), master=Master(made.MOUNT_DEG, 0.02))
    assert result.verdict != FAIL, result.reasons
    lowest = next(m for m in result.measures if m.name == "lowest_full_count")
    assert lowest.value is not None and sensor.wakes_rpm * 0.95 < lowest.value < 1.4 * sensor.wakes_rpm
