"""The tooth wheel seen from the front of an engine that turns clockwise there: tooth 1 at the top, the next one to its
left, for it comes past the sensor next. Faults and errors stand at each tooth's true angle."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from matplotlib.axes import Axes
from matplotlib.patches import Circle, FancyArrowPatch, Polygon

from toothwise.report.plots import paper
from toothwise.show import words

_ROOT, _TIP = 0.80, 0.95
_ERROR_AT, _ERROR_LONG = 0.48, 0.19
_FAULT_FROM, _FAULT_LONG = 1.0, 0.18
_REACH = 1.28
_SIZE_IN = 3.5
MOST_LABELS = 90


def wheel(result: Mapping[str, Any]) -> str | None:
    """None where no wheel is known."""
    told = result["wheel"]
    angles: Sequence[float] = told.get("teeth_deg") or []
    if not angles:
        return None
    turn = told["turn_deg"]
    at = [360.0 * angle / turn for angle in angles]  # a cam wheel told over two turns of the crank is drawn as it is
    half = 0.25 * min((b - a for a, b in zip(at, [*at[1:], at[0] + 360.0], strict=True)), default=90.0)
    faults = _faults(result)
    errors = {m["tooth"]: m for m in result["measures"] if m["name"] == "tooth_error" and "tooth" in m}
    with paper.drawing(_SIZE_IN, _SIZE_IN) as (figure, out):
        figure.set_layout_engine("none")
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0), xlim=(-_REACH, _REACH), ylim=(-_REACH, _REACH))
        axes.set_axis_off()
        for radius in (_ROOT, 0.2):
            axes.add_patch(Circle((0, 0), radius, fill=False, edgecolor=paper.QUIET, linewidth=0.7))
        for tooth, angle in enumerate(at, 1):
            _tooth(axes, angle, min(half, 12.0), missing=("missing", tooth) in faults)
        _fault_bars(axes, at, faults, half)
        _numbers(axes, at)
        if errors:
            _error_ring(axes, at, errors, min(half, 4.0))
        _direction(axes)
    return out[0]


def _faults(result: Mapping[str, Any]) -> dict[tuple[str, int], int]:
    lots = [lot for lot in result["by_tooth"] if lot["channel"] not in ("cam", "feed")]
    return {(lot["kind"], lot["tooth"]): lot["events"] for lot in lots}


def _point(radius: float, angle: float) -> tuple[float, float]:
    turned = math.radians(90.0 + angle)
    return radius * math.cos(turned), radius * math.sin(turned)


def _wedge(inner: float, outer: float, angle: float, half: float) -> list[tuple[float, float]]:
    return [_point(r, a) for r, a in ((inner, angle - half), (outer, angle - half), (outer, angle + half),
                                      (inner, angle + half))]  # fmt: skip


def _tooth(axes: Axes, angle: float, half: float, *, missing: bool) -> None:
    look: dict[str, Any] = {"facecolor": paper.FILL, "edgecolor": paper.QUIET, "linewidth": 0.5}
    if missing:
        look = {"facecolor": "white", "edgecolor": paper.MISSING, "linewidth": 1.1}
    axes.add_patch(Polygon(_wedge(_ROOT, _TIP, angle, half), closed=True, **look))


def _fault_bars(axes: Axes, at: Sequence[float], faults: Mapping[tuple[str, int], int], half: float) -> None:
    most = max(faults.values(), default=1)
    labelled = len(faults) <= MOST_LABELS
    for (kind, tooth), times in faults.items():
        missing = kind == "missing"
        angle = at[tooth - 1] + (0.0 if missing else 2 * half)  # an extra edge lies between its tooth and the next
        end = _FAULT_FROM + _FAULT_LONG * times / most
        colour = paper.MISSING if missing else paper.EXTRA
        axes.add_patch(
            Polygon(
                _wedge(_FAULT_FROM, max(end, _FAULT_FROM + 0.02), angle, min(half * 0.7, 3.0)), closed=True,
                facecolor=colour if missing else "white", edgecolor=colour, linewidth=0.9,
            )
        )  # fmt: skip
        if labelled and missing:
            x, y = _point(end + 0.06, angle)
            axes.text(x, y, str(tooth), ha="center", va="center", fontsize=5.5, color=colour)


def _numbers(axes: Axes, at: Sequence[float]) -> None:
    step = next(s for s in (1, 5, 10, 20, 50) if len(at) / s <= 12)
    for tooth in range(1, len(at) + 1):
        if tooth == 1 or tooth % step == 0:
            x, y = _point(_ROOT - 0.055, at[tooth - 1])
            axes.text(x, y, str(tooth), ha="center", va="center", fontsize=6, color=paper.QUIET)


def _error_ring(axes: Axes, at: Sequence[float], errors: Mapping[int, Mapping[str, Any]], half: float) -> None:
    """Late is drawn outwards, early inwards; pale where the error is within twice its uncertainty, and never larger
    than that doubt would be."""
    doubts = [2 * m["uncertainty"] for m in errors.values() if m.get("uncertainty") is not None]
    most = max([*(abs(m["value"]) for m in errors.values()), *doubts]) or 1.0
    axes.add_patch(Circle((0, 0), _ERROR_AT, fill=False, edgecolor=paper.QUIET, linewidth=0.5))
    for tooth, measure in errors.items():
        value, doubt = measure["value"], measure.get("uncertainty")
        sure = doubt is not None and abs(value) > 2 * doubt
        axes.add_patch(
            Polygon(
                _wedge(_ERROR_AT, _ERROR_AT + _ERROR_LONG * value / most, at[tooth - 1], half),
                closed=True, facecolor=paper.INK if sure else paper.RULE, linewidth=0,
            )
        )  # fmt: skip
    axes.text(0, 0.045, "a full bar", ha="center", va="center", fontsize=5.5, color=paper.QUIET)
    axes.text(0, -0.06, f"{words.number(most)}°", ha="center", va="center", fontsize=7)


def _direction(axes: Axes) -> None:
    axes.add_patch(
        FancyArrowPatch(
            _point(0.3, 35), _point(0.3, -35), connectionstyle="arc3,rad=-0.3", arrowstyle="-|>", mutation_scale=6,
            color=paper.QUIET, linewidth=0.8,
        )
    )  # fmt: skip
    axes.text(0, 0.235, "turns", ha="center", va="center", fontsize=5.5, color=paper.QUIET)
