"""The front door: a scenario in, a recording and the truth about it out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from toothwise.edges.signal import Clock, Edges, Held
from toothwise.model.drive import Drive
from toothwise.model.faults import Fault, FaultMaker, Scene
from toothwise.model.line import Line, disjoint
from toothwise.model.motion import Floats, Motion
from toothwise.model.recorder import Capture, Interrupts
from toothwise.model.sensor import Coil, Hall, TrueTeeth
from toothwise.model.wheel import MadeWheel
from toothwise.wheel.pattern import Wheel

LINE_V = (0.2, 4.9)
"""A switching sensor's low and high on a pull-up to 5 V. Good is below 0.4 to 0.5 V, and within 0.3 V of the pull-up:
common practice, no source."""


@dataclass(frozen=True, eq=False)
class Cam:
    """A cam wheel driven at half the crank's speed.

    behind_deg: crank degrees from the crank's angle 0 to the cam's tooth 1. `made.moved` shifts it over time,
    in the pattern's own degrees: a phaser, a stretching chain, a belt that jumped.
    """

    made: MadeWheel
    behind_deg: float = 40.0
    sensor: Hall | Coil = field(default_factory=Hall)
    faults: tuple[FaultMaker, ...] = ()


@dataclass(frozen=True, eq=False)
class Scenario:
    """Everything a made recording is made of.

    drive: an engine's run or a bare motion. clock_start_s: what the recording's clock shows at its start.
    feed: record the feed channel even if it never falls. volts_hz: also sample the crank
    line's voltage so often.
    """

    made: MadeWheel
    drive: Drive | Motion
    sensor: Hall | Coil = field(default_factory=Hall)
    faults: tuple[FaultMaker, ...] = ()
    cam: Cam | None = None
    recorder: Capture | Interrupts = field(default_factory=Capture)
    clock_start_s: float = 0.0
    feed: bool = False
    volts_hz: float | None = None


@dataclass(frozen=True, eq=False)
class Truth:
    """What really happened. Times in seconds from the recording's tick 0.

    teeth: per channel, numbered as the records number them. faults: in order of time. clean: per channel, the
    line before any fault.
    """

    teeth: Mapping[str, TrueTeeth]
    faults: tuple[Fault, ...]
    clean: Mapping[str, Line]
    drive: Drive
    scenario: Scenario


@dataclass(frozen=True, eq=False)
class Made:
    """A recording, the voltage behind it when asked for, and the truth."""

    recording: Held
    truth: Truth
    volts: Floats | None = None
    volts_hz: float | None = None


def make(scenario: Scenario, rng: np.random.Generator) -> Made:
    """Play a scenario. The same scenario and generator state give the same recording."""
    drive = scenario.drive if isinstance(scenario.drive, Drive) else Drive(scenario.drive)
    motion = drive.motion
    crank = _scene("crank", scenario.made, motion, scenario.sensor, drive, rng)
    scenes = {"crank": crank}
    if scenario.cam is not None:
        cam = scenario.cam
        turned = motion.geared(cam.made.turn_deg / 720.0, cam.behind_deg)
        scenes["cam"] = _scene("cam", cam.made, turned, cam.sensor, drive, rng)
    clean = {name: scene.line for name, scene in scenes.items()}
    for name, scene in scenes.items():
        for fault in scenario.faults if name == "crank" else (scenario.cam.faults if scenario.cam else ()):
            fault.lay(scene)
    end_s = motion.end_s
    edges = {name: scenario.recorder.record(scene.line.cut(end_s), rng) for name, scene in scenes.items()}
    lows = [low for scene in scenes.values() for low in scene.feed_lows]
    if lows or scenario.feed:
        edges["feed"] = _feed(lows, end_s, scenario, rng)
    volts = _volts(scenario, crank, motion, rng) if scenario.volts_hz else None
    tick_ns = scenario.recorder.tick_ns
    held = Held(
        Clock(tick_ns, scenario.clock_start_s),
        edges,
        int(np.ceil(end_s / (tick_ns * 1e-9))) + 1,
        source=_source(scenario),
    )
    faults = sorted((f for scene in scenes.values() for f in scene.faults), key=lambda f: f.t_s)
    truth = Truth({n: s.teeth for n, s in scenes.items()}, tuple(faults), clean, drive, scenario)
    return Made(held, truth, volts, scenario.volts_hz)


def _volts(scenario: Scenario, scene: Scene, motion: Motion, rng: np.random.Generator) -> Floats:
    """A coil's own voltage, before any wiring fault; or a switch's line with all its faults."""
    assert scenario.volts_hz
    at = np.arange(int(motion.end_s * scenario.volts_hz)) / scenario.volts_hz
    if isinstance(scenario.sensor, Coil):
        return scenario.sensor.volts_at(scenario.made, motion, at, rng)
    low, high = LINE_V
    return np.asarray(np.where(scene.line.at(at) == 1, high, low) + rng.normal(0.0, 0.02, len(at)))


def _source(scenario: Scenario) -> dict[str, Any]:
    return {"made": True, "wheel": scenario.made.wheel.name, "sensor": type(scenario.sensor).__name__.lower()}


def _scene(
    name: str, made: MadeWheel, motion: Motion, sensor: Hall | Coil, drive: Drive, rng: np.random.Generator
) -> Scene:
    line, teeth = sensor.sense(made, motion, rng)
    active = sensor.active if isinstance(sensor, Hall) else sensor.falls_to
    teeth = numbered(teeth, made.wheel)
    scene = Scene(name, made.wheel, line, teeth, drive, active, rng)
    _note_wheel(scene)
    return scene


def numbered(teeth: TrueTeeth, wheel: Wheel) -> TrueTeeth:
    """Numbers as the records give them: revolution 0 begins with the first tooth 1 to pass; on a wheel with
    nothing to number it by, tooth 1 is the first tooth to pass."""
    if len(teeth) == 0:
        return teeth
    tooth, turn = teeth.tooth.astype(np.int64), teeth.revolution
    if unnumbered(wheel):
        place = turn * wheel.teeth + tooth - 1
        place = place - place[0]
        turn, tooth = place // wheel.teeth, place % wheel.teeth + 1
    else:
        ones = np.flatnonzero(tooth == 1)
        turn = turn - (turn[ones[0]] if len(ones) else turn[-1] + 1)
    return replace(teeth, tooth=tooth.astype(np.int32), revolution=np.maximum(turn, -1))


def unnumbered(wheel: Wheel) -> bool:
    """Whether all teeth look alike, so that only the recording's beginning can number them."""
    return wheel.teeth > 1 and wheel.symmetry == 1


def _note_wheel(scene: Scene) -> None:
    """Teeth the sensor never saw, run by run."""
    gone = np.flatnonzero(~scene.teeth.seen & ~scene.teeth.backwards)
    if len(gone) == 0:
        return
    starts = np.concatenate(([0], np.flatnonzero(np.diff(gone) > 1) + 1, [len(gone)]))
    for a, b in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True):
        scene.note_missing(int(gone[a]), b - a, 1 - scene.active, "wheel", "no tooth seen")


def _feed(lows: list[tuple[float, float]], end_s: float, scenario: Scenario, rng: np.random.Generator) -> Edges:
    """The feed channel: 1 while the feed is there."""
    spans = np.array(lows, float).reshape(-1, 2)
    starts, ends = disjoint(spans[:, 0], spans[:, 1])
    line = Line(np.empty(0), np.empty(0, np.uint8), 1).forced(starts, ends, 0)
    return scenario.recorder.record(line.cut(end_s), rng)
