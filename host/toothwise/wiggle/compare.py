"""Before and after a repair: the same places moved again, each compared by its events a second of moving."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from toothwise.wiggle import exact

SURE = 0.05
"""Above this p-value the two may well be the same."""


def compare(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Two results of a wiggle test, place by place, `all places` last: {"place", "a", "b", "p", "says"}.

    a, b: events and moved_s. p: two-sided, exact, that both counts come from one rate (see `exact.poisson_p`). Places
    that only one of both moved are left out.
    """
    first = {place["place"]: place for place in before["places"]}
    second = {place["place"]: place for place in after["places"]}
    names = [name for name in first if name in second]
    rows = [_row(name, [first[name]], [second[name]]) for name in names]
    if len(names) > 1:
        rows.append(_row("all places", [first[name] for name in names], [second[name] for name in names]))
    return rows


def _row(name: str, before: list[Any], after: list[Any]) -> dict[str, Any]:
    a, b = ({key: sum(place[key] for place in side) for key in ("events", "moved_s")} for side in (before, after))
    p = exact.poisson_p(a["events"], a["moved_s"], b["events"], b["moved_s"])
    return {"place": name, "a": a, "b": b, "p": p, "says": _says(name, a, b, p)}


def _says(name: str, a: Mapping[str, Any], b: Mapping[str, Any], p: float) -> str:
    if not a["moved_s"] or not b["moved_s"]:
        return f"{name}: not moved in both tests."
    if not a["events"] and not b["events"]:
        return f"{name}: no event before or after."
    rate_a, rate_b = a["events"] / a["moved_s"], b["events"] / b["moved_s"]
    if p >= SURE:
        return f"{name}: so few events that chance alone may make the difference; move it longer."
    return f"{name}: {'fewer' if rate_b < rate_a else 'more'} events than before, which chance does not explain."
