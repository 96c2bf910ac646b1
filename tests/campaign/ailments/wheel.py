"""Faults of the crank's wheel, and what adds edges to its signal."""

from __future__ import annotations

from dataclasses import replace

from toothwise.model.drive import Phase
from toothwise.model.faults import Alternator, Ignition

from tests.campaign.ailments.setup import (
    WHEELS,
    Case,
    Rng,
    code,
    finish,
    good_readings,
    setup,
)


def wheel_tooth(rng: Rng) -> Case:
    s = setup(rng)
    good_readings(s, 0.4)
    teeth = s.made.wheel.teeth
    tooth = int(rng.integers(3, teeth - 2))
    how = str(rng.choice(["gone", "bent", "chipped"]))
    pitch = s.made.wheel.pitch_deg
    s.note = how
    if how == "gone":
        s.made = s.made.without(tooth)
    elif how == "bent":
        s.made = s.made.bent(tooth, float(s.pick(-1, 1)) * float(rng.uniform(0.12, 0.3)) * pitch)
    else:
        s.made = s.made.chipped(tooth, *(rng.uniform(0.12, 0.2, 2) * pitch).tolist(), float(rng.uniform(0.3, 0.9)))
    s.complaint.append(str(s.pick("warning lamp", "rough idle", "hard start")))
    code(s, 0.6, "P0336", "P0336", "P0300", "P0315")
    return finish(s)


def wheel_runout(rng: Rng) -> Case:
    s = setup(rng)
    good_readings(s, 0.4)
    size = float(rng.uniform(0.45, 1.0))
    s.made = replace(s.made, runout=(size, 0.05) if s.maybe(0.7) else (0.05, size))
    s.phases = [*s.phases, Phase("fire", 3.0, 2800.0), Phase("fire", 8.0, 2800.0)]
    s.complaint.append(str(s.pick("rough idle", "warning lamp", "low power")))
    code(s, 0.5, "P0336", "P0300", "P0315")
    return finish(s)


def wheel_slip(rng: Rng) -> Case:
    s = setup(rng, cam=1.0)
    good_readings(s, 0.4)
    at, by, moved = 4.0, 0.0, []
    for _ in range(int(rng.integers(1, 4))):
        at += float(rng.uniform(4, 7))
        step = float(rng.uniform(3.5, 9.0)) * float(s.pick(1, 1, -1))
        moved += [(at, by), (at + 0.05, by + step)]
        by += step
    s.made = replace(s.made, moved=tuple(moved))
    s.complaint.append(str(s.pick("stall", "low power", "hard start")))
    code(s, 0.6, "P0016", "P0336", "P0016")
    return finish(s)


def wrong_wheel(rng: Rng) -> Case:
    s = setup(rng)
    good_readings(s, 0.4)
    others = [w for w in dict.fromkeys(WHEELS) if w != s.wheel]
    s.card_wheel = str(s.pick(*others))
    s.complaint.append(str(s.pick("no start", "hard start")))
    code(s, 0.6, "P0336", "P0336", "P0335")
    return finish(s)


def interference(rng: Rng) -> Case:
    s = setup(rng)
    good_readings(s, 0.4)
    if s.maybe(0.65):
        s.faults.append(Ignition(chance=float(rng.uniform(0.15, 0.7))))
        s.note = "ignition"
    else:
        s.faults.append(Alternator(order=float(rng.uniform(15, 18)), chance=float(rng.uniform(0.02, 0.08))))
        s.note = "alternator"
    s.complaint.append(str(s.pick("stall", "rough idle", "low power")))
    code(s, 0.5, "P0336", "P0339", "P0371")
    return finish(s)
