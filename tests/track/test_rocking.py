"""How an engine ends: it runs down, cannot pass the next compression, and is thrown back and forth until it rests."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from toothwise.edges.signal import Edges
from toothwise.wheel import catalogue
from toothwise.wheel.pattern import Wheel

from tests.track.signals import MICRO, track

STEP_S = 4e-5


@cache
def run_down(start_deg: float, compressions: float, rpm: float = 700.0) -> NDArray[np.float64]:
    """Angle in degrees every STEP_S: inertia, compressions a turn that give back what they take, and friction."""
    angle, speed, angles = math.radians(start_deg), rpm * math.pi / 30.0, []
    for _ in range(int(4.0 / STEP_S)):
        pressed = -50.0 * math.sin(compressions * angle)
        if abs(speed) < 0.02 and abs(pressed) < 9.0:
            break  # it rests
        torque = pressed - math.copysign(9.0 + 0.06 * abs(speed), speed)
        speed += torque / 0.21 * STEP_S
        angle += speed * STEP_S
        angles.append(angle)
    return np.degrees(np.array(angles))


def over_a_tooth(wheel: Wheel, angle_deg: NDArray[np.float64], share: float) -> Edges:
    """What a switching sensor makes of it: high over a tooth, whichever way the wheel turns."""
    starts = np.array(wheel.angles_deg)
    width = share * float(wheel.steps_deg.min())
    turned = np.mod(angle_deg, 360.0)
    level = (turned - starts[np.searchsorted(starts, turned, "right") - 1] < width).astype(np.uint8)
    at = np.flatnonzero(np.diff(level)) + 1
    return Edges(np.rint(at * STEP_S / 1e-6).astype(np.int64), level[at])


@pytest.mark.parametrize("name", ["60-2", "36-1", "36-2", "24-1", "12-1", "36-2-2-2"])
@pytest.mark.parametrize("compressions", [1.5, 2.0])
def test_an_engine_that_is_switched_off_shows_no_fault(name: str, compressions: float) -> None:
    wheel = catalogue.wheel(name)
    for start in (130.0, 260.0):
        edges = over_a_tooth(wheel, run_down(start, compressions), 0.45)
        teeth = track(edges, wheel, MICRO, 5_000_000)
        assert [e.kind for e in teeth.events] == ["stopped"], f"{start:.0f} degrees"
        assert len(teeth) > 3 * wheel.teeth


def test_a_tooth_lost_while_it_still_runs_is_told_all_the_same() -> None:
    wheel = catalogue.wheel("60-2")
    edges = over_a_tooth(wheel, run_down(20.0, 2.0), 0.45)
    gone = np.ones(len(edges), bool)
    gone[120:124] = False  # two teeth, in the second turn
    teeth = track(Edges(edges.ticks[gone], edges.levels[gone]), wheel, MICRO, 5_000_000)
    assert [(e.kind, e.count) for e in teeth.events] == [("missing", 2), ("stopped", 1)]
