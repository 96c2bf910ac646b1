"""Axes for small pictures, as SVG text: a scale each way, ticks, bars, lines, points.

A lot's report has two dozen pictures. Drawn by a plotting library they take two seconds of its three; so, none to
speak of. Lengths are in points of 1/72 inch, as wide as the report's other pictures and in the same inks.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape

import numpy as np
from numpy.typing import NDArray

from toothwise.report.plots.paper import INK, QUIET, WIDTH_IN

WIDTH = 72.0 * WIDTH_IN
TEXT = 7.5
SMALL = 6.0
_LEFT, _BELOW = 40.0, 24.0
"""Room for the numbers beside an axis and its name."""

Floats = NDArray[np.float64]


class Axes:
    """One pair of axes within a picture: `left`, `top`, `width`, `height` with its numbers and names.

    x, y: what the axes reach from and to, in the data's own unit. `svg` is what was drawn so far.
    """

    def __init__(
        self,
        left: float,
        top: float,
        width: float,
        height: float,
        x: tuple[float, float],
        y: tuple[float, float],
        *,
        below: float = _BELOW,
    ) -> None:
        self._left, self._right = left + _LEFT, left + width - 10.0
        self._top, self._bottom = top + 4.0, top + height - below
        self._x, self._y = _not_nothing(x), _not_nothing(y)
        self._drawn: list[str] = []

    @property
    def svg(self) -> str:
        return "".join(self._drawn)

    def _at_x(self, x: Floats | float) -> Floats:
        low, high = self._x
        return np.asarray(self._left + (np.asarray(x) - low) / (high - low) * (self._right - self._left))

    def _at_y(self, y: Floats | float) -> Floats:
        low, high = self._y
        return np.asarray(self._bottom - (np.asarray(y) - low) / (high - low) * (self._bottom - self._top))

    # ------------------------------------------------------------ the frame

    def frame(
        self, below: str, beside: str, *, named: Sequence[tuple[float, str]] | None = None, whole: bool = False
    ) -> None:
        """Both axes with their ticks and names. named: ticks of the lower axis by name instead of by number. whole: the
        other axis counts something."""
        self._path(f"M{self._left:.1f},{self._top:.1f}V{self._bottom:.1f}H{self._right:.1f}", QUIET, 0.6)
        marks = named if named is not None else numbered(*self._x, round((self._right - self._left) / 36.0))
        for x, text in marks:
            at = float(self._at_x(x))
            self._path(f"M{at:.1f},{self._bottom:.1f}v2.5", QUIET, 0.6)
            size = TEXT if named is None else SMALL
            self.text(at, self._bottom + 3.0 + size, text, size=size, anchor="middle")
        for y, text in numbered(*self._y, round((self._bottom - self._top) / 18.0), 1.0 if whole else 0.0):
            at = float(self._at_y(y))
            self._path(f"M{self._left:.1f},{at:.1f}h-2.5", QUIET, 0.6)
            self.text(self._left - 4.0, at + 2.6, text, anchor="end")
        if below:
            self.text((self._left + self._right) / 2.0, self._bottom + 2.6 * TEXT, below, anchor="middle")
        if beside:
            at, middle = self._left - _LEFT + TEXT, (self._top + self._bottom) / 2.0
            self.text(at, middle, beside, anchor="middle", more=f' transform="rotate(-90 {at:.1f} {middle:.1f})"')

    # ------------------------------------------------------------ what is shown

    def bars(self, edges: Floats, heights: Floats, fill: str) -> None:
        """Bars side by side, (n+1,) edges and (n,) heights, from 0."""
        x, y, foot = self._at_x(edges).tolist(), self._at_y(heights).tolist(), float(self._at_y(0.0))
        outline = "".join(
            f"M{x[i]:.1f},{foot:.1f}V{y[i]:.1f}H{x[i + 1]:.1f}V{foot:.1f}" for i in range(len(y)) if y[i] < foot
        )
        self._drawn.append(f'<path d="{outline}" fill="{fill}" stroke="{QUIET}" stroke-width="0.4"/>')

    def line(self, x: Floats, y: Floats, ink: str, width: float) -> None:
        """A line through points."""
        course = " ".join(f"{a:.1f},{b:.1f}" for a, b in self._places(x, y))
        self._drawn.append(f'<polyline points="{course}" fill="none" stroke="{ink}" stroke-width="{width}"/>')

    def points(self, x: Floats, y: Floats, ink: str, size: float) -> None:
        """A dot at each."""
        dots = "".join(f"M{a:.1f},{b:.1f}h0" for a, b in self._places(x, y))
        self._path(dots, ink, size, ' stroke-linecap="round"')

    def rings(self, x: Floats, y: Floats, ink: str) -> None:
        """A ring around each."""
        for a, b in self._places(x, y):
            ring = f'<circle cx="{a:.1f}" cy="{b:.1f}" r="2.6" fill="none" stroke="{ink}" stroke-width="0.8"/>'
            self._drawn.append(ring)

    def note(self, x: float, y: float, text: str) -> None:
        """A few small letters beside a point."""
        ((a, b),) = self._places(np.array([x]), np.array([y]))
        self.text(a + 3.0, max(b - 3.0, self._top + SMALL - 3.0), text, size=SMALL)

    def across(self, y: float, ink: str, width: float, dash: str = "") -> None:
        """A level line from side to side."""
        more = f' stroke-dasharray="{dash}"' if dash else ""
        self._path(f"M{self._left:.1f},{float(self._at_y(y)):.1f}H{self._right:.1f}", ink, width, more)

    def upright(self, x: float, ink: str, width: float) -> None:
        self._path(f"M{float(self._at_x(x)):.1f},{self._bottom:.1f}V{self._top:.1f}", ink, width)

    def band(self, from_x: float, to_x: float, ink: str) -> None:
        """A pale upright band."""
        a, b = np.clip(self._at_x(np.array([from_x, to_x])), self._left, self._right).tolist()
        height = self._bottom - self._top
        self._drawn.append(
            f'<rect x="{a:.1f}" y="{self._top:.1f}" width="{b - a:.1f}" height="{height:.1f}" fill="{ink}"'
            ' fill-opacity="0.12"/>'
        )

    def span(self, x: float, low: float, high: float, ink: str, width: float, cap: float = 0.0) -> None:
        """An upright stroke between two values, with caps so wide."""
        at, a, b = float(self._at_x(x)), float(self._at_y(low)), float(self._at_y(high))
        caps = "".join(f"M{at - cap / 2:.1f},{end:.1f}h{cap:g}" for end in (a, b)) if cap else ""
        self._path(f"M{at:.1f},{a:.1f}V{b:.1f}{caps}", ink, width)

    def text(self, x: float, y: float, text: str, *, size: float = TEXT, anchor: str = "start", more: str = "") -> None:
        """In points, not in the data's unit."""
        self._drawn.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}"{more}>{escape(text)}</text>'
        )

    def _places(self, x: Floats, y: Floats) -> Iterable[tuple[float, float]]:
        return zip(self._at_x(x).tolist(), self._at_y(y).tolist(), strict=True)

    def _path(self, course: str, ink: str, width: float, more: str = "") -> None:
        self._drawn.append(f'<path d="{course}" fill="none" stroke="{ink}" stroke-width="{width:g}"{more}/>')


