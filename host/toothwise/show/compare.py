"""Two examinations side by side as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any

from toothwise.show import measures, words
from toothwise.show.table import table

_FACTS = ("wheel", "revolutions", "speed_rpm", "missing", "extra", "blind_s")
_NAMES = {
    "speed_rpm": "speed, median (rpm)",
    "missing": "teeth missing",
    "extra": "extra edges",
    "blind_s": "blind (s)",
}
_VERDICTS = {True: "differs", False: "alike within the doubt", None: ""}
MOST_ALIKE = 8
"""Of more measures of one name than this only those that differ are shown, and how many are alike."""


def comparison(both: Mapping[str, Any]) -> list[str]:
    """Lines: the counts, the findings by kind, the causes, each measure with its doubt and whether it differs."""
    return [*table(rows_of(both), right={1, 2}), *only_in(both)]


def rows_of(both: Mapping[str, Any]) -> list[list[str]]:
    """The same as rows of four cells, the first row the heads; but for what was measured in one of them alone."""
    rows = [["", f"recording {both['a']}", f"recording {both['b']}", ""]]
    rows += [[_NAMES.get(name, name), _plain(both[name]["a"]), _plain(both[name]["b"]), ""] for name in _FACTS]
    events = both["events"]
    for kind in sorted({*events["a"], *events["b"]}):
        name = f"findings: {words.KIND_NAMES.get(kind, kind)}"
        rows.append([name, str(events["a"].get(kind, 0)), str(events["b"].get(kind, 0)), ""])
    rows += _causes(both["causes"])
    shared = [row for row in both["measures"] if row["difference"] is not None]
    for _, lot in groupby(shared, lambda row: row["name"]):
        rows += _measures(list(lot))
    return rows


def only_in(both: Mapping[str, Any]) -> list[str]:
    """A sentence for each of the two that has measures which the other lacks."""
    said = []
    for side, other in (("a", "b"), ("b", "a")):
        names = dict.fromkeys(measures.name(row) for row in both["measures"] if row[other] is None)
        if names:
            said.append(f"Measured in recording {both[side]} only: {'; '.join(names)}.")
    return said


def _plain(value: Any) -> str:
    if value is None:
        return "–"
    return words.number(value) if isinstance(value, float) else str(value)


def _measures(lot: Sequence[Mapping[str, Any]]) -> list[list[str]]:
    if len(lot) <= MOST_ALIKE:
        return [_measure(row) for row in lot]
    differing = [row for row in lot if row["differs"]]
    name = f"{measures.name(lot[0])}, all {len(lot)}"
    return [[name, "", "", f"{len(differing)} of {len(lot)} differ"], *map(_measure, differing)]


def _measure(row: Mapping[str, Any]) -> list[str]:
    about = measures.about({**row["about"], "name": row["name"]})
    name = f"{measures.name(row)}{f': {about}' if about else ''}"
    return [name, _side(row, "a"), _side(row, "b"), _change(row)]


def _side(row: Mapping[str, Any], side: str) -> str:
    return measures.value(
        {"name": row["name"], "value": row[side], "unit": row["unit"], "uncertainty": row[f"{side}_uncertainty"]}
    )


def _change(row: Mapping[str, Any]) -> str:
    if not row["uncertainty"]:
        return ""
    change = measures.with_unit(words.number(row["difference"], row["uncertainty"]), row["unit"])
    return f"{_VERDICTS[row['differs']]}, by {change}" if row["differs"] else _VERDICTS[row["differs"]]


def _causes(causes: Sequence[Mapping[str, Any]]) -> list[list[str]]:
    """Causes that either of the two left standing."""
    rows = []
    for cause in causes:
        stands = [side["stands"] if side else "–" for side in (cause["a"], cause["b"])]
        if {"supported", "possible"} & set(stands):
            rows.append([f"cause: {cause['text']}", *stands, "changed" if cause["changed"] else ""])
    return rows
