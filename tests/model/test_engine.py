"""The engine: its energy is accounted for, and its speeds are those of engines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from toothwise.model import drive
from toothwise.model.drive import Phase
from toothwise.model.engine import AMBIENT_PA, BURN_LEAD_DEG, Engine, healthy, piston_m


def rng() -> np.random.Generator:
    return np.random.default_rng(5)


def volumes(engine: Engine, angle_deg: np.ndarray) -> np.ndarray:
    clearance = engine.swept_m3 / (engine.ratio - 1)
    return clearance + engine.piston_area_m2 * piston_m(angle_deg, engine.crank_m, engine.rod_m)


@pytest.mark.parametrize("cylinders", [3, 4, 5, 6, 7, 8])
def test_unfired_work_is_the_area_of_the_pressure_volume_loop(cylinders: int) -> None:
    engine = healthy(cylinders)
    edges = np.linspace(-360, 360, 2881)
    for manifold in (0.3 * AMBIENT_PA, AMBIENT_PA):
        gauge = engine.compression_pa(manifold, 1.0) - AMBIENT_PA
        loop = cylinders * float(np.sum(gauge * np.diff(volumes(engine, edges))))
        fixed, per_pa = engine.unfired_work
        assert float((fixed + manifold * per_pa).sum()) == pytest.approx(loop, rel=1e-3)
        assert loop < 0 and engine.unfired_loss_j(manifold) == pytest.approx(-loop / cylinders, rel=1e-3)


def test_each_step_does_the_work_of_all_cylinders_at_their_own_angles() -> None:
    engine = healthy(4)
    fixed, per_pa = engine.unfired_work
    slot, step = 1, 33
    crank = slot * engine.segment_deg + (step + 0.5) * engine.step_deg - BURN_LEAD_DEG
    wanted = 0.0
    fine = np.arange(-360, 360, 0.25) + 0.125
    pressure = engine.compression_pa(AMBIENT_PA, 1.0) - AMBIENT_PA
    for cylinder in range(4):
        own = (crank - cylinder * engine.segment_deg + 360.0) % 720.0 - 360.0
        gauge = float(np.interp(own, fine, pressure))
        half = engine.step_deg / 2
        a, b = volumes(engine, np.array([own - half, own + half]))
        wanted += gauge * float(b - a)
    assert float(fixed[slot, step] + AMBIENT_PA * per_pa[slot, step]) == pytest.approx(wanted, rel=0.02)


def fixed_course(engine: Engine, heats: list[float], manifold: float, load_nm: float) -> drive.Drive:
    """A run without a governor: given heats, a given throttle, beginning with slot 0's segment."""
    course = drive.Course(engine, rng(), engine.first_tdc_deg - BURN_LEAD_DEG, 1500.0)
    course.heats = dict(enumerate(heats))
    course.manifold = manifold
    course.phase(Phase("fire", 0.8, 1500.0, load_nm))
    return course.drive()


@pytest.mark.parametrize("cylinders", [3, 4, 6, 7, 8])
def test_energy_is_neither_made_nor_lost_over_a_run(cylinders: int) -> None:
    """Kinetic energy at the end = at the start + heat turned to work + unfired work − friction and load."""
    engine, load, manifold = healthy(cylinders), 12.0, 0.4 * AMBIENT_PA
    heats = rng().uniform(150.0, 250.0, 200).tolist()
    motion = fixed_course(engine, heats, manifold, load).motion
    segments = (len(motion.t_s) - 1) // engine.steps
    assert segments > 20
    nodes = segments * engine.steps
    w = np.radians(motion.speed_deg_s)
    turn = np.radians(engine.step_deg)
    inertia = engine.inertias[segments % cylinders, 0], engine.inertias[0, 0]
    gained = 0.5 * (inertia[0] * w[nodes] ** 2 - inertia[1] * w[0] ** 2)
    braked = float(np.sum(engine.friction_nm + load + engine.friction_nm_s * w[:nodes]) * turn)
    burnt = sum(
        heats[s - back] * float(engine.burn_work[back].sum())
        for s in range(segments) for back in range(len(engine.burn_work)) if s >= back
    )  # fmt: skip
    fixed, per_pa = engine.unfired_work
    unfired = sum(float((fixed + manifold * per_pa)[s % cylinders].sum()) for s in range(segments))
    assert gained == pytest.approx(burnt + unfired - braked, abs=1e-6 * burnt)


