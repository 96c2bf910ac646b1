"""What every made case starts from: a healthy vehicle, a usual recording of it, a card, and what a meter shows."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from toothwise.model.drive import Phase, run
from toothwise.model.engine import Engine, healthy
from toothwise.model.faults import FaultMaker
from toothwise.model.made import Cam, Made, Scenario, make
from toothwise.model.sensor import Coil, Hall
from toothwise.model.wheel import MadeWheel, machined
from toothwise.wheel.catalogue import wheel

Rng = np.random.Generator

WHEELS = ("60-2", "60-2", "60-2", "36-1", "36-2", "24-1", "48-2", "12-1")
CAMS = ("4+1", "3+1", "half-moon", "2-long-2-short")
OL = float("inf")


@dataclass(slots=True)
class Setup:
    """A case while it is put together. extra recordings of the same job may be examined with it."""

    rng: Rng
    wheel: str
    engine: Engine
    made: MadeWheel
    coil: bool
    sensor: Hall | Coil
    phases: list[Phase]
    cam: Cam | None
    feed: bool
    faults: list[FaultMaker] = field(default_factory=list)
    readings: dict[str, float] = field(default_factory=dict)
    codes: list[str] = field(default_factory=list)
    complaint: list[str] = field(default_factory=list)
    wiggled: dict[str, str] = field(default_factory=dict)
    measured_at: str = "sensor"
    card_wheel: str = ""
    reference: dict[str, Any] = field(default_factory=dict)
    note: str = ""

    @property
    def seconds(self) -> float:
        return sum(p.seconds for p in self.phases)

    def maybe(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def pick(self, *choices: Any) -> Any:
        return choices[int(self.rng.integers(len(choices)))]


@dataclass(frozen=True, slots=True)
class Case:
    """A made recording and its card. reference: a recording of the same vehicle when it was well, or None."""

    made: Made
    card: dict[str, Any]
    wheel: str
    cam_wheel: str
    cylinders: int
    wiggled: dict[str, str]
    reference: Made | None
    note: str


def start_up(rng: Rng, idle_s: float) -> list[Phase]:
    """From rest through cranking to idle."""
    idle = float(rng.uniform(680, 920))
    return [
        Phase("rest", 0.4),
        Phase("crank", float(rng.uniform(1.5, 4.0)), float(rng.uniform(150, 280))),
        Phase("fire", 0.6, idle * 1.3),
        Phase("fire", 0.8, idle),
        Phase("fire", idle_s, idle),
    ]


def setup(rng: Rng, *, coil: bool | None = None, cam: float = 0.5, feed: float = 0.4, idle_s: float = 25.0) -> Setup:
    """A healthy vehicle with a usual recording of it."""
    is_coil = bool(rng.random() < 0.45) if coil is None else coil
    name = WHEELS[int(rng.integers(len(WHEELS)))]
    cylinders = int(rng.choice([3, 4, 4, 5, 6, 6, 8]))
    engine = replace(
        healthy(cylinders), first_tdc_deg=float(rng.uniform(60, 120)), variation=float(rng.uniform(0.03, 0.08))
    )
    made = machined(wheel(name), rng, error_deg=float(rng.uniform(0.02, 0.1)), runout_deg=float(rng.uniform(0, 0.08)))
    level = int(rng.integers(2))
    sensor: Hall | Coil = (
        Coil(volts=float(rng.uniform(0.5, 1.5)), gap_mm=float(rng.uniform(0.7, 1.2)), falls_to=level)
        if is_coil
        else Hall(active=level, jitter_deg=float(rng.uniform(0.005, 0.03)))
    )
    cam_wheel = None
    if rng.random() < cam:
        cam_name = CAMS[int(rng.integers(len(CAMS)))]
        cam_wheel = Cam(machined(wheel(cam_name), rng, error_deg=0.1, runout_deg=0.1), float(rng.uniform(10, 300)))
    phases = start_up(rng, idle_s * float(rng.uniform(0.8, 1.3)))
    watched = (not is_coil) and bool(rng.random() < feed)
    return Setup(rng, name, engine, made, is_coil, sensor, phases, cam_wheel, watched)


def good_readings(s: Setup, share: float = 0.5) -> None:
    """What a meter shows on a healthy circuit; each reading is taken with that chance."""
    rng = s.rng
    if s.coil:
        cold = float(rng.uniform(250, 1400))
        values = {
            "resistance_ohm": cold,
            "resistance_hot_ohm": cold * float(rng.uniform(1.15, 1.35)),
            "insulation_ohm": float(rng.choice([OL, 2e7, 5e6])),
            "cranking_ac_v": float(rng.uniform(0.6, 2.0)),
            "wire_ohm": float(rng.uniform(0.1, 1.0)),
        }
    else:
        feed = float(s.pick(5.0, 5.0, 8.0, 12.3)) * float(rng.uniform(0.985, 1.01))
        values = {
            "feed_v": feed,
            "ground_drop_v": float(rng.uniform(0.0, 0.05)),
            "signal_low_v": float(rng.uniform(0.05, 0.35)),
            "signal_high_v": float(rng.uniform(4.8, 5.05)),
            "unplugged_v": float(rng.uniform(4.85, 5.05)),
            "wire_ohm": float(rng.uniform(0.1, 1.0)),
        }
    for key, value in values.items():
        if rng.random() < share:
            s.readings[key] = value
    if ("signal_low_v" in s.readings) != ("signal_high_v" in s.readings):  # nobody takes only one
        s.readings.pop("signal_low_v", None)
        s.readings.pop("signal_high_v", None)


def finish(s: Setup) -> Case:
    rng = s.rng
    if s.maybe(0.5):  # a workshop that takes only the usual readings
        for key in ("unplugged_v", "wire_ohm"):
            s.readings.pop(key, None)
    drive = run(s.engine, s.phases, rng, start_deg=float(rng.uniform(0, 720)))
    made = make(Scenario(s.made, drive, s.sensor, tuple(s.faults), cam=s.cam, feed=s.feed and not s.coil), rng)
    card: dict[str, Any] = {
        "complaint": s.complaint,
        "vehicle": {"cylinders": s.engine.cylinders},
        "sensor": {"kind": "variable_reluctance" if s.coil else "hall"},
        "readings": {**s.readings, "measured_at": s.measured_at},
        "reference": s.reference,
    }
    if s.card_wheel:
        card["sensor"]["wheel"] = s.card_wheel
    if s.codes or rng.random() < 0.3:
        card["codes"] = s.codes
    cam_wheel = s.cam.made.wheel.name if s.cam else ""
    note = f"{s.wheel} {'coil' if s.coil else 'hall'} {s.engine.cylinders} cyl cam {cam_wheel or 'none'} {s.note}"
    return Case(made, card, s.wheel, cam_wheel, s.engine.cylinders, s.wiggled, None, note)


def code(s: Setup, share: float, *choices: str) -> None:
    if s.maybe(share):
        s.codes.append(str(s.pick(*choices)))


def healthy_case(rng: Rng) -> Case:
    s = setup(rng)
    good_readings(s, 0.3)
    s.measured_at = str(s.pick("sensor", "control unit"))
    if s.maybe(0.4):
        s.complaint.append(str(s.pick("stall", "warning lamp", "hard start", "low power")))
    code(s, 0.3, "P0335", "P0336", "P0339")
    s.card_wheel = s.wheel if s.maybe(0.7) else ""
    return finish(s)
