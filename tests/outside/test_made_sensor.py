"""Made wheels and sensors against figures from outside the project.

Tags: [S] published source, [M] from memory, [D] derived, [T] trade pages, [C] common practice without a source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from toothwise.model.line import Line
from toothwise.model.profiles import steady
from toothwise.model.sensor import Coil, Comparator, Hall
from toothwise.model.wheel import MadeWheel
from toothwise.wheel import catalogue


def rng() -> np.random.Generator:
    return np.random.default_rng(3)


def falling_s(line: Line) -> np.ndarray:
    return line.t_s[line.levels == 0]


def amplitude(coil: Coil, made: MadeWheel, rpm: float) -> float:
    """Median peak of the voltage over the teeth, volts."""
    motion = steady(rpm, 2)
    volts = coil.volts_at(made, motion, np.linspace(0, motion.end_s, 100_000), rng())
    tops = volts[1:-1][(volts[1:-1] > volts[:-2]) & (volts[1:-1] >= volts[2:])]
    return float(np.median(tops[tops > 0.3 * tops.max()]))


@pytest.mark.parametrize(("more_mm", "change"), [(0.1, -0.08), (0.25, -0.18), (0.5, -0.33)])
def test_amplitude_falls_with_the_air_gap(more_mm: float, change: float) -> None:
    """[D] exp(−2πg/p) at p = 7.85 mm (150 mm wheel, 60 teeth). The model solves the field of the whole rim."""
    made = MadeWheel(catalogue.wheel("60-2"), radius_mm=75.0)
    assert made.pitch_mm == pytest.approx(7.85, abs=0.01)
    near, far = (amplitude(Coil(gap_mm=g), made, 800) for g in (1.0, 1.0 + more_mm))
    assert far / near - 1 == pytest.approx(change, abs=0.01)


@pytest.mark.parametrize(("rpm", "volts"), [(150, 0.5), (700, 2.3), (3000, 10.0), (6500, 21.7)])
def test_amplitude_follows_speed(rpm: float, volts: float) -> None:
    """[D] 0.5 V peak at 150 rpm scales to 2.3, 10 and 21.7 V."""
    made = MadeWheel(catalogue.wheel("60-2"))
    assert amplitude(Coil(volts=0.5, at_rpm=150.0), made, rpm) == pytest.approx(volts, rel=0.02)


@pytest.mark.parametrize(("rpm", "tooth_us", "gap_us"), [(150, 6667, 20000), (700, 1429, 4286), (6500, 154, 462)])
def test_tooth_and_gap_times_of_60_2(rpm: float, tooth_us: float, gap_us: float) -> None:
    """[D] 10⁶/rpm µs a tooth at 60 slots, three of them across the gap."""
    line, _ = Hall(jitter_deg=0.0).sense(MadeWheel(catalogue.wheel("60-2")), steady(rpm, 3, start_deg=100), rng())
    steps = np.diff(falling_s(line)) * 1e6
    assert np.median(steps) == pytest.approx(tooth_us, abs=0.5)
    assert steps.max() == pytest.approx(gap_us, abs=1.0)


@pytest.mark.parametrize(
    ("name", "pulses", "gap_deg"),
    [("60-2", 58, 18), ("36-1", 35, 20), ("36-2", 34, 30), ("24-1", 23, 30), ("24-2", 22, 45), ("12-1", 11, 60),
     ("48-1", 47, 15), ("48-2", 46, 22.5)],
)  # fmt: skip
def test_pulses_and_gap_of_each_wheel(name: str, pulses: int, gap_deg: float) -> None:
    """[M] N−M pulses a revolution, the gap interval (M+1)·360/N."""
    motion = steady(600, 10, start_deg=1.0)
    line, _ = Hall(jitter_deg=0.0).sense(MadeWheel(catalogue.wheel(name)), motion, rng())
    at = motion.angle_at(falling_s(line))
    assert len(at) == 10 * pulses
    assert np.diff(at).max() == pytest.approx(gap_deg, abs=1e-6)


@pytest.mark.parametrize(("name", "share"), [("24", 1 / 3), ("36-1", 0.5), ("60-2", 0.6)])
def test_middle_of_three_intervals(name: str, share: float) -> None:
    """[S: US 6,498,980, 2002] gap test: middle of three intervals over their sum; [D] 1/3, 0.5 and 0.6."""
    line, _ = Hall(jitter_deg=0.0).sense(MadeWheel(catalogue.wheel(name)), steady(700, 5), rng())
    steps = np.diff(falling_s(line))
    middle = steps[1:-1] / (steps[:-2] + steps[1:-1] + steps[2:])
    assert middle.max() == pytest.approx(share, abs=1e-6)


@pytest.mark.parametrize(("name", "ratio"), [("60-2", 2.0), ("36-2", 2.0), ("36-1", 1.5), ("24-1", 1.5)])
def test_reversed_wires_make_two_medium_gaps_of_one_long(name: str, ratio: float) -> None:
    """[D] N-2: 2.0× twice instead of 3.0× once; N-1: 1.5× twice; the count unchanged, the angle off by half a pitch."""
    made = MadeWheel(catalogue.wheel(name))
    motion = steady(700, 6, start_deg=200.0)
    # A comparator that arms on little sees the flat crossing in the gap too.
    comparator = Comparator(high_v=0.02, follows=0.0)
    right, wrong = (Coil(reversed=r, comparator=comparator).sense(made, motion, rng())[0] for r in (False, True))
    assert abs(len(falling_s(right)) - len(falling_s(wrong))) <= 1
    steps = np.diff(motion.angle_at(falling_s(wrong))) / made.wheel.pitch_deg
    long = steps[steps > 1.25]
    assert len(long) in (11, 12, 13)
    assert long == pytest.approx(np.full(len(long), ratio), abs=0.06)
    once = np.diff(motion.angle_at(falling_s(right))) / made.wheel.pitch_deg
    missing = made.wheel.slots - made.wheel.teeth
    assert once.max() == pytest.approx(missing + 1, abs=0.06)
    off = motion.angle_at(falling_s(wrong))[:, None] - motion.angle_at(falling_s(right))[None, :]
    assert np.median(np.abs(off).min(axis=1)) == pytest.approx(made.wheel.pitch_deg / 2, rel=0.02)


def test_eccentricity_as_angle() -> None:
    """[D] asin(e/R): 0.1 mm at R 75 is 0.076°."""
    deg = float(np.degrees(np.arcsin(0.1 / 75)))
    assert deg == pytest.approx(0.076, abs=5e-4)
    made = replace(MadeWheel(catalogue.wheel("60-2")), runout=(deg, 0.0))
    assert made.timing_error_deg.max() == pytest.approx(deg, rel=0.01)
    assert made.air_gap_change_mm(np.arange(0.0, 360.0)).max() == pytest.approx(0.1, rel=1e-3)


def test_eccentricity_as_speed() -> None:
    """[D] 0.1 mm at R 75 is 0.13 % of speed, once a revolution."""
    made = replace(MadeWheel(catalogue.wheel("60")), runout=(float(np.degrees(np.arcsin(0.1 / 75))), 0.0))
    line, _ = Hall(jitter_deg=0.0).sense(made, steady(800, 10), rng())
    speed = 1.0 / np.diff(falling_s(line))[:540]
    wave = np.abs(np.mean(speed * np.exp(-2j * np.pi * np.arange(540) / 60))) * 2 / speed.mean()
    assert wave == pytest.approx(0.0013, abs=5e-5)


def test_switch_repeatability_is_in_the_usual_range() -> None:
    """[M, uncertain] 0.05–0.1° crank; the default is better, a poor one can be made."""
    wheel = MadeWheel(catalogue.wheel("60"))
    motion = steady(1000, 40)
    line, _ = Hall(jitter_deg=0.08).sense(wheel, motion, rng())
    off = (motion.angle_at(falling_s(line)) + 3.0) % 6.0 - 3.0
    assert 0.05 < off.std() < 0.1
