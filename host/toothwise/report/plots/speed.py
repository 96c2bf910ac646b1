"""Speed over time, and under it when each kind of finding happened."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from toothwise.records import EVENT_KINDS
from toothwise.report.plots import paper
from toothwise.show import words

_COLOURS = {"missing": paper.MISSING, "silent": paper.MISSING, "extra": paper.EXTRA, "feed_low": paper.GOOD}
_FINE = 1500
"""Ticks in a row nearer than this part of the width look like one and are drawn as one."""
MOST_MARKS = 30


def speed(result: Mapping[str, Any], marks: Sequence[tuple[float, str]] = ()) -> str | None:
    """marks: times and places, numbered as in the table of what was done. None where there is no speed to draw."""
    course = result.get("course")
    if not course or len(course["speed"]) < 2:
        return None
    points = np.array(course["speed"])
    kinds = [kind for kind in EVENT_KINDS if any(e["kind"] == kind for e in result["events"])]
    low = 0.17 * len(kinds)
    with paper.drawing(1.9 + low) as (figure, out):
        if kinds:
            upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[1.5, low])
        else:
            upper, lower = figure.add_subplot(), None
        _curve(upper, points)
        begin, end = float(points[0, 0]), float(points[-1, 1])
        for event in result["events"]:
            begin, end = min(begin, event["t_s"]), max(end, event["t_s"] + event["duration_s"])
        upper.set_xlim(begin, end)
        _marks(upper, [t for t, _ in marks])
        if lower is not None:
            for row, kind in enumerate(kinds):
                _ticks(lower, row, kind, result["events"], end - begin)
            lower.set_ylim(len(kinds) - 0.4, -0.6)
            lower.set_yticks(range(len(kinds)), [words.KIND_NAMES[kind] for kind in kinds])
            lower.tick_params(axis="y", length=0)
            lower.spines["left"].set_visible(False)
        (lower or upper).set_xlabel("time on the recording's own clock, s")
    return out[0]


def _curve(axes: Any, points: Any) -> None:
    """A line through the means; where time passed without a whole turn it breaks."""
    middle = (points[:, 0] + points[:, 1]) / 2
    breaks = np.flatnonzero(points[1:, 0] > points[:-1, 1] + 1e-5) + 1
    for part in np.split(np.arange(len(points)), breaks):
        axes.fill_between(middle[part], points[part, 2], points[part, 4], color=paper.RULE, linewidth=0)
        axes.plot(middle[part], points[part, 3], color=paper.INK, linewidth=0.8, marker="." if len(part) == 1 else "")
    axes.set_ylim(0, 1.06 * float(points[:, 4].max()))
    axes.set_ylabel("rpm")
    axes.grid(axis="y", color=paper.FILL, linewidth=0.6)
    axes.set_axisbelow(True)


def _ticks(axes: Any, row: int, kind: str, events: Sequence[Mapping[str, Any]], span_s: float) -> None:
    colour = _COLOURS.get(kind, paper.QUIET)
    long = [(e["t_s"], e["duration_s"]) for e in events if e["kind"] == kind and e["duration_s"] * _FINE > span_s]
    short = np.array([e["t_s"] for e in events if e["kind"] == kind and e["duration_s"] * _FINE <= span_s])
    if long:
        axes.broken_barh(long, (row - 0.3, 0.6), facecolor=colour)
    if short.size:
        _, first = np.unique(np.floor(short * _FINE / max(span_s, 1e-9)), return_index=True)
        axes.vlines(short[first], row - 0.35, row + 0.35, color=colour, linewidth=0.7)


def _marks(axes: Any, times: Sequence[float]) -> None:
    begin, end = axes.get_xlim()
    for number, t in list(enumerate(times, 1))[:MOST_MARKS]:
        if t <= end:
            t = max(t, begin)
            axes.axvline(t, color=paper.QUIET, linewidth=0.6, linestyle=(0, (3, 3)))
            axes.annotate(
                str(number), (t, 1.0), xycoords=("data", "axes fraction"), xytext=(2, -1), textcoords="offset points",
                va="top", fontsize=6, color=paper.QUIET,
            )  # fmt: skip
