"""The revolution raster: a row a revolution (or several), a column a slot of the wheel."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.colors import ListedColormap
from matplotlib.patches import Patch

from toothwise.records import BLIND, EXTRA, MISSING, SEEN
from toothwise.report.plots import paper

_COLOURS = ["#ffffff", paper.FILL, paper.UNKNOWN, paper.EXTRA, paper.MISSING]
_NAMES = {1: "seen", 2: "not known", 3: "extra edge", 4: "missing"}
_LEAST_IN, _ROW_IN = 1.2, 0.05
MOST_IN, SHORT_IN = 3.2, 1.8
"""The whole picture, and the short one of an earlier recording."""


def raster(result: Mapping[str, Any], *, most_in: float = MOST_IN) -> str | None:
    """most_in: how high it may become, in inches. None where no wheel was followed."""
    course, wheel = result.get("course"), result["wheel"]
    if not course or not course["rows"]:
        return None
    rows = course["rows"]
    bits = np.array([[int(cell, 16) for cell in row] for row in rows])
    shown = np.select(
        [bits & MISSING > 0, bits & EXTRA > 0, bits & BLIND > 0, bits & SEEN > 0], [4, 3, 2, 1], default=0
    )
    begin = int(np.flatnonzero(shown.any(axis=1))[0]) if shown.any() else 0
    columns = _columns(wheel, shown.shape[1])
    cells = np.zeros((len(rows) - begin, max(columns) + 1), np.int8)
    cells[:, columns] = shown[begin:]
    a_row, first = course["revolutions_a_row"], course["first_revolution"]
    top = first + begin * a_row
    bottom = top + len(cells) * a_row
    height = float(np.clip(len(cells) * _ROW_IN, _LEAST_IN, most_in))
    with paper.drawing(height + 0.75) as (figure, out):
        axes = figure.add_subplot()
        axes.imshow(
            cells, cmap=ListedColormap(_COLOURS), vmin=0, vmax=4, aspect="auto", interpolation="none",
            extent=(0.5, cells.shape[1] + 0.5, bottom, top),
        )  # fmt: skip
        axes.set_xlabel("tooth, counted from the gap; blank columns are the gap" if wheel["gaps"] else "tooth")
        axes.set_ylabel("revolution")
        _label_teeth(axes, columns)
        axes.tick_params(length=2)
        used = [n for n in (1, 4, 3, 2) if (cells == n).any()]
        handles = [Patch(facecolor=_COLOURS[n], edgecolor=paper.QUIET, linewidth=0.4, label=_NAMES[n]) for n in used]
        axes.legend(handles=handles, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=4, borderpad=0.2)
        if a_row > 1:
            axes.set_title(f"a row stands for {a_row} revolutions and shows the worst of them", loc="left", fontsize=7)
    return out[0]


def _columns(wheel: Mapping[str, Any], teeth: int) -> list[int]:
    """Where each tooth stands: its slot on a wheel with gaps, else its number."""
    angles = wheel.get("teeth_deg")
    if not wheel["gaps"] or not angles:
        return list(range(teeth))
    pitch = wheel["turn_deg"] / wheel["slots"]
    return [round(angle / pitch) for angle in angles]


def _label_teeth(axes: Any, columns: list[int]) -> None:
    step = next(s for s in (1, 2, 5, 10, 20, 50) if len(columns) / s <= 30)
    teeth = [n for n in range(1, len(columns) + 1) if n == 1 or (n % step == 0 and n > step / 2 + 1)]
    axes.set_xticks([columns[n - 1] + 1 for n in teeth], [str(n) for n in teeth])
