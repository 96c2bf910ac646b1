"""The map of crank and cam: one cycle of 720 degrees, the cam's level over the crank's teeth, and the reference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from toothwise.report.plots import paper

_CYCLE = 720.0


def cam(result: Mapping[str, Any], reference_deg: Sequence[float] = ()) -> str | None:
    """None where no cam edge was placed."""
    edges = sorted((m["value"] % _CYCLE, m.get("level")) for m in result["measures"] if m["name"] == "cam_edge")
    if not edges:
        return None
    with paper.drawing(1.75 if reference_deg else 1.5) as (figure, out):
        axes = figure.add_subplot()
        turn = result["wheel"].get("turn_deg") or 360.0
        teeth = [a + n * turn for n in range(round(_CYCLE / turn)) for a in result["wheel"].get("teeth_deg") or []]
        axes.vlines(teeth, 2.0, 2.5, color=paper.QUIET, linewidth=0.8)
        _line(axes, edges)
        for number, (angle, _) in enumerate(edges, 1):
            axes.text(angle, 1.62, str(number), ha="center", va="bottom", fontsize=6)
        rows, names = [2.25, 1.25], ["crank teeth", "cam"]
        if reference_deg:
            axes.plot(list(reference_deg), [0.3] * len(reference_deg), "|", color=paper.EXTRA, markersize=9, mew=1.2)
            rows.append(0.3)
            names.append("known good")
        axes.set_yticks(rows, names)
        axes.tick_params(axis="y", length=0)
        axes.set_ylim(0.0 if reference_deg else 0.8, 2.6)
        axes.set_xlim(0, _CYCLE)
        axes.set_xticks(range(0, 721, 90))
        axes.set_xlabel("degrees of crank from tooth 1")
        axes.spines["left"].set_visible(False)
    return out[0]


def _line(axes: Any, edges: Sequence[tuple[float, int | None]]) -> None:
    """The cam's level where it is known which edge rises."""
    if any(level is None for _, level in edges):
        axes.vlines([angle for angle, _ in edges], 1.0, 1.5, color=paper.INK, linewidth=1.2)
        return
    level = edges[-1][1]
    x, y = [0.0], [level]
    for angle, to in edges:
        x += [angle, angle]
        y += [level, to]
        level = to
    x.append(_CYCLE)
    y.append(level)
    axes.plot(x, [1.0 + 0.5 * float(v or 0) for v in y], color=paper.INK, linewidth=1.2)
