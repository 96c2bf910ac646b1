"""Made sensors on a made bench, with the truth beside them: good ones, six ways of being bad, and borderline ones."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from toothwise.bench import limits as limits_file
from toothwise.bench.limits import Limits
from toothwise.edges.signal import Clock, Edges, Held
from toothwise.model.line import Line
from toothwise.model.motion import Motion
from toothwise.model.recorder import Capture
from toothwise.model.sensor import Hall
from toothwise.model.wheel import MadeWheel, machined
from toothwise.wheel import catalogue

TICK_NS = 16.0
WHEEL = catalogue.wheel("60-2")
MOUNT_DEG = 1.5
"""From the master to the sensor: less than a pitch."""
MASTER_JITTER_DEG = 0.005

LIMITS = """
name = "made sensors"
status = "set"
kind = "hall"
wheel = "60-2"
timing_edge = "rising"
source = "invented, for made sensors"
[sequence]
confidence = 0.95
fault_rate = 0.03
[measure.lowest_full_count]
high = 50
unit = "rpm"
source = "invented"
[measure.missing]
high = 0
unit = "teeth"
source = "invented"
[measure.extra]
high = 0
unit = "edges"
source = "invented"
[measure.duty]
low = 0.4
high = 0.6
unit = ""
source = "invented"
[measure.jitter]
high = 0.05
unit = "deg rms"
source = "invented"
[measure.edge_position]
low = -0.5
high = 0.5
unit = "deg"
source = "invented"
"""


def made_limits(**changes: str) -> Limits:
    """The limits above; changes: `old text` replaced, for instance fault_rate="0.01"."""
    text = LIMITS
    for key, value in changes.items():
        text = "\n".join(f"{key} = {value}" if line.startswith(f"{key} = ") else line for line in text.split("\n"))
    return limits_file.parse(text, "made limits")


@dataclass(frozen=True, slots=True)
class MadeSensor:
    """offset_deg: how late all edges are. wakes_rpm: sees nothing below. drops, extras: a revolution, at random."""

    offset_deg: float = 0.0
    jitter_deg: float = 0.01
    duty: float = 0.5
    wakes_rpm: float = 0.0
    drops: float = 0.0
    extras: float = 0.0


def run_up(rng: np.random.Generator, dwell_turns: int = 110, rpm: float = 3000.0, walk: float = 0.0005) -> Motion:
    """Three turns at 25 rpm, 10 % faster each turn to 100 rpm, then 25 % to the dwell's speed; uneven a little."""
    step = 3.0
    per_turn = round(360.0 / step)
    slow = np.full(3 * per_turn, np.log(25.0))
    growth = np.log(25.0) + np.log(1.10) * np.arange(1, round(np.log(4.0) / np.log(1.10) * per_turn)) / per_turn
    rest = (
        growth[-1] + np.log(1.25) * np.arange(1, round((np.log(rpm) - growth[-1]) / np.log(1.25) * per_turn)) / per_turn
    )
    dwell = np.full(dwell_turns * per_turn, np.log(rpm))
    log_rpm = np.concatenate([slow, growth, rest, dwell])
    knots = rng.normal(0.0, walk, len(log_rpm) // per_turn + 2)
    log_rpm = log_rpm + np.interp(np.arange(len(log_rpm)) / per_turn, np.arange(len(knots)), knots)
    return Motion.of_speeds(np.arange(len(log_rpm)) * step, 6.0 * np.exp(log_rpm), start_s=0.5)


def record(
    sensor: MadeSensor,
    rng: np.random.Generator,
    motion: Motion | None = None,
    *,
    master_jitter_deg: float = MASTER_JITTER_DEG,
) -> Held:
    """Sensor on crank, master on aux, on a wheel with errors of its own. The timing edge rises."""
    motion = motion or run_up(rng)
    made = machined(WHEEL, rng)
    lines = {
        "crank": _sensed(sensor, replace(made, duty=sensor.duty), motion, rng),
        "aux": Hall(active=1, jitter_deg=master_jitter_deg).sense(made, motion, rng)[0],
    }
    capture = Capture(TICK_NS)
    edges: dict[str, Edges] = {name: capture.record(line.cut(motion.end_s), rng) for name, line in lines.items()}
    return Held(Clock(TICK_NS), edges, int(motion.end_s / (TICK_NS * 1e-9)) + 1)


def _sensed(sensor: MadeSensor, made: MadeWheel, motion: Motion, rng: np.random.Generator) -> Line:
    late = motion.geared(1.0, MOUNT_DEG + sensor.offset_deg)
    line, _ = Hall(active=1, jitter_deg=sensor.jitter_deg).sense(made, late, rng)
    if line.levels[0] == 0:
        line = Line(line.t_s[1:], line.levels[1:], 0)
    rises, falls = line.t_s[0::2], line.t_s[1::2]
    rises = rises[: len(falls)]
    turns = len(rises) / made.wheel.teeth
    keep = motion.speed_at(rises) / 6.0 > sensor.wakes_rpm * (1 + rng.normal(0.0, 0.01, len(rises)))
    keep[rng.integers(0, len(rises), rng.poisson(sensor.drops * turns))] = False
    rises, falls = rises[keep], falls[keep]
    at = rng.integers(0, len(rises) - 1, rng.poisson(sensor.extras * turns))
    gap = rises[at + 1] - falls[at]
    more = falls[at] + gap * rng.uniform(0.2, 0.5, len(at))
    width = gap * rng.uniform(0.02, 0.2, len(at))
    times = np.concatenate([rises, falls, more, more + width])
    levels = np.concatenate([np.ones(len(rises)), np.zeros(len(falls)), np.ones(len(at)), np.zeros(len(at))])
    order = np.argsort(times, kind="stable")
    return Line(times[order], levels[order].astype(np.uint8), 0)


def good(rng: np.random.Generator) -> MadeSensor:
    """Well inside every limit, as a process in control makes them."""
    return MadeSensor(
        offset_deg=float(np.clip(rng.normal(0.0, 0.12), -0.35, 0.35)),
        jitter_deg=float(rng.uniform(0.004, 0.035)),
        duty=float(np.clip(rng.normal(0.5, 0.02), 0.43, 0.57)),
        wakes_rpm=float(rng.uniform(0.0, 36.0)),
    )


WAYS = ("weak", "shaky", "displaced", "dropping", "noisy", "misshapen")


def bad(way: str, rng: np.random.Generator, fault_rate: float) -> MadeSensor:
    """Good but for one thing. Dropping and noisy ones have faults at three to thirty times the stated rate."""
    sign = float(rng.choice([-1.0, 1.0]))
    often = fault_rate * float(np.exp(rng.uniform(np.log(3.0), np.log(30.0))))
    changes = {
        "weak": {"wakes_rpm": float(rng.uniform(60.0, 200.0))},
        "shaky": {"jitter_deg": float(rng.uniform(0.06, 0.25))},
        "displaced": {"offset_deg": sign * float(rng.uniform(0.6, 2.0))},
        "dropping": {"drops": often},
        "noisy": {"extras": often},
        "misshapen": {"duty": 0.5 + sign * float(rng.uniform(0.12, 0.25))},
    }
    return replace(good(rng), **changes[way])
