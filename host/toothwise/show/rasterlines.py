"""The raster as lines of text: two rows a line in half blocks, or one a line in plain ASCII."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby

from toothwise.records import BLIND, EXTRA, MISSING, SEEN, Event
from toothwise.show.raster import Raster, Row
from toothwise.show.screen import Screen, Segments
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

LABEL = 11
"""Width of the revolution's number and its margin."""

_STYLE = {0: "", SEEN: "quiet", BLIND: "blind", EXTRA: "extra", MISSING: "missing"}
_ORDER = (0, SEEN, BLIND, EXTRA, MISSING)
_ONE = {0: " ", SEEN: ".", BLIND: "~", EXTRA: "+", MISSING: "#"}


def _two() -> dict[tuple[int, int], str]:
    """Upper and lower row's flag → one character that shows both; the graver one where none can."""
    table = {(0, 0): " ", (SEEN, SEEN): ":", (SEEN, 0): "˙", (0, SEEN): "."}
    for upper in _ORDER:
        for lower in _ORDER:
            if (upper, lower) in table:
                continue
            worst = max(upper, lower)
            both = upper == lower
            shape = {BLIND: "░░░", EXTRA: "╹╻┃", MISSING: "▀▄█"}[worst]
            table[upper, lower] = shape[2 if both else 0 if upper == worst else 1]
    table[MISSING, EXTRA], table[EXTRA, MISSING] = "▛", "▙"
    return table


_TWO = _two()
_WORST = [max((flag for flag in _ORDER if flag & cell), default=0) for cell in range(16)]


def legend(unicode: bool) -> list[tuple[str, str]]:
    """What the characters mean, for under the raster."""
    shapes = ":█┃░" if unicode else ".#+~"
    names = ("seen", "missing", "extra", "blind")
    styles = ("quiet", "missing", "extra", "blind")
    out: list[tuple[str, str]] = []
    for shape, name, style in zip(shapes, names, styles, strict=True):
        out += [(shape, style), (f" {name}   ", "quiet")]
    return out


def _placed(text: str, at: int, label: str) -> str:
    """The text with the label in it, where it touches no other."""
    free = text[max(at - 1, 0) : at + len(label) + 1].isspace()
    return text[:at] + label + text[at + len(label) :] if free else text


class RasterLines:
    """Draws one raster; keeps drawn lines until their rows change."""

    def __init__(self, raster: Raster, screen: Screen, *, unicode: bool) -> None:
        self._raster = raster
        self._screen = screen
        self._rows_a_line = 2 if unicode else 1
        self._drawn: dict[int, tuple[tuple[object, ...], str]] = {}

    def layout(self, width: int) -> tuple[int, int]:
        """Columns folded into one character, and characters a column."""
        room = max(width - LABEL - 1, 10)
        fold = -(-self._raster.columns // room)
        return fold, max(1, min(6, room // self._raster.columns))

    def scale(self, width: int) -> Segments:
        """The line over the raster that numbers the teeth."""
        fold, wide = self.layout(width)
        column_of = self._raster.column_of
        step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500) if s * wide / fold >= 5)
        text = " " * (LABEL + len(column_of) * wide + 8)
        numbers = range(1, len(column_of) + 1, step) if step < 5 else [1, *range(step, len(column_of) + 1, step)]
        for tooth in numbers:
            at = LABEL + int(column_of[tooth - 1]) * wide // fold
            text = _placed(text, at, str(tooth))
        for gap in self._raster.wheel.gaps:
            text = _placed(text, LABEL + (gap[0] - 1) * wide // fold, "gap")
        return [("revolution".ljust(LABEL) + text[LABEL:].rstrip(), "quiet")]

    def lines(self, width: int, height: int) -> list[str]:
        """The newest rows in `height` lines, oldest first."""
        per = self._rows_a_line
        lots = [(key, list(rows)) for key, rows in groupby(self._raster.rows, lambda row: row.number // per)]
        lots = lots[-height:] if height > 0 else []
        fresh: dict[int, tuple[tuple[object, ...], str]] = {}
        out = []
        for key, rows in lots:
            state = (width, *(row.version for row in rows), *(row.number for row in rows))
            known = self._drawn.get(key)
            fresh[key] = known if known is not None and known[0] == state else (state, self._draw(rows, width))
            out.append(fresh[key][1])
        self._drawn = fresh
        return out

    def _draw(self, rows: list[Row], width: int) -> str:
        fold, wide = self.layout(width)
        flags = [self._folded(row, fold) for row in rows]
        if self._rows_a_line == 2:
            if len(rows) == 1:  # the other one scrolled away, or is not begun
                blank = [0] * len(flags[0])
                flags = [flags[0], blank] if rows[0].number % 2 == 0 else [blank, flags[0]]
            cells = [(_TWO[pair], _STYLE[max(pair)]) for pair in zip(*flags, strict=True)]
        else:
            cells = [(_ONE[flag], _STYLE[flag]) for flag in flags[0]]
        first = rows[0].first
        segments = [(f"{'start' if first < 0 else first:>{LABEL - 2}}  ", "quiet")]
        for style, run in groupby(cells, lambda cell: cell[1]):
            filled = wide > 2 and style in ("missing", "blind")
            segments.append(("".join((c * (wide - 1) + " ") if filled else c.ljust(wide) for c, _ in run), style))
        return self._screen.line(segments)

    @staticmethod
    def _folded(row: Row, fold: int) -> list[int]:
        worst = [_WORST[cell] for cell in row.cells.tolist()]
        return worst if fold == 1 else [max(worst[i : i + fold]) for i in range(0, len(worst), fold)]


class FollowedRaster:
    """The raster of a recording whose wheel may become known on the way."""

    def __init__(self, screen: Screen, *, unicode: bool) -> None:
        self._screen = screen
        self._unicode = unicode
        self._raster: Raster | None = None
        self.lines: RasterLines | None = None
        """None until the wheel is known."""

    @property
    def span(self) -> int:
        """Revolutions in a row that is begun now."""
        return 1 if self._raster is None else self._raster.span

    def follow(
        self, wheel: Wheel | None, crank: str, latest: Sequence[tuple[str, Teeth]], events: Sequence[Event]
    ) -> None:
        """Take what the last batch decided."""
        if wheel is None:
            return
        if self._raster is None:
            self._raster = Raster(wheel)
            self.lines = RasterLines(self._raster, self._screen, unicode=self._unicode)
        self._raster.follow(crank, latest, events)

    def pace(self, speed_rpm: float | None) -> None:
        if self._raster is not None:
            self._raster.pace(speed_rpm)
