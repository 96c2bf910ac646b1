"""The places of a wiggle test: how often each let go, and for how long."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from toothwise.report.plots import paper
from toothwise.show import words
from toothwise.show.wiggle import CLASSES

_SHADES = ("#e3d0d4", "#d3a9b2", "#bd7683", "#a54457", "#8f1023", "#4d0812")
_MOST_NAME = 34
MOST_PLACES = 40


def places(wiggle: Mapping[str, Any]) -> str | None:
    """None where no place was moved."""
    rows = [wiggle["hands_off"], *wiggle["places"]][: MOST_PLACES + 1]
    if not wiggle["places"]:
        return None
    with paper.drawing(0.75 + 0.22 * len(rows)) as (figure, out):
        axes = figure.add_subplot()
        begin = [0.0] * len(rows)
        for (key, name), shade in zip(CLASSES, _SHADES, strict=True):
            counts = [row["classes"].get(key, 0) for row in rows]
            if any(counts):
                label = name if key.startswith("under") else f"{name} and up"
                axes.barh(range(len(rows)), counts, 0.66, left=begin, color=shade, label=label, linewidth=0)
                begin = [a + b for a, b in zip(begin, counts, strict=True)]
        widest = max(begin) or 1.0
        for row, place in enumerate(rows):
            stands = "background" if row == 0 else place["stands"]
            hit = f"{stands}; {place['wiggles_with_events']} of {place['wiggles']} wiggles" if row else stands
            axes.text(begin[row] + 0.015 * widest, row, hit, va="center", fontsize=6.5, color=paper.INK)
        axes.set_yticks(range(len(rows)), [words.fit(words.clean(p["place"]), _MOST_NAME) for p in rows])
        axes.tick_params(axis="y", length=0)
        axes.set_ylim(len(rows) - 0.4, -0.6)
        axes.set_xlim(0, widest * 1.45)
        axes.locator_params(axis="x", integer=True)
        axes.set_xlabel("events")
        if any(begin):
            axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=6, title="let go for", title_fontsize=7,
                        alignment="left", columnspacing=1.0, handlelength=1.0)  # fmt: skip
    return out[0]
