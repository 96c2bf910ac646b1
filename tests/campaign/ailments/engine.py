"""Faults of cam and engine: the crank's signal is whole and tells of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from toothwise.model.drive import run
from toothwise.model.faults import FaultMaker, Held
from toothwise.model.made import Cam, Made, Scenario, make

from tests.campaign.ailments.setup import (
    Case,
    Rng,
    Setup,
    code,
    finish,
    good_readings,
    setup,
    start_up,
)


def cam_sensor(rng: Rng) -> Case:
    s = setup(rng, cam=1.0)
    good_readings(s, 0.4)
    assert s.cam is not None
    if s.maybe(0.5):
        begin = 0.0 if s.maybe(0.5) else 8.0
        fault: FaultMaker = Held(((begin, s.seconds + 10),), int(rng.integers(2)), "signal", "cam open")
    else:
        spans = tuple((float(t), float(t + rng.uniform(0.1, 0.8))) for t in np.sort(rng.uniform(5, s.seconds, 8)))
        fault = Held(spans, int(rng.integers(2)), "signal", "cam drops out")
    s.cam = replace(s.cam, faults=(fault,))
    s.complaint.append(str(s.pick("hard start", "warning lamp", "low power")))
    code(s, 0.7, "P0340", "P0341", "P0344")
    return finish(s)


def well_before(s: Setup) -> Made:
    """A recording of the same vehicle before the fault."""
    drive = run(s.engine, start_up(s.rng, 12.0), s.rng, start_deg=float(s.rng.uniform(0, 720)))
    return make(Scenario(s.made, drive, s.sensor, cam=s.cam), s.rng)


def cam_timing(rng: Rng) -> Case:
    s = setup(rng, cam=1.0)
    good_readings(s, 0.4)
    assert s.cam is not None
    before = well_before(s)
    if s.maybe(0.5):
        shift = float(360 / rng.integers(18, 25)) * float(s.pick(1, -1))
        s.note = f"jump {shift:+.0f}"
    else:
        shift = float(rng.uniform(5.0, 11.0))
        s.note = f"stretch {shift:.1f}"
    s.cam = replace(s.cam, behind_deg=s.cam.behind_deg + shift)
    s.complaint.append(str(s.pick("low power", "hard start", "warning lamp")))
    code(s, 0.7, "P0016", "P0016", "P0017")
    return replace(finish(s), reference=before)


def cam_phaser(rng: Rng) -> Case:
    s = setup(rng, cam=1.0, idle_s=35.0)
    good_readings(s, 0.4)
    assert s.cam is not None
    before = well_before(s) if s.maybe(0.5) else None
    reach = float(rng.uniform(12, 40)) * float(s.pick(1, -1))
    at, moved, out = 5.0, [(0.0, 0.0)], False
    while at < s.seconds:
        at += float(rng.uniform(2.5, 6.0))
        now = reach * (float(rng.uniform(0.6, 1.0)) if not out else 0.0)
        moved += [(at, moved[-1][1]), (at + abs(now - moved[-1][1]) / float(rng.uniform(50, 150)), now)]
        out = not out
    s.cam = replace(s.cam, made=replace(s.cam.made, moved=_cam_degrees(s.cam, moved)))
    s.complaint.append(str(s.pick("rough idle", "low power", "warning lamp")))
    code(s, 0.7, "P0011", "P0012", "P0010", "P000A")
    return replace(finish(s), reference=before)


def _cam_degrees(cam: Cam, moved: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    """Crank degrees to the cam pattern's own."""
    return tuple((t, deg * cam.made.turn_deg / 720.0) for t, deg in moved)


def misfire(rng: Rng) -> Case:
    s = setup(rng, idle_s=45.0)
    good_readings(s, 0.3)
    slot = int(rng.integers(s.engine.cylinders))
    share = float(rng.uniform(0.08, 1.0 if s.engine.cylinders > 4 else 0.5))  # a dead one of four stalls
    s.engine = replace(s.engine, misfire=tuple(share if i == slot else 0.0 for i in range(s.engine.cylinders)))
    s.phases[1] = replace(s.phases[1], seconds=8.0)
    s.note = f"{100 * share:.0f} %"
    s.complaint.append(str(s.pick("rough idle", "low power", "exhaust smell")))
    code(s, 0.7, "P0300", f"P030{slot + 1}", f"P030{slot + 1}")
    return finish(s)


def low_compression(rng: Rng) -> Case:
    s = setup(rng, idle_s=45.0)
    good_readings(s, 0.3)
    slot = int(rng.integers(s.engine.cylinders))
    kept = float(rng.uniform(0.3, 0.75))
    others = range(s.engine.cylinders)
    s.engine = replace(
        s.engine,
        compression=tuple(kept if i == slot else 1.0 for i in others),
        strength=tuple(0.5 + 0.5 * kept if i == slot else 1.0 for i in others),
    )
    s.phases[1] = replace(s.phases[1], seconds=8.0)
    s.note = f"{100 * kept:.0f} % kept"
    s.complaint.append(str(s.pick("rough idle", "low power", "hard start")))
    code(s, 0.4, "P0300", f"P030{slot + 1}")
    return finish(s)
