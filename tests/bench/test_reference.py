"""Edge positions against a master, on wheels and spindles that are not perfect, with the truth beside them."""

from __future__ import annotations

import numpy as np
import pytest
from toothwise.bench import reference
from toothwise.bench.stage import Watch
from toothwise.edges.signal import Held
from toothwise.model import profiles
from toothwise.track.teeth import Teeth

from tests.bench import made_sensors as made


def seen(held: Held) -> tuple[Teeth, Teeth]:
    """Sensor's and master's teeth."""
    watch = Watch(made.made_limits(), held.clock, held.channels)
    parts = [watch.feed(batch) for batch in held.batches()] + [watch.finish()[:2]]
    sensor, master = (reference.joined([t for part in parts for t in part[side]]) for side in (0, 1))
    return sensor, master


def run(sensor: made.MadeSensor, seed: int, *, turns: int = 40, **more: float) -> Held:
    rng = np.random.default_rng(seed)
    motion = profiles.steady(3000.0, turns, walk=0.002, rng=rng, step_deg=6.0)
    return made.record(sensor, rng, motion, **more)


def test_a_perfect_sensor_is_repeatable_to_thousandths_of_a_degree() -> None:
    """16 ns at 3000 rpm are 0.00029°; two clocks' rounding makes sqrt(2/12) of that [D]."""
    held = run(made.MadeSensor(jitter_deg=0.0), 1, master_jitter_deg=0.0)
    found = reference.against_master(made.WHEEL, *seen(held), held.clock)
    assert found is not None and found.mean_deg is not None
    assert found.repeatability_deg <= 0.002
    assert found.repeatability_deg == pytest.approx(16e-9 * 18000 / np.sqrt(12) * np.sqrt(2), rel=0.25)
    assert found.mean_deg == pytest.approx(made.MOUNT_DEG, abs=5 * found.mean_uncertainty_deg)


def test_the_stated_uncertainty_covers_the_truth() -> None:
    """All teeth of a sensor stand where the mean does; 95 ± 2 % of them must lie within two uncertainties."""
    inside, whole = 0, 0
    for seed in range(12):
        held = run(made.MadeSensor(jitter_deg=0.01), seed)
        found = reference.against_master(made.WHEEL, *seen(held), held.clock)
        assert found is not None
        inside += int((np.abs(found.tooth_deg) <= 2 * found.tooth_uncertainty_deg).sum())
        whole += len(found.tooth_deg)
    assert 0.93 <= inside / whole <= 0.97


@pytest.mark.parametrize("offset", [-1.2, 0.0, 0.4])
def test_the_sensors_own_offset_and_jitter_are_told_from_the_wheel(offset: float) -> None:
    held = run(made.MadeSensor(offset_deg=offset, jitter_deg=0.03), 5, turns=60)
    found = reference.against_master(made.WHEEL, *seen(held), held.clock)
    assert found is not None and found.mean_deg is not None
    assert found.mean_deg - made.MOUNT_DEG == pytest.approx(offset, abs=0.003)
    assert found.repeatability_deg == pytest.approx(np.hypot(0.03, 0.005), rel=0.1)
    assert found.spread[0] < 0.03, "the wheel's own errors of 0.05° and its runout are gone"


def test_without_a_master_the_learnt_wheel_takes_the_wheels_errors() -> None:
    rng = np.random.default_rng(8)
    motion = profiles.steady(3000.0, 60, walk=0.0005, rng=rng, step_deg=6.0)
    first = made.record(made.MadeSensor(jitter_deg=0.005), np.random.default_rng(8), motion)
    again = made.record(made.MadeSensor(jitter_deg=0.02), np.random.default_rng(8), motion)  # the same wheel
    _, master = seen(first)
    learnt = reference.learn(made.WHEEL, master, first.clock, "a test")
    sensor, _ = seen(again)
    bare = reference.against_learnt(made.WHEEL, sensor, again.clock, None)
    found = reference.against_learnt(made.WHEEL, sensor, again.clock, learnt)
    assert bare is not None and found is not None and found.mean_deg is None
    assert found.spread[0] < 0.4 * bare.spread[0]


def test_missing_teeth_of_the_sensor_do_not_move_the_others() -> None:
    held = run(made.MadeSensor(jitter_deg=0.0, drops=0.3), 3, turns=60, master_jitter_deg=0.0)
    found = reference.against_master(made.WHEEL, *seen(held), held.clock)
    assert found is not None and found.mean_deg is not None
    assert found.mean_deg == pytest.approx(made.MOUNT_DEG, abs=0.001)


def test_too_short_a_run_gives_nothing() -> None:
    held = run(made.MadeSensor(), 2, turns=8)
    assert reference.against_master(made.WHEEL, *seen(held), held.clock) is None
    assert reference.learn(made.WHEEL, seen(held)[1], held.clock, "") is None
    empty = reference.joined([])
    assert reference.line_of(made.WHEEL, empty, held.clock) is None
