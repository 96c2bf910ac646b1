"""From a case to findings: the whole way a recording takes, with every check there is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from toothwise.causes.findings import Findings, from_json
from toothwise.causes.job import Job, from_dict
from toothwise.checks.cylinders import CylinderCheck
from toothwise.checks.engine import EngineMeasures
from toothwise.checks.measures import Measures
from toothwise.edges.signal import Recording
from toothwise.examine import Examination
from toothwise.wheel.catalogue import wheel
from toothwise.wheel.pattern import Wheel

from tests.campaign.ailments import Case


def examined(case: Case) -> Findings:
    """What the whole pipeline finds in a case, together with its card."""
    job = from_dict(case.card)
    recording = case.made.recording
    reference: Sequence[float] = ()
    if case.reference is not None:
        _, before = measured(case.reference.recording, wheel(case.wheel), case, job)
        reference = before.cam_edges.edges_deg()[0].tolist()
    seen = seen_wheel(recording)
    report, _ = measured(recording, wheel(case.wheel) if seen is None else seen, case, job, reference)
    report["wheel"]["identified"] = seen is not None
    report["places"] = [{"place": p, "stands": s} for p, s in case.wiggled.items()]
    return from_json(report, job)


def seen_wheel(recording: Recording) -> Wheel | None:
    """What the signal itself says of the wheel."""
    examination = Examination(recording.clock, recording.channels)
    for batch in recording.batches():
        examination.feed(batch)
    examination.finish()
    return examination.wheel


def measured(
    recording: Recording, of: Wheel, case: Case, job: Job, reference: Sequence[float] = ()
) -> tuple[dict[str, Any], Measures]:
    """The examination's object for machines with all measures in it."""
    clock = recording.clock
    measures = Measures(of, clock, cam_reference_deg=reference)
    cylinders = CylinderCheck(of, clock, case.cylinders, tooth_error_deg=job.reference.tooth_error_deg or None)
    engine = EngineMeasures(measures, cylinders, clock)
    cam_wheel = wheel(case.cam_wheel) if case.cam_wheel else None
    examination = Examination(recording.clock, recording.channels, of, cam_wheel=cam_wheel)
    for batch in recording.batches():
        for channel, edges in batch.edges.items():
            engine.feed_edges(channel, edges)
        examination.feed(batch)
        for channel, teeth in examination.latest:
            engine.feed(channel, teeth)
    report = examination.finish().as_json()
    for channel, teeth in examination.latest:
        engine.feed(channel, teeth)
    report["measures"] += [m.as_json() for m in engine.finish()]
    return report, measures
