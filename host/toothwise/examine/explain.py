"""What `examine`, `watch` and `demo` all measure, and the causes that it speaks for and against."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toothwise.checks.cylinders import CylinderCheck
from toothwise.checks.engine import EngineMeasures
from toothwise.checks.measures import Measures
from toothwise.edges.signal import Clock
from toothwise.examine.examination import Check, MakeCheck
from toothwise.examine.result import Result
from toothwise.wheel.pattern import Wheel

if TYPE_CHECKING:
    from toothwise.causes.job import Job


def job_of(path: str | None) -> Job:
    """The job card in a file; an empty one without. Raises FileTrouble."""
    from toothwise.causes import job

    return job.Job() if path is None else job.load(Path(path))


def measures_for(job: Job) -> list[MakeCheck]:
    """The checks of an examination."""

    def make(wheel: Wheel, clock: Clock, crank: str) -> Check:
        engine, cylinders = job.vehicle, None
        measures = Measures(
            wheel, clock, crank=crank, cam_reference_deg=job.reference.cam_edges_deg, cylinders=engine.cylinders
        )
        if engine.cylinders is not None:
            cylinders = CylinderCheck(
                wheel,
                clock,
                engine.cylinders,
                firing_order=engine.firing_order,
                tdc1_deg=engine.tdc1_deg,
                tooth_error_deg=job.reference.tooth_error_deg or None,
                channel=crank,
            )
        return EngineMeasures(measures, cylinders, clock)

    return [make]


def by_card(job: Job) -> dict[str, Any]:
    """What an examination takes from a card: settings of `Examination` besides clock, channels and wheel.

    Of a sensor with a chip either edge marks a tooth; then the one that the reference was taken by does.
    """
    from toothwise.wheel import catalogue

    chip = job.sensor.kind not in ("", "variable_reluctance")
    return {
        "otherwise": catalogue.wheel(job.sensor.wheel) if job.sensor.wheel else None,
        "timing_level": job.reference.timing_level if chip else None,
        "checks": measures_for(job),
    }


def explain(result: Result, job: Job) -> None:
    """Weigh the causes on what was found and on the job card, and put them into the result."""
    from toothwise.causes.findings import from_json
    from toothwise.causes.weigh import causes

    result.job = job_json(job)
    result.causes = causes(from_json(result.as_json(), job))


def job_json(job: Job) -> dict[str, Any] | None:
    """The card as JSON, which has no infinity: a reading over range is "OL", as on the meter. None for an empty one."""
    from toothwise.causes.job import Job, to_dict

    if job == Job():
        return None
    card = to_dict(job)
    readings = card.get("readings", {})
    card["readings"] = {name: "OL" if value == math.inf else value for name, value in readings.items()}
    return card
