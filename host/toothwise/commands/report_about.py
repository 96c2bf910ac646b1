"""What a report says about the job: its card in words, what its codes and readings mean, what to test next."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from toothwise.causes.job import Job as Card

MOST_STEPS = 6
"""Of the plan."""


def about(told: dict[str, Any], what: str) -> dict[str, Any]:
    """Title, codes, readings, plan and cautions, by the card and the results in `told`."""
    job = told["job"]
    results = [
        {**recording["result"], "places": (recording["wiggle"] or {}).get("places", [])}
        for recording in told["recordings"]
        if recording["result"]
    ]
    return {
        "title": _title(told, what),
        "codes": _codes(job),
        "readings": _readings(job),
        "plan": _plan(job, results),
        "cautions": _cautions(),
    }


def card_of_text(body: str) -> Card:
    """A card from its TOML text. Raises FileTrouble."""
    from toothwise import toml
    from toothwise.causes.job import from_dict

    return from_dict(toml.table(body))


def card_json(card: Card) -> dict[str, Any] | None:
    """A card as the object has it."""
    from toothwise.examine.explain import job_json

    return job_json(card)


def _title(told: dict[str, Any], what: str) -> str:
    vehicle = ((told["job"] or {}).get("vehicle") or {}).get("name")
    about = {"job": "Job", "wiggle": "Wiggle test", "recording": "Recording"}[told["kind"]]
    name = told["recordings"][0]["name"] if told["kind"] != "job" else Path(what).name
    return f"{vehicle}" if vehicle else f"{about} {name}"


def _codes(job: dict[str, Any] | None) -> list[dict[str, str]]:
    from toothwise.causes import codes

    read = [codes.read(text) for text in (job or {}).get("codes", [])]
    return [{"code": code.code, "text": code.text, "means": code.means} for code in read]


def _readings(job: dict[str, Any] | None) -> list[dict[str, Any]]:
    from toothwise.causes.job import FREEZE_FRAME
    from toothwise.causes.readings import READINGS

    job = job or {}
    out = []
    for key, value in job.get("readings", {}).items():
        if key == "measured_at":
            out.append({"what": "where signal and levels were taken", "value": value, "unit": ""})
        else:
            out.append({"what": READINGS[key].what, "value": value, "unit": READINGS[key].unit.replace("ohm", "Ω")})
    for key, value in job.get("freeze_frame", {}).items():
        what = key.rpartition("_")[0].replace("_", " ")
        out.append({"what": f"freeze frame: {what}", "value": value, "unit": FREEZE_FRAME[key][0]})
    return out


def _plan(job: dict[str, Any] | None, results: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What to test next, on the newest recording and the card."""
    from toothwise.causes.findings import from_json
    from toothwise.causes.job import Job as EmptyCard
    from toothwise.causes.plan import plan

    if not results:
        return []
    steps = plan(from_json(results[0], _from_json(job) if job else EmptyCard()))[:MOST_STEPS]
    return [
        {"do": s.test.do, "good": s.test.good, "minutes": s.test.minutes, "safety": list(s.test.safety)} for s in steps
    ]


def _cautions() -> list[str]:
    """All cautions of all tests, each once: whoever holds the report may go on with any of them."""
    from toothwise.causes.plan import book_of_tests

    return list(dict.fromkeys(line for test in book_of_tests()[0] for line in test.safety))


def _from_json(job: dict[str, Any]) -> Card:
    from toothwise.causes.job import from_dict

    readings = {k: math.inf if v == "OL" else v for k, v in job.get("readings", {}).items()}
    return from_dict({**job, "readings": readings})
