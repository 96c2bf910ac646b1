"""What each cylinder contributes: work while idling, misfires, compression while cranking; with the doubt of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from toothwise.report.plots import paper

_PANELS = (
    ("cylinder_work", "work against the mean, %", 100.0),
    ("misfire_rate", "misfires, % of firings", 100.0),
    ("relative_compression", "compression, % of the best", 1.0),
)


def cylinders(result: Mapping[str, Any]) -> str | None:
    """None where nothing was measured of any cylinder."""
    lots = {name: [m for m in result["measures"] if m["name"] == name] for name, _, _ in _PANELS}
    if not any(lots.values()):
        return None
    with paper.drawing(1.8) as (figure, out):
        for panel, (name, title, factor) in enumerate(_PANELS, 1):
            if lots[name]:
                axes = figure.add_subplot(1, len(_PANELS), panel)
                axes.set_title(title, fontsize=7.5, loc="left")
                _bars(axes, lots[name], factor)
    return out[0]


def _bars(axes: Any, rows: Sequence[Mapping[str, Any]], factor: float) -> None:
    values = [factor * m["value"] for m in rows]
    doubts = [factor * (m["uncertainty"] or 0.0) for m in rows]
    axes.bar(
        range(len(rows)), values, 0.62, yerr=doubts, color=paper.RULE, edgecolor=paper.QUIET, linewidth=0.6,
        error_kw={"elinewidth": 0.9, "capsize": 2.5, "ecolor": paper.INK},
    )  # fmt: skip
    axes.set_xticks(range(len(rows)), [_short(m) for m in rows])
    axes.axhline(0, color=paper.QUIET, linewidth=0.6)
    axes.tick_params(axis="x", length=0)
    axes.margins(y=0.15)


def _short(measure: Mapping[str, Any]) -> str:
    """The cylinder; else its place in the order of firing over the two cylinders it may be."""
    if measure.get("cylinder") is not None:
        return f"cyl {measure['cylinder']}"
    pair = "/".join(map(str, measure.get("pair") or ()))
    return f"no. {measure.get('slot', '?')}" + (f"\n({pair})" if pair else "")
