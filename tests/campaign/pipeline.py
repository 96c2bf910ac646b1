"""From a case to findings: the way that `examine --job` takes, with every check there is."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from toothwise.causes.findings import Findings, from_json
from toothwise.causes.job import Job, from_dict
from toothwise.causes.known_good import with_reference
from toothwise.edges.signal import Recording
from toothwise.errors import FileTrouble
from toothwise.examine import examine
from toothwise.examine.explain import by_card
from toothwise.wheel.catalogue import wheel
from toothwise.wheel.pattern import Wheel

from tests.campaign.ailments.setup import Case


def examined(case: Case) -> Findings:
    """What the whole pipeline finds in a case, together with its card."""
    job = from_dict(case.card)
    if case.reference is not None:
        with suppress(FileTrouble):  # a recording with faults is no reference
            job = with_reference(job, measured(case.reference.recording, case, job, wheel(case.wheel)))
    report = measured(case.made.recording, case, job)
    if report["wheel"]["name"] is None:  # neither the signal nor the card says: the user does
        report = measured(case.made.recording, case, job, wheel(case.wheel))
    report["places"] = [{"place": p, "stands": s} for p, s in case.wiggled.items()]
    return from_json(report, job)


def measured(recording: Recording, case: Case, job: Job, of: Wheel | None = None) -> dict[str, Any]:
    """The examination's object for machines, with all measures in it."""
    cam_wheel = wheel(case.cam_wheel) if case.cam_wheel else None
    return examine(recording, of, cam_wheel=cam_wheel, **by_card(job)).as_json()
