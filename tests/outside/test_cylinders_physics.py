"""The physics behind the cylinder checks against figures worked out apart from the program.

Roughness lu = (T2 − T1)/T1³ and α ≈ −Δφ·lu: SAE 900232, SAE 930399 (from memory);
the figures beside each are recomputed here from those formulas. Energy: ΔT/T ≈ W/(J·ω₀²), derived.
"""

from __future__ import annotations

import numpy as np
import pytest
from toothwise.checks.crank_physics import delivered, energy, piston_travel, squeezed


@pytest.mark.parametrize(
    ("rpm", "cylinders", "segment_ms", "lu"),
    [
        (700, 4, 42.857, 5.44),
        (2000, 4, 15.0, 44.4),
        (2000, 6, 10.0, 100.0),
        (2000, 8, 7.5, 177.8),
        (6000, 4, 5.0, 400.0),
    ],
)
def test_roughness_of_a_segment_one_per_cent_longer(rpm: int, cylinders: int, segment_ms: float, lu: float) -> None:
    first = 120.0 / rpm / cylinders
    assert 1000 * first == pytest.approx(segment_ms, rel=1e-4)
    second = 1.01 * first
    assert (second - first) / first**3 == pytest.approx(lu, rel=2e-3)  # figures of three digits
    # The same two segments through the energy that the checks use: half of its step over the angle is α.
    angle = 720.0 / cylinders
    step = energy(np.array([angle]), np.array([second]))[0] - energy(np.array([angle]), np.array([first]))[0]
    alpha = step / 2 / np.radians(angle)
    assert alpha == pytest.approx(-np.radians(angle) * lu, rel=0.02)  # the formula is a first order one


def test_slowing_at_700_rpm() -> None:
    lu = 0.01 * 0.042857 / 0.042857**3
    assert -np.pi * lu == pytest.approx(-17.1, abs=0.05)


def test_energy_balance_of_a_lost_firing() -> None:
    """J = 0.2 kg·m², 800 rpm, 60 J lost: the segment gets 4.27 % longer."""
    inertia, omega, lost = 0.2, 800 * np.pi / 30, 60.0
    assert lost / (inertia * omega**2) == pytest.approx(0.0427, abs=5e-5)
    before = np.pi / omega
    after = before * (1 + lost / (inertia * omega**2))
    step = energy(np.array([180.0]), np.array([after]))[0] - energy(np.array([180.0]), np.array([before]))[0]
    assert -inertia * step / 2 == pytest.approx(lost, rel=0.07)  # first order again


@pytest.mark.parametrize(("angle", "travel"), [(30, 7.785), (60, 27.835), (90, 52.160), (120, 72.835)])
def test_crank_slider_positions(angle: float, travel: float) -> None:
    """r = 45 mm, l = 145 mm; figures derived."""
    assert piston_travel(np.array([angle]), 45.0, 145.0)[0] == pytest.approx(travel, abs=5e-4)


def test_greatest_piston_speed() -> None:
    """At 74.10°, 1.0474·r·ω: by differences of the same positions."""
    angle = np.arange(0.0, 180.0, 0.01)
    speed = np.gradient(piston_travel(angle, 45.0, 145.0), np.radians(angle)) / 45.0
    at = int(np.argmax(speed))
    assert angle[at] == pytest.approx(74.10, abs=0.05)
    assert speed[at] == pytest.approx(1.0474, abs=1e-4)


def test_compression_work_against_the_textbook_integral() -> None:
    """∫p dV of p·V^n = const by quadrature, for the shape; and its value for half a litre at 0.35 bar."""
    from scipy.integrate import quad

    ratio, n, volume, pressure = 10.0, 1.3, 0.5e-3, 0.35e5
    top = volume / (ratio - 1)
    bottom = volume + top
    whole, _ = quad(lambda v: pressure * (bottom / v) ** n, top, bottom)
    assert whole == pytest.approx(pressure * bottom / (n - 1) * (ratio ** (n - 1) - 1), rel=1e-9)
    for angle in (0.0, 20.0, 60.0, 120.0, 179.0):
        travel = float(piston_travel(np.array([angle]), 45.0, 145.0)[0]) / 90.0
        v = top + volume * travel
        part, _ = quad(lambda x: pressure * (bottom / x) ** n, v, bottom)
        assert squeezed(np.array([angle]))[0] == pytest.approx(part / whole, abs=1e-9)


def test_shapes_end_where_they_must() -> None:
    assert squeezed(np.array([0.0, 180.0, 360.0, -180.0, 720.0])) == pytest.approx([1, 0, 0, 0, 1], abs=1e-12)
    assert delivered(np.array([0.0, 180.0, 500.0])) == pytest.approx([0, 1, 1], abs=1e-12)
    assert np.all(np.diff(delivered(np.arange(0.0, 181.0))) > 0)
