"""`toothwise demo --wiggle`: a guided wiggle test on the virtual rig, with a made engine and a bad bulkhead grommet."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from toothwise.wiggle.guide import Step, steps
from toothwise.wiggle.harness import Harness, Spot

if TYPE_CHECKING:
    from toothwise.model.made import Made

HARNESS = Harness(
    "Brindle 1.4",
    (
        Spot("sensor connector", "push, pull and turn the plug"),
        Spot("first clip", "bend on both sides of it"),
        Spot("bulkhead", "press the grommet in and out"),
        Spot("control unit", "push, pull and turn the plug"),
    ),
    quiet_s=8.0,
    wiggle_s=3.0,
    moving_s=2.0,
    wiggles=3,
)
BAD = "bulkhead"
STORY = """
The car and its fault are made up: on the Brindle 1.4 of Quarry Bank Garage the engine starts and idles, and the
signal wire lets go in the bulkhead whenever it is moved there. Nobody pressed a key: time alone led through the places.
"""
SEED = 21
HAND_S = 0.3
"""How much later than it was told to, the hand of the demo begins and ends."""


def timed(plan: list[Step]) -> list[tuple[Step, float, float]]:
    """Each step with its beginning and end in seconds, where time alone moves on."""
    out, now = [], 0.0
    for step in plan:
        out.append((step, now, now + step.seconds))
        now += step.seconds
    return out


def made() -> Made:
    """The demo's recording, the same every time, and the truth about it."""
    import numpy as np

    from toothwise.model import drive
    from toothwise.model.engine import healthy
    from toothwise.model.faults import Chatter
    from toothwise.model.made import Scenario, make
    from toothwise.model.wheel import MadeWheel
    from toothwise.wheel import catalogue

    rng = np.random.default_rng(SEED)
    plan = timed(steps(HARNESS))
    spans = tuple((a + HAND_S, b) for step, a, b in plan if step.place == BAD)
    scenario = Scenario(
        MadeWheel(catalogue.wheel("60-2")),
        drive.run(healthy(4), drive.start(idle_s=plan[-1][2]), rng),
        faults=(Chatter(spans, per_s=1.2),),
        feed=True,
    )
    return make(scenario, rng)


def run(args: argparse.Namespace) -> int:
    """The whole test; exit code 0 when the chain worked."""
    from toothwise.commands.demo import demo_book
    from toothwise.commands.wiggle_sessions import guided_on
    from toothwise.link import open_rig

    recording = made().recording
    with (
        demo_book(args.keep) as book,
        open_rig("virtual", edges=recording.batches(), tick_hz=round(1e9 / recording.clock.tick_ns)) as rig,
    ):
        code = guided_on(args, book, rig, HARNESS)
    if not args.json:
        from toothwise.show.screen import Look

        print("\n" + "\n".join(Look(sys.stdout).wrapped(" ".join(STORY.split()))))
    return code if code == 130 else 0
