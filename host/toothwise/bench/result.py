"""One sensor's result on the bench: its words, and how it is read back from what was kept, printed or sent."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from toothwise.errors import BookTrouble
from toothwise.records import Judged, SensorResult, finite_or_none

PASS, FAIL, RETEST = "pass", "fail", "retest"
VERDICTS = (PASS, RETEST, FAIL)
"""From best to worst: a sensor's verdict is the worst of its measures'."""

MASTER, LEARNT, NONE = "master", "learnt", "none"
REFERENCES = {
    MASTER: "a master sensor ran beside it: the wheel's and the spindle's errors are taken out",
    LEARNT: "the wheel learnt from a master sensor's run: the wheel's errors are taken out, the spindle's are not",
    NONE: "no reference: the wheel's and the spindle's errors are in the figures",
}


def from_dict(body: Mapping[str, Any]) -> SensorResult:
    """Reads `SensorResult.as_dict` back; unknown keys are passed over. Raises BookTrouble where it is no result."""
    try:
        result = SensorResult(
            uuid=str(uuid.UUID(body["uuid"])),
            lot=str(body["lot"]),
            serial=str(body["serial"]),
            sensor_type=str(body["sensor_type"]),
            bench=str(body["bench"]),
            started_utc=str(body["started_utc"]),
            ended_utc=str(body["ended_utc"]),
            verdict=str(body["verdict"]),
            reasons=tuple(str(r) for r in body["reasons"]),
            measures=tuple(_judged(m) for m in body["measures"]),
            reference=str(body.get("reference", NONE)),
            versions={str(k): str(v) for k, v in dict(body.get("versions", {})).items()},
            recordings=tuple(int(n) for n in body.get("recordings", ())),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        raise _unreadable(str(problem)) from None
    if result.verdict not in VERDICTS or any(m.verdict not in VERDICTS for m in result.measures):
        raise _unreadable("no such verdict")
    return result


def new_uuid() -> str:
    return str(uuid.uuid4())


def utc_now() -> str:
    """Now, to the second, as it stands in results."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def worst(verdicts: list[str]) -> str:
    """The worst of several verdicts; retest where there is none at all."""
    return max(verdicts, key=VERDICTS.index, default=RETEST)


def _judged(body: Mapping[str, Any]) -> Judged:
    return Judged(
        str(body["name"]),
        finite_or_none(body["value"]),
        str(body["unit"]),
        finite_or_none(body["uncertainty"]),
        finite_or_none(body["low"]),
        finite_or_none(body["high"]),
        str(body["verdict"]),
        str(body.get("stage", "")),
        str(body.get("words", "")),
    )


def _unreadable(why: str) -> BookTrouble:
    return BookTrouble(
        f"a bench result cannot be read: {why}",
        cause="it was written by another version, or damaged",
        step="run the sensor again, or open the book with the version that wrote it",
    )