def test_compression_reaches_the_polytropic_pressure() -> None:
    """Top dead centre of an unfired cylinder: manifold pressure × ratio^n, p·V^n being constant; and what it keeps
    of that when it leaks."""
    engine = healthy(4)
    whole = engine.compression_pa(AMBIENT_PA, 1.0)
    assert whole.max() == pytest.approx(AMBIENT_PA * 10.0**1.32, rel=1e-3)
    assert engine.compression_pa(AMBIENT_PA, 0.5).max() < 0.56 * whole.max()
    assert whole[np.arange(len(whole)) < len(whole) // 4].mean() == pytest.approx(AMBIENT_PA)


def test_a_burn_of_one_joule_raises_the_pressure_by_the_gas_law() -> None:
    """Heat released at once at constant volume: Δp = (n − 1)·Q/V. A very short burn at top dead centre comes close."""
    engine = healthy(4, advance_deg=0.5, burn_deg=1.0)
    clearance = engine.swept_m3 / (engine.ratio - 1)
    assert engine.burn_pa().max() == pytest.approx(0.32 / clearance, rel=0.02)


@pytest.mark.parametrize("rpm", [150.0, 200.0, 280.0])
@pytest.mark.parametrize("cylinders", [4, 6, 8])
def test_the_starter_makes_about_the_speed_asked_for(cylinders: int, rpm: float) -> None:
    run = drive.run(healthy(cylinders), [Phase("rest", 0.2), Phase("crank", 6.0, rpm)], rng())
    t = np.linspace(2.0, 6.0, 4001)
    assert run.motion.speed_at(t).mean() / 6.0 == pytest.approx(rpm, rel=0.08)


def test_idle_keeps_its_speed_and_each_firing_shows() -> None:
    run = drive.run(healthy(4), drive.idle(20.0, 800.0), rng())
    t = np.linspace(3.0, 20.0, 40_001)
    speed = run.motion.speed_at(t) / 6.0
    assert speed.mean() == pytest.approx(800.0, rel=0.02)
    (spin,) = run.motion.spins
    angle = run.motion.angle_deg[0] + 3600.0 + np.arange(0.0, 200 * 360.0, 2.0)
    wave = run.motion.speeds_in(spin, angle) / 6.0

    def size(order: float) -> float:
        return 2 * float(np.abs(np.mean(wave * np.exp(-1j * np.radians(order * angle)))))

    assert 8.0 < size(2) < 40.0
    assert size(2) > 3 * max(size(order) for order in (0.5, 1.0, 1.5, 3.0, 5.0))


def test_run_up_reaches_its_speed_in_time() -> None:
    phases = [Phase("rest", 0.3), Phase("crank", 0.4, 220.0), Phase("fire", 1.5, 6000.0)]
    for cylinders in range(3, 9):
        motion = drive.run(healthy(cylinders), phases, rng()).motion
        assert motion.speed_at(np.array([2.2]))[0] / 6.0 == pytest.approx(6000.0, rel=0.05)


def test_a_weak_cylinder_slows_its_own_segment_and_no_other() -> None:
    engine = replace(healthy(4), strength=(1.0, 1.0, 0.7, 1.0), variation=0.0)
    run = drive.run(engine, drive.idle(20.0, 800.0), rng())
    gain = np.zeros(4)
    (spin,) = run.motion.spins
    for firing in run.firings[20:-20]:
        at = np.array([firing.angle_deg - 60.0, firing.angle_deg + 120.0])
        before, after = run.motion.speeds_in(spin, at)
        gain[firing.slot] += after**2 - before**2
    assert np.argmin(gain) == 2
    assert gain[2] < np.sort(gain)[1] - abs(gain[2]) / 2


def test_a_leaky_cylinder_brakes_less_while_cranking() -> None:
    engine = replace(healthy(4), compression=(1.0, 0.6, 1.0, 1.0))
    run = drive.run(engine, [Phase("rest", 0.2), Phase("crank", 8.0, 200.0)], rng())
    (spin,) = run.motion.spins
    dip: list[list[float]] = [[], [], [], []]
    for firing in run.firings[8:-2]:
        before, top = run.motion.speeds_in(spin, firing.angle_deg + np.array([-100.0, 0.0]))
        dip[firing.slot].append(float(before**2 - top**2))
    assert np.argmin([np.mean(d) for d in dip]) == 1


def test_misfires_are_cycles_without_heat() -> None:
    engine = replace(healthy(4), misfire=(0.0, 0.0, 0.0, 1.0))
    run = drive.run(engine, drive.idle(4.0, 900.0), rng())
    assert all((f.heat_j == 0.0) == (f.slot == 3) for f in run.firings)


def test_a_stop_ends_at_rest_and_may_rock_back() -> None:
    rocked = 0
    for seed in range(8):
        for rock in (False, True):
            phases = [*drive.idle(1.0), *drive.stop(rock)]
            run = drive.run(healthy(4), phases, np.random.default_rng(seed))
            motion = run.motion
            assert motion.speed_deg_s[-1] == 0.0 and np.isfinite(motion.end_s)
            assert np.all(np.diff(motion.t_s) >= 0)
            assert rock or not run.backwards
            rocked += bool(run.backwards)
    assert rocked >= 4


def test_a_course_repeats_exactly_from_its_seed() -> None:
    a, b = (drive.run(healthy(5), drive.start() + drive.stop(), np.random.default_rng(3)) for _ in range(2))
    assert np.array_equal(a.motion.t_s, b.motion.t_s) and a.firings == b.firings
    c = drive.run(healthy(5), drive.start() + drive.stop(), np.random.default_rng(4))
    assert not np.array_equal(a.motion.t_s, c.motion.t_s)


def test_the_starter_draws_until_the_engine_has_caught() -> None:
    run = drive.run(healthy(4), drive.start(crank_s=1.0), rng())
    ((begin, end),) = run.starter
    assert begin == pytest.approx(0.3) and 1.3 <= end < 2.0


def test_only_three_to_eight_cylinders_and_one_number_each() -> None:
    with pytest.raises(ValueError, match="3 to 8"):
        Engine(cylinders=9)
    with pytest.raises(ValueError, match="strength"):
        Engine(cylinders=4, strength=(1.0, 1.0))
