"""What all pictures share: size, inks that hold on a black-and-white printer too, and the way to SVG."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

WIDTH_IN = 7.0
"""The text's width on A4 and on Letter, both with the margins of report.css."""

INK, QUIET, RULE, FILL = "#1d2733", "#5c6773", "#c9d0d7", "#e6eaee"
MISSING, EXTRA, UNKNOWN, GOOD = "#8f1023", "#2468b4", "#a9b2bb", "#2f6f4f"
"""Dark, middle and light enough to differ without colour."""

_STYLE: Any = {
    "svg.fonttype": "none",  # text stays text: it can be searched, read aloud, and uses the reader's fonts
    "svg.hashsalt": "toothwise",  # the same picture gives the same bytes
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Arial"],
    "font.size": 7.5,
    "text.color": INK,
    "text.parse_math": False,  # a place may be called "$5 plug"
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "legend.frameon": False,
    "legend.fontsize": 7,
}


@contextmanager
def drawing(height_in: float, width_in: float = WIDTH_IN) -> Iterator[tuple[Figure, list[str]]]:
    """A figure to draw on; its SVG text is put into the list at the end."""
    out: list[str] = []
    with mpl.rc_context(_STYLE), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a letter that matplotlib's own font lacks is drawn by the reader's
        figure = Figure(figsize=(width_in, height_in), layout="constrained")
        FigureCanvasSVG(figure)
        yield figure, out
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None}, transparent=True)
    text = buffer.getvalue()
    out.append(text[text.index("<svg") :])
