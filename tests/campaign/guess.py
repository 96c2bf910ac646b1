"""Identifying a wheel from three turns of cranking."""

from __future__ import annotations

import numpy as np
from toothwise.edges.signal import Clock, Edges
from toothwise.model.made import Scenario, make
from toothwise.model.motion import Motion
from toothwise.model.profiles import steady
from toothwise.wheel import catalogue

from tests.campaign.cases import Spec, course, depth_at, made_wheel, recorder, sensor, swings

TURNS = 3


def three_turns(wheel_name: str, seed: int, number: int) -> tuple[Edges, Clock]:
    """A healthy cranking signal cut to three turns of the wheel, begun anywhere."""
    rng = Spec("guess", wheel_name, "cranking", seed, number).rng()
    wheel = catalogue.wheel(wheel_name)
    rpm = float(rng.uniform(60, 300))
    way = (
        course("cranking", rng)[0]
        if rng.random() < 0.4
        else steady(rpm, 12, start_deg=rng.uniform(0, 720), swings=swings(depth_at(rpm) * rng.uniform(0.3, 1.0), rng))
    )
    motion = way if isinstance(way, Motion) else way.motion
    begin = float(motion.angle_at(np.array([rng.uniform(0.35, 0.6) * motion.end_s]))[0]) + rng.uniform(0, 360)
    kind = recorder(rng)
    made = make(Scenario(made_wheel(wheel, rng), way, sensor(wheel, rng), recorder=kind), rng)
    spin = max(motion.spins, key=lambda s: s.last - s.first)
    start, end = motion.times_in(spin, np.array([begin, begin + TURNS * 360.0]))
    edges = made.recording.edges["crank"]
    low, high = np.searchsorted(edges.ticks * kind.tick_ns * 1e-9, (start, end))
    return Edges(edges.ticks[low:high], edges.levels[low:high]), made.recording.clock


def guess(wheel_name: str, seed: int, number: int) -> str:
    """ "right", "undecided" or "wrong"."""
    from toothwise.wheel.identify import identify

    found = identify(*three_turns(wheel_name, seed, number)).wheel
    if found is None:
        return "undecided"
    return "right" if found.name == wheel_name else "wrong"
