"""Two examinations side by side, measure by measure."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

_BESIDE = ("name", "value", "unit", "uncertainty")
_SIGMAS = 2.0  # a difference counts from two standard uncertainties on: about 95 %


def compare_results(first: Mapping[str, Any], second: Mapping[str, Any]) -> dict[str, Any]:
    """{"wheel", "speed_rpm", "teeth", "events", "blind_s": {"a", "b"} each, "measures": [row, …]}.

    A row of measures: name, unit, about, a, b, difference (b - a, null where one is absent), uncertainty
    (of the difference, null unless both are known) and differs (true, false; null where it cannot be said).
    """
    a, b = _by_subject(first), _by_subject(second)
    rows = []
    for key in [*a, *(key for key in b if key not in a)]:
        rows.append(_row(a.get(key), b.get(key)))
    return {
        "wheel": _pair(first, second, "wheel", "name"),
        "revolutions": _pair(first, second, "revolutions"),
        "speed_rpm": _pair(first, second, "speed_rpm", "median"),
        "missing": _pair(first, second, "teeth", "missing"),
        "extra": _pair(first, second, "teeth", "extra"),
        "events": {"a": _kinds(first), "b": _kinds(second)},
        "blind_s": _pair(first, second, "blind_s"),
        "measures": rows,
    }


def _by_subject(result: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    found = {}
    for measure in result.get("measures", ()):
        about = {key: value for key, value in measure.items() if key not in _BESIDE}
        found[json.dumps([measure["name"], measure["unit"], about], sort_keys=True)] = measure
    return found


def _row(a: Mapping[str, Any] | None, b: Mapping[str, Any] | None) -> dict[str, Any]:
    known = a if a is not None else b
    assert known is not None
    difference = uncertainty = differs = None
    if a is not None and b is not None:
        difference = b["value"] - a["value"]
        if a.get("uncertainty") is not None and b.get("uncertainty") is not None:
            uncertainty = float((a["uncertainty"] ** 2 + b["uncertainty"] ** 2) ** 0.5)
            differs = abs(difference) > _SIGMAS * uncertainty
    return {
        "name": known["name"],
        "unit": known["unit"],
        "about": {key: value for key, value in known.items() if key not in _BESIDE},
        "a": None if a is None else a["value"],
        "b": None if b is None else b["value"],
        "difference": difference,
        "uncertainty": uncertainty,
        "differs": differs,
    }


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
