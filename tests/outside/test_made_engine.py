"""The made engine against figures from outside the project.

Tags: [S] published source, [M] from memory, [D] derived, [T] trade pages, [C] common practice without a source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from toothwise.model import drive
from toothwise.model.drive import Phase
from toothwise.model.engine import BURN_LEAD_DEG, healthy, piston_m, piston_m_per_rad
from toothwise.model.motion import Motion
from toothwise.model.profiles import RPM
from toothwise.model.timing import sprocket_step_deg, stretch_lag_deg

R, L = 0.045, 0.145


@pytest.mark.parametrize(("deg", "mm"), [(30, 7.785), (60, 27.835), (90, 52.160), (120, 72.835)])
def test_piston_positions(deg: float, mm: float) -> None:
    """[D] Slider-crank kinematics of any text on machines: x = r(1 − cos) + l − √(l² − r² sin²), r 45, l 145 mm."""
    assert float(piston_m(np.array([deg]), R, L)[0]) * 1000 == pytest.approx(mm, abs=5e-4)


def test_greatest_piston_speed() -> None:
    """[D] 1.0474·r·ω at 74.10°, found here by scipy's minimiser and by differences of the position."""
    best = minimize_scalar(
        lambda a: -float(piston_m_per_rad(np.array([a]), R, L)[0]), bounds=(40, 110), method="bounded"
    )
    assert best.x == pytest.approx(74.10, abs=0.01)
    assert -best.fun / R == pytest.approx(1.0474, abs=1e-4)
    ahead, behind = (float(piston_m(np.array([74.10 + d]), R, L)[0]) for d in (0.01, -0.01))
    assert (ahead - behind) / np.radians(0.02) / R == pytest.approx(1.0474, abs=1e-4)


def roughness(times_s: np.ndarray) -> np.ndarray:
    """lu = (T2 − T1)/T1³ over neighbouring segments."""
    return (times_s[1:] - times_s[:-1]) / times_s[:-1] ** 3


@pytest.mark.parametrize(
    ("rpm", "cylinders", "lu"), [(700, 4, 5.44), (2000, 4, 44.4), (2000, 6, 100.0), (2000, 8, 177.8), (6000, 4, 400.0)]
)
def test_roughness_of_a_segment_one_percent_longer(rpm: float, cylinders: int, lu: float) -> None:
    """[M: SAE 900232, SAE 930399] roughness of equal segments, one of them 1 % longer; values [D]."""
    segment = 720.0 / cylinders
    angle = np.array([0.0, segment, segment, 2 * segment])
    slow = rpm * RPM / 1.01
    motion = Motion.join([
        Motion.of_speeds(angle[:2], np.full(2, rpm * RPM)), Motion.of_speeds(angle[2:], np.full(2, slow)),
    ])  # fmt: skip
    times = np.concatenate([motion.times_in(s, motion.angle_deg[[s.first, s.last]]) for s in motion.spins])
    times = np.diff(np.unique(times.round(12)))
    assert times[0] == pytest.approx(segment / (rpm * RPM))
    value = float(roughness(times)[0])
    assert value == pytest.approx(lu, rel=2e-3)
    if (rpm, cylinders) == (700, 4):
        assert -np.radians(segment) * value == pytest.approx(-17.1, abs=0.05)


def test_energy_balance_of_a_lost_firing() -> None:
    """[D] ΔT/T ≈ W/(J·ω²): J = 0.2 kg·m², 800 rpm, 60 J lost gives 4.27 %.

    Two runs that differ only in one firing's work, 60 J less, and the time of the segment after it.
    """
    engine = replace(healthy(4), variation=0.0, piston_kg=0.0)
    missed = 12
    braked = (engine.friction_nm + engine.friction_nm_s * 800 * np.pi / 30) * np.radians(engine.segment_deg)
    kept_up = float(braked) + engine.unfired_loss_j(30_000.0)
    runs = []
    for less_j in (0.0, engine.heat_for(60.0)):
        course = drive.Course(engine, np.random.default_rng(0), engine.first_tdc_deg - BURN_LEAD_DEG, 800.0)
        for number in range(30):
            # The same heat in every firing, so that no governor makes up for the loss.
            course.heats[number] = engine.heat_for(kept_up) - (less_j if number == missed else 0)
        course.manifold = 30_000.0
        course.phase(Phase("fire", 1.0, 800.0))
        runs.append(course.drive().motion)
    times = []
    for motion in runs:
        (spin,) = motion.spins
        start = engine.first_tdc_deg + missed * engine.segment_deg + 180.0
        a, b = motion.times_in(spin, np.array([start, start + engine.segment_deg]))
        times.append(b - a)
    speed = engine.segment_deg / times[0] / RPM
    change = (times[1] - times[0]) / times[0]
    share = 60.0 / (0.2 * (speed * np.pi / 30) ** 2)
    assert speed == pytest.approx(800.0, rel=0.03)
    assert 60.0 / (0.2 * (800 * np.pi / 30) ** 2) == pytest.approx(0.0427, abs=1e-4)
    assert change == pytest.approx(share, rel=0.1)  # the rule is first order in the lost work
    assert change == pytest.approx((1 - 2 * share) ** -0.5 - 1, rel=0.01)  # and this is the whole of it


def test_cranking_swing_of_a_four_cylinder_petrol_engine() -> None:
    """[M] ±15–30 % within the revolution; [T] 150–300 rpm."""
    for rpm in (170.0, 190.0, 210.0):
        run = drive.run(healthy(4), [Phase("rest", 0.2), Phase("crank", 6.0, rpm)], np.random.default_rng(2))
        speed = run.motion.speed_at(np.linspace(2.0, 6.0, 8001))
        assert 0.15 <= np.ptp(speed) / 2 / speed.mean() <= 0.30


def test_sprocket_steps() -> None:
    """[D] 360/teeth: 18 → 20°, 20 → 18°, 24 → 15° crank."""
    assert [sprocket_step_deg(n) for n in (18, 20, 24)] == [20.0, 18.0, 15.0]


def test_chain_stretch() -> None:
    """[D] Lag = 360·e·n/N: 60 tight pitches, N = 20: 0.5 % → 5.4°, 1 % → 10.8°; and from lengths with scipy's
    constants left out: 60 pitches of 9.525 mm grow by 0.5 % on a pitch circle of 20 pitches."""
    assert stretch_lag_deg(0.005, 60, 20) == pytest.approx(5.4)
    assert stretch_lag_deg(0.01, 60, 20) == pytest.approx(10.8)
    pitch_mm = 9.525
    grown_mm = 60 * pitch_mm * 0.005
    assert grown_mm / (20 * pitch_mm) * 360.0 == pytest.approx(stretch_lag_deg(0.005, 60, 20))
