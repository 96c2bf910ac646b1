"""Two examinations side by side as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from toothwise.show import words
from toothwise.show.table import table

_FACTS = ("wheel", "revolutions", "speed_rpm", "missing", "extra", "blind_s")
_NAMES = {"speed_rpm": "speed, median (rpm)", "blind_s": "blind (s)"}


def comparison(both: Mapping[str, Any]) -> list[str]:
    """Lines: the counts, the findings by kind, each measure with whether it differs, and the causes."""
    return table(rows_of(both), right={1, 2})


def rows_of(both: Mapping[str, Any]) -> list[list[str]]:
    """The same as rows of four cells, the first row the heads."""
    rows = [[_NAMES.get(name, name), _plain(both[name]["a"]), _plain(both[name]["b"]), ""] for name in _FACTS]
    events = both["events"]
    for kind in sorted({*events["a"], *events["b"]}):
        name = f"findings: {words.KIND_NAMES.get(kind, kind)}"
        rows.append([name, str(events["a"].get(kind, 0)), str(events["b"].get(kind, 0)), ""])
    for row in both["measures"]:
        about = ", ".join(f"{key} {value}" for key, value in row["about"].items())
        name = f"{row['name']} {f'({about}) ' if about else ''}{row['unit']}"
        rows.append([name, _plain(row["a"]), _plain(row["b"]), _differs(row)])
    return [["", f"recording {both['a']}", f"recording {both['b']}", ""], *rows]


def _plain(value: Any) -> str:
    if value is None:
        return "–"
    return words.number(value) if isinstance(value, float) else str(value)


def _differs(row: Mapping[str, Any]) -> str:
    if row["difference"] is None:
        return ""
    change = words.number(row["difference"], row["uncertainty"])
    verdict = {True: "differs", False: "no difference beyond the uncertainty", None: ""}[row["differs"]]
    return f"change {change}  {verdict}".rstrip()