def picture(height: float, *drawn: Axes) -> str:
    """The SVG of one or several axes."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH:g}pt" height="{height:g}pt"'
        f' viewBox="0 0 {WIDTH:g} {height:g}" font-family="DejaVu Sans, Verdana, Arial, sans-serif" fill="{INK}">'
        f"{''.join(axes.svg for axes in drawn)}</svg>"
    )


def reach(*values: float | Floats, room: float = 0.06) -> tuple[float, float]:
    """From the lowest to the highest of them, with a little room at both ends."""
    every = np.concatenate([np.atleast_1d(np.asarray(value, np.float64)) for value in values])
    low, high = float(every.min()), float(every.max())
    return low - room * (high - low), high + room * (high - low)


def numbered(low: float, high: float, about: int, least: float = 0.0) -> list[tuple[float, str]]:
    """Round numbers between two values, about so many, as they are written. least: no nearer to one another."""
    rough = max((high - low) / max(about, 1), least)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * n for n in (1.0, 2.0, 2.5, 5.0, 10.0) if power * n >= rough * (1.0 - 1e-9))
    digits = max(0, -math.floor(math.log10(step) + 1e-9) + (abs(step / power - 2.5) < 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [(n * step, f"{n * step:,.{digits}f}".replace("-", "\N{MINUS SIGN}")) for n in range(first, last + 1)]


def _not_nothing(ends: tuple[float, float]) -> tuple[float, float]:
    """Where all is the same value, a little to both sides of it."""
    low, high = ends
    room = max(abs(low) * 0.1, 1e-9)
    return (low, high) if high - low > 1e-12 * max(abs(low), abs(high)) else (low - room, high + room)
