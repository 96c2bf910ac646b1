"""Columns of text, for a terminal and a pipe alike."""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Sequence

from toothwise.show import words


def width(text: str) -> int:
    """Columns a terminal needs for it: wide characters take two, accents set upon a letter none."""
    return sum(0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)


def table(rows: Sequence[Sequence[str]], *, right: Collection[int] = ()) -> list[str]:
    """Lines of aligned columns; those numbered in `right` end flush, the others begin flush."""
    cells = [[words.clean(cell) for cell in row] for row in rows]
    widths = [max(map(width, column)) for column in zip(*cells, strict=True)]
    lines = []
    for row in cells:
        parts = []
        for i, cell in enumerate(row):
            pad = " " * (widths[i] - width(cell))
            parts.append(pad + cell if i in right else cell + pad)
        lines.append("  ".join(parts).rstrip())
    return lines
