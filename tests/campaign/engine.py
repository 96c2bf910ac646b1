"""Campaign for cylinders and cam: the figures that the causes rest on.

    python -m tests.campaign.engine [--cases 40] [--seed 1]

One weak cylinder at idle (-15 % work), on wheels with tooth errors of 0.1°; healthy engines beside them; the cam
moved by one sprocket tooth, a chain stretched by 5°, and healthy drives whose cam wanders by 2°.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace

import numpy as np
from toothwise.causes.job import from_dict
from toothwise.causes.signs import look
from toothwise.causes.weigh import weigh
from toothwise.model.drive import idle
from toothwise.model.engine import healthy
from toothwise.model.made import Cam
from toothwise.model.wheel import MadeWheel, machined
from toothwise.wheel.catalogue import wheel

from tests.campaign.ailments.engine import well_before
from tests.campaign.ailments.setup import CAMS, Case, Setup, finish, setup
from tests.campaign.pipeline import examined, measured

Rng = np.random.Generator
WHEELS = ("60-2", "36-1", "60-2", "24-1", "48-2")


def idling(rng: Rng, cylinders: int, weak: int | None) -> Setup:
    """60 s of idle at 800 rpm; each tooth out by 0.1° rms, any variation from cycle to cycle a healthy engine has."""
    s = setup(rng, coil=False, cam=0.0, feed=0.0)
    s.wheel = str(rng.choice(WHEELS))
    teeth = wheel(s.wheel).teeth
    s.made = MadeWheel(wheel(s.wheel), error_deg=tuple(rng.normal(0, 0.1, teeth).tolist()))
    strength = tuple(0.85 if slot == weak else 1.0 for slot in range(cylinders))
    s.engine = replace(
        healthy(cylinders), strength=strength, variation=float(rng.uniform(0.03, 0.12)),
        first_tdc_deg=float(rng.uniform(60, 120)),
    )  # fmt: skip
    s.phases = idle(60.0)
    return s


def named(case: Case) -> list[float]:
    """Crank angles, modulo a turn, of the cylinders called weak."""
    report = measured(case.made.recording, case, from_dict(case.card), wheel(case.wheel))
    return [m["angle_deg"] % 360 for m in report["measures"] if m["name"] == "cylinder_work" and m["weak"]]


def weak_cylinders(seed: int, cases: int) -> list[str]:
    lines = []
    for cylinders in (4, 6):
        right = wrong = none = false = 0
        for number in range(cases):
            rng = np.random.default_rng([seed, cylinders, number])
            slot = int(rng.integers(cylinders))
            s = idling(rng, cylinders, slot)
            found = named(finish(s))
            true = s.engine.first_tdc_deg + slot * 720.0 / cylinders
            near = [abs((a - true + 180) % 360 - 180) < 180 / cylinders for a in found]
            right += near == [True]
            none += not near
            wrong += bool(near) and near != [True]
            false += bool(named(finish(idling(np.random.default_rng([seed, cylinders, number, 1]), cylinders, None))))
        lines.append(
            f"{cylinders} cylinders, one at -15 %: right slot {right} of {cases}, wrong {wrong}, none {none}; "
            f"healthy: named in {false} of {cases}"
        )
    return lines


def cam_case(rng: Rng, shift_deg: float, wander_deg: float) -> Case:
    s = setup(rng, cam=0.0, feed=0.0)
    name = str(rng.choice(CAMS))
    made = machined(wheel(name), rng, error_deg=0.1, runout_deg=0.1)
    times = np.arange(0.0, s.seconds, 0.5)
    wave = wander_deg / 2 * np.sin(times / rng.uniform(0.3, 5.0) + rng.uniform(0, 6)) * made.turn_deg / 720.0
    s.cam = Cam(
        replace(made, moved=tuple(zip(times.tolist(), wave.tolist(), strict=True))), float(rng.uniform(10, 300))
    )
    before = well_before(s)
    s.cam = replace(s.cam, behind_deg=s.cam.behind_deg + shift_deg)
    return replace(finish(s), reference=before)


def cams(seed: int, cases: int) -> list[str]:
    jumped = stretched = healthy_named = 0
    for number in range(cases):
        rng = np.random.default_rng([seed, 77, number])
        jump = 360.0 / rng.integers(18, 25) * rng.choice([-1, 1])
        jumped += weigh(examined(cam_case(rng, float(jump), 1.0)))[0].cause == "cam_timing"
        stretched += weigh(examined(cam_case(rng, 5.0, 1.0)))[0].cause == "cam_timing"
        seen = look(examined(cam_case(rng, 0.0, 2.0)))
        healthy_named += any(s.sign == "cam_place" and s.outcome != "in place" for s in seen)
    return [
        f"cam moved one sprocket tooth: cam_timing first {jumped} of {cases}",
        f"chain stretched by 5°: cam_timing first {stretched} of {cases}",
        f"healthy cam wandering by 2°: out of place {healthy_named} of {cases}",
    ]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--part", choices=("cylinders", "cam"), action="append")
    args = parser.parse_args()
    for part, run in (("cylinders", weak_cylinders), ("cam", cams)):
        if not args.part or part in args.part:
            print("\n".join(run(args.seed, args.cases)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
