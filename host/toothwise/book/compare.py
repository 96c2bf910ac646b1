"""Two examinations side by side: counts, findings by kind, each measure with its uncertainty, the causes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

_SIGMAS = 2.0  # a difference counts from two standard uncertainties on: about 95 %
_SUBJECT = ("tooth", "after_tooth", "cylinder", "slot", "edge", "kind", "channel", "while")
"""Fields that say what a measure is of. The others (a spread, how many faults) may differ from run to run."""
_FULLEST = "stripe_p"
"""Its tooth is what it found, not what it is of."""


def compare_results(first: Mapping[str, Any], second: Mapping[str, Any]) -> dict[str, Any]:
    """{"wheel", "revolutions", "speed_rpm", "missing", "extra", "events", "blind_s": {"a", "b"} each,
    "measures": [row, …], "causes": [row, …]}.

    A row of measures: name, unit, about, a, b, a_uncertainty, b_uncertainty, difference (b - a, null where one is
    absent), uncertainty (of the difference, null unless both are known) and differs (true, false; null where it cannot
    be said). A row of causes: cause, text, a and b (stands and weight, null where it was not weighed), changed.
    """
    a, b = _by_subject(first), _by_subject(second)
    return {
        "wheel": _pair(first, second, "wheel", "name"),
        "revolutions": _pair(first, second, "revolutions"),
        "speed_rpm": _pair(first, second, "speed_rpm", "median"),
        "missing": _pair(first, second, "teeth", "missing"),
        "extra": _pair(first, second, "teeth", "extra"),
        "events": {"a": _kinds(first), "b": _kinds(second)},
        "blind_s": _pair(first, second, "blind_s"),
        "measures": [_row(a.get(key), b.get(key)) for key in dict.fromkeys([*a, *b])],
        "causes": _causes(first, second),
    }


def _by_subject(result: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    return {
        json.dumps([measure["name"], measure["unit"], _about(measure)], sort_keys=True): measure
        for measure in result.get("measures", ())
    }


def _about(measure: Mapping[str, Any]) -> dict[str, Any]:
    fields = ("kind",) if measure["name"] == _FULLEST else _SUBJECT
    return {key: measure[key] for key in fields if measure.get(key) is not None}


def _row(a: Mapping[str, Any] | None, b: Mapping[str, Any] | None) -> dict[str, Any]:
    known = a if a is not None else b
    assert known is not None
    difference = uncertainty = differs = None
    doubts = [None if side is None else side.get("uncertainty") for side in (a, b)]
    if a is not None and b is not None:
        difference = b["value"] - a["value"]
        if doubts[0] is not None and doubts[1] is not None:
            uncertainty = float((doubts[0] ** 2 + doubts[1] ** 2) ** 0.5)
            differs = abs(difference) > _SIGMAS * uncertainty
    return {
        "name": known["name"],
        "unit": known["unit"],
        "about": {**_about(known), **{key: known[key] for key in ("pair", "level") if key in known}},
        "a": None if a is None else a["value"],
        "b": None if b is None else b["value"],
        "a_uncertainty": doubts[0],
        "b_uncertainty": doubts[1],
        "difference": difference,
        "uncertainty": uncertainty,
        "differs": differs,
    }


def _causes(first: Mapping[str, Any], second: Mapping[str, Any]) -> list[dict[str, Any]]:
    a, b = ({cause["cause"]: cause for cause in result.get("causes", ())} for result in (first, second))
    rows = []
    for cause in dict.fromkeys([*a, *b]):
        sides = [
            None if (told := side.get(cause)) is None else {"stands": told["stands"], "weight": told["weight"]}
            for side in (a, b)
        ]
        text = (a.get(cause) or b[cause]).get("text", cause)
        stands = [side and side["stands"] for side in sides]
        rows.append({"cause": cause, "text": text, "a": sides[0], "b": sides[1], "changed": stands[0] != stands[1]})
    return rows


def _pair(first: Mapping[str, Any], second: Mapping[str, Any], *path: str) -> dict[str, Any]:
    return {"a": _at(first, path), "b": _at(second, path)}


def _at(result: Any, path: tuple[str, ...]) -> Any:
    for name in path:
        if not isinstance(result, Mapping):
            return None
        result = result.get(name)
    return result


def _kinds(result: Mapping[str, Any]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for event in result.get("events", ()):
        counts[event["kind"]] = counts.get(event["kind"], 0) + 1
    return counts
