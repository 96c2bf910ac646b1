"""From a case to findings: the way that `examine --job` takes, with every check there is."""

from __future__ import annotations

from typing import Any

from toothwise.causes.findings import Findings, from_json
from toothwise.causes.job import Job, from_dict
from toothwise.edges.signal import Recording
from toothwise.examine import examine
from toothwise.examine.explain import measures_for
from toothwise.wheel.catalogue import wheel
from toothwise.wheel.pattern import Wheel

from tests.campaign.ailments.setup import Case


def examined(case: Case) -> Findings:
    """What the whole pipeline finds in a case, together with its card."""
    card = dict(case.card)
    if case.reference is not None:
        before = measured(case.reference.recording, case, from_dict(card), wheel(case.wheel))
        edges = [m["value"] for m in before["measures"] if m["name"] == "cam_edge"]
        card["reference"] = {**card["reference"], "cam_edges_deg": edges}
    job = from_dict(card)
    named = wheel(job.sensor.wheel) if job.sensor.wheel else None
    report = measured(case.made.recording, case, job, otherwise=named)
    if report["wheel"]["name"] is None:  # neither the signal nor the card says: the user does
        report = measured(case.made.recording, case, job, wheel(case.wheel))
    report["places"] = [{"place": p, "stands": s} for p, s in case.wiggled.items()]
    return from_json(report, job)


def measured(
    recording: Recording, case: Case, job: Job, of: Wheel | None = None, otherwise: Wheel | None = None
) -> dict[str, Any]:
    """The examination's object for machines, with all measures in it."""
    cam_wheel = wheel(case.cam_wheel) if case.cam_wheel else None
    result = examine(recording, of, otherwise=otherwise, cam_wheel=cam_wheel, checks=measures_for(job))
    return result.as_json()
