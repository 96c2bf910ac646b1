"""From a case to findings: the whole way a recording takes, with every check there is."""

from __future__ import annotations

import numpy as np

from tests.campaign.ailments import Case
from toothwise.causes.findings import Findings, from_json
from toothwise.causes.job import Job, from_dict
from toothwise.checks.cam_moves import CamMoves
from toothwise.checks.cylinders import CylinderCheck
from toothwise.checks.wheel_error import WheelError
from toothwise.edges.signal import Recording
from toothwise.examine import Examination, examine
from toothwise.records import Measure
from toothwise.track.teeth import Teeth
from toothwise.wheel.catalogue import wheel
from toothwise.wheel.pattern import Wheel


class _Errors:
    def __init__(self, of: Wheel, clock: object) -> None:
        self.learn = WheelError(of, clock)

    def feed(self, channel: str, teeth: Teeth) -> None:
        if channel == "crank":
            self.learn.add(teeth)

    def finish(self) -> list[Measure]:
        return self.learn.measures()


def examined(case: Case) -> Findings:
    job = from_dict(case.card)
    recording = case.made.recording
    seen = seen_wheel(recording)
    report, moves = measured(recording, wheel(case.wheel) if seen is None else seen, case, job)
    if case.reference is not None and moves is not None:
        _, before = measured(case.reference.recording, wheel(case.wheel), case, job)
        shift = shift_between(moves, before)
        if shift is not None:
            report["measures"].append(shift.as_json())
    report["wheel"]["identified"] = seen is not None
    report["places"] = [{"place": p, "stands": s} for p, s in case.wiggled.items()]
    return from_json(report, job)


def seen_wheel(recording: Recording) -> Wheel | None:
    examination = Examination(recording.clock, recording.channels)
    for batch in recording.batches():
        examination.feed(batch)
    examination.finish()
    return examination.wheel


def measured(recording: Recording, of: Wheel, case: Case, job: Job):
    clock = recording.clock
    cylinders = CylinderCheck(of, clock, case.cylinders, tooth_error_deg=job.reference.tooth_error_deg or None)
    moves = CamMoves(of, clock) if case.cam_wheel else None
    checks = [cylinders, _Errors(of, clock), *([moves] if moves else [])]
    result = examine(recording, of, cam_wheel=wheel(case.cam_wheel) if case.cam_wheel else None, checks=checks)
    return result.as_json(), moves


def shift_between(now: CamMoves, before: CamMoves) -> Measure | None:
    """How late the cam is against another recording; which turn begins the cycle may differ."""
    places = [m.places() for m in (now, before)]
    both = sorted(set(places[0]) & set(places[1]))
    if not both:
        return None
    apart = np.array([places[0][k] - places[1][k] for k in both])
    turned = [(apart + turn + 360.0) % 720.0 - 360.0 for turn in (0.0, 360.0)]
    best = min(turned, key=lambda d: abs(np.median(d)))
    return Measure("cam_shift", float(np.median(best)), "deg", 0.2, {"channel": "crank"})
