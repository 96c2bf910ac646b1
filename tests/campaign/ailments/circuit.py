"""Faults of the crank sensor's own circuit: sensor, wires, feed, and a signal that is weak or swapped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from toothwise.model.drive import Phase
from toothwise.model.faults import Chatter, FeedSag, Held

from tests.campaign.ailments.setup import (
    OL,
    Case,
    Rng,
    Setup,
    code,
    finish,
    good_readings,
    setup,
)


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
