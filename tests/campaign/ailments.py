"""Made cases of each cause: what the engine, wheel, sensor and wiring do, and what the card would say of it.

Severities, speeds, wheels and engines are drawn at random. Meter readings follow from the fault by Ohm's law
and plain sense, each taken or not as a workshop would; nothing here looks at how the causes are weighed.
All data are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from toothwise.model.drive import Phase, run
from toothwise.model.engine import Engine, healthy
from toothwise.model.faults import Alternator, Chatter, FaultMaker, FeedSag, Held, Ignition
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


# ---- the crank's circuit


def silent_from(s: Setup, level: int, conductor: str, cause: str) -> None:
    """The line fails for good, from the start or after a while."""
    begin = 0.0 if s.maybe(0.5) else float(s.rng.uniform(0.3, 0.6)) * s.seconds
    s.faults.append(Held(((begin, s.seconds + 10.0),), level, conductor, cause))
    s.complaint.append("no start" if begin == 0.0 else "stall")


def sensor(rng: Rng) -> Case:
    how = str(rng.choice(["open coil", "hot coil", "shorted turns", "dead chip", "chip drops out"]))
    s = setup(rng, coil="coil" in how or "turns" in how, cam=0.7)
    good_readings(s, 0.6)
    s.note = how
    if how == "open coil":
        s.readings["resistance_ohm"] = OL if s.maybe(0.7) else float(rng.uniform(2e4, 9e5))
        s.readings.pop("resistance_hot_ohm", None)
        s.readings.pop("cranking_ac_v", None)
        silent_from(s, 1 - s.sensor.falls_to, "sensor", how)  # type: ignore[union-attr]
        code(s, 0.7, "P0335")
    elif how == "hot coil":
        s.readings["resistance_hot_ohm"] = OL
        spans = tuple((t, t + float(rng.uniform(0.2, 1.5))) for t in rng.uniform(8, s.seconds, 4))
        s.faults.append(Held(spans, 1 - s.sensor.falls_to, "sensor", how))  # type: ignore[union-attr]
        s.complaint.append("stall")
        code(s, 0.7, "P0335", "P0339")
    elif how == "shorted turns":
        s.readings["resistance_ohm"] = float(rng.uniform(20, 120))
        s.readings.pop("resistance_hot_ohm", None)
        s.readings["cranking_ac_v"] = float(rng.uniform(0.1, 0.35))
        s.sensor = replace(s.sensor, volts=float(rng.uniform(0.03, 0.06)))  # type: ignore[type-var]
        s.complaint.append("hard start")
        code(s, 0.6, "P0335", "P0336")
    elif how == "dead chip":
        level = int(rng.integers(2))
        s.readings.update(feed_v=5.0, ground_drop_v=0.02, unplugged_v=float(rng.uniform(4.85, 5.05)))
        volts = 4.95 if level else 0.15
        s.readings.update(signal_low_v=volts, signal_high_v=volts)
        if s.maybe(0.7):
            s.readings["wire_ohm"] = 0.4
        silent_from(s, level, "sensor", how)
        code(s, 0.7, "P0335", "P0338" if level else "P0337")
    else:
        level = int(rng.integers(2))
        s.readings.update(feed_v=5.0, ground_drop_v=0.02, unplugged_v=5.0, wire_ohm=0.4)
        s.feed = True
        spans = tuple((t, t + float(rng.lognormal(np.log(0.1), 1.0))) for t in np.sort(rng.uniform(6, s.seconds, 8)))
        s.faults.append(Held(spans, level, "sensor", how))
        s.wiggled = {"plug": "quiet", "loom": "quiet", "bulkhead": "quiet"}
        s.complaint.append("stall")
        s.readings["signal_low_v"], s.readings["signal_high_v"] = (
            float(rng.uniform(0.6, 1.6)), float(rng.uniform(4.8, 5.0))
        )  # fmt: skip
        code(s, 0.7, "P0335", "P0339")
    return finish(s)


def signal_open(rng: Rng) -> Case:
    s = setup(rng, cam=0.7)
    good_readings(s, 0.6)
    s.measured_at = "control unit"
    silent_from(s, 1, "signal", "open")
    s.readings["wire_ohm"] = OL if s.maybe(0.8) else float(rng.uniform(1e3, 1e6))
    if not s.coil:
        s.readings["unplugged_v"] = float(rng.uniform(0.0, 0.3))
        volts = float(rng.uniform(4.8, 5.05))
        s.readings.update(signal_low_v=volts, signal_high_v=volts)
    else:
        s.readings["cranking_ac_v"] = float(rng.uniform(0.0, 0.03))
        if s.maybe(0.7):  # through the open wire
            s.readings["resistance_ohm"] = OL
        s.readings.pop("resistance_hot_ohm", None)
    code(s, 0.8, "P0335", "P0335", "P0338")
    return finish(s)


def signal_short_ground(rng: Rng) -> Case:
    s = setup(rng, cam=0.7)
    good_readings(s, 0.6)
    silent_from(s, 0, "signal", "short")
    s.readings["wire_ohm"] = float(rng.uniform(0.1, 1.0))
    if s.coil:
        s.readings["insulation_ohm"] = float(rng.uniform(0.1, 500))
        if s.readings.setdefault("resistance_ohm", 800.0) == 800.0:
            s.readings.pop("resistance_hot_ohm", None)
        s.readings["cranking_ac_v"] = float(rng.uniform(0.0, 0.05))
    else:
        s.readings["unplugged_v"] = float(rng.uniform(0.0, 0.1))
        low = float(rng.uniform(0.0, 0.1))
        s.readings.update(signal_low_v=low, signal_high_v=low + 0.01)
    code(s, 0.8, "P0337", "P0337", "P0335")
    return finish(s)


def signal_short_feed(rng: Rng) -> Case:
    s = setup(rng, coil=False, cam=0.7)
    good_readings(s, 0.6)
    silent_from(s, 1, "signal", "short")
    volts = float(s.pick(12.4, 12.4, 8.0)) * float(rng.uniform(0.98, 1.02))
    s.readings.update(unplugged_v=volts, signal_low_v=volts, signal_high_v=volts, wire_ohm=0.3)
    code(s, 0.8, "P0338", "P0338", "P0335")
    return finish(s)


def feed_or_ground(rng: Rng) -> Case:
    s = setup(rng, coil=False, cam=0.6, feed=0.8)
    good_readings(s, 0.5)
    falls = int(rng.integers(3, 12))
    begin = np.sort(rng.uniform(3, s.seconds, falls))
    spans = tuple((float(t), float(t + rng.lognormal(np.log(0.08), 1.0))) for t in begin)
    level = int(rng.integers(2))
    if s.feed:
        s.faults.append(FeedSag(spans, level))
    else:
        s.faults.append(Held(spans, level, "ground", "ground"))
        s.readings["ground_drop_v"] = float(rng.uniform(0.3, 2.0))
    if s.cam is not None:
        s.cam = replace(s.cam, faults=(Held(spans, level, "feed", "shared feed"),))
    if s.maybe(0.5):
        s.readings["feed_v"] = float(rng.uniform(2.0, 4.5))
    s.complaint.append(str(s.pick("stall", "no start", "hard start")))
    code(s, 0.4, "P0335", "P0337", "P0339")
    code(s, 0.3, "P0641", "P0642", "P0651")
    return finish(s)


def intermittent_wiring(rng: Rng) -> Case:
    s = setup(rng)
    good_readings(s, 0.5)
    s.phases = [Phase("rest", 6.0), *s.phases[1:]]
    rest = ((0.5, 5.5),) if s.maybe(0.6) else ()
    spans = (*rest, *((float(t), float(t) + 2.0) for t in np.sort(rng.uniform(8, s.seconds - 2, 4))))
    s.faults.append(Chatter(spans, per_s=float(rng.uniform(1, 5)), level=int(rng.random() < 0.8)))
    if s.maybe(0.6):
        s.wiggled = {"plug": "confirmed", "loom": "quiet"}
    s.complaint.append(str(s.pick("stall", "warning lamp", "hard start")))
    code(s, 0.6, "P0339", "P0339", "P0335", "P0336")
    return finish(s)


def weak_signal(rng: Rng) -> Case:
    s = setup(rng, coil=True)
    good_readings(s, 0.6)
    if "resistance_ohm" not in s.readings:
        s.readings["resistance_ohm"] = float(rng.uniform(300, 1400))
        s.readings.pop("resistance_hot_ohm", None)
    volts = float(rng.uniform(0.012, 0.035))
    s.sensor = replace(s.sensor, volts=volts, gap_mm=float(rng.uniform(0.9, 1.3)))  # type: ignore[type-var]
    s.phases = [*s.phases, Phase("fire", 3.0, 2500.0), Phase("fire", 4.0, 2500.0)]
    if s.maybe(0.7):
        s.readings["cranking_ac_v"] = float(rng.uniform(0.08, 0.4))
    else:
        s.readings.pop("cranking_ac_v", None)
    s.complaint.append(str(s.pick("hard start", "no start")))
    code(s, 0.5, "P0335", "P0336", "P0339")
    return finish(s)


def reversed_polarity(rng: Rng) -> Case:
    s = setup(rng, coil=True)
    good_readings(s, 0.5)
    s.sensor = replace(s.sensor, reversed=True)  # type: ignore[type-var]
    s.card_wheel = s.wheel
    s.complaint.append(str(s.pick("no start", "hard start", "low power")))
    code(s, 0.6, "P0336", "P0335", "P0016")
    return finish(s)


# ---- the wheel


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


# ---- cam and engine


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


AILMENTS: dict[str, Callable[[Rng], Case]] = {
    "sensor": sensor,
    "signal_open": signal_open,
    "signal_short_ground": signal_short_ground,
    "signal_short_feed": signal_short_feed,
    "feed_or_ground": feed_or_ground,
    "intermittent_wiring": intermittent_wiring,
    "weak_signal": weak_signal,
    "reversed_polarity": reversed_polarity,
    "wheel_tooth": wheel_tooth,
    "wheel_runout": wheel_runout,
    "wheel_slip": wheel_slip,
    "wrong_wheel": wrong_wheel,
    "interference": interference,
    "cam_sensor": cam_sensor,
    "cam_timing": cam_timing,
    "cam_phaser": cam_phaser,
    "misfire": misfire,
    "low_compression": low_compression,
}
