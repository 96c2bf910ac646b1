"""What a recording of the vehicle when it was well leaves on the card, for later ones to be compared with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from toothwise.causes.job import Job, Reference
from toothwise.errors import FileTrouble
from toothwise.records import FAULT_KINDS


def with_reference(job: Job, report: Mapping[str, Any]) -> Job:
    """The card with cam edges, tooth errors and slowest angle of what `examine --json` printed.

    Raises FileTrouble where the recording shows faults, or nothing that could be compared.
    """
    faults = [event for event in report.get("events", []) if event["kind"] in FAULT_KINDS]
    if faults:
        raise FileTrouble(
            f"this recording shows faults, {len(faults)} in all; it is no reference",
            step="take one of the vehicle when it was well, or of another like it",
        )
    named: dict[str, list[Mapping[str, Any]]] = {}
    for measure in report.get("measures", []):
        named.setdefault(measure["name"], []).append(measure)
    errors = sorted(named.get("tooth_error", []), key=lambda m: int(m["tooth"]))
    slowest = [m["value"] for m in named.get("slowest_angle", []) if m.get("while") == "cranking"]
    found = Reference(
        cam_edges_deg=tuple(round(m["value"], 3) for m in named.get("cam_edge", [])),
        tooth_error_deg=tuple(round(m["value"], 4) for m in errors),
        slowest_deg=round(slowest[0], 2) if slowest else None,
        timing_level=(report.get("wheel") or {}).get("timing_level"),
    )
    if replace(found, timing_level=None) == Reference():
        raise FileTrouble(
            "this recording holds nothing to compare with later",
            step="record crank and cam together, cranking and then a minute of idle",
        )
    return replace(job, reference=found)
