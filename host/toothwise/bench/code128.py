"""Code 128 after ISO/IEC 15417 (bar widths from memory, read back by an outside decoder in the tests), drawn as SVG.

Code set B holds all printable ASCII; code set C packs digits in pairs and is used for runs of four or more.
"""

from __future__ import annotations

import re

from toothwise.errors import Trouble

_TABLE = (
    "212222 222122 222221 121223 121322 131222 122213 122312 132212 221213 221312 231212 112232 122132 122231 113222 "
    "123122 123221 223211 221132 221231 213212 223112 312131 311222 321122 321221 312212 322112 322211 212123 212321 "
    "232121 111323 131123 131321 112313 132113 132311 211313 231113 231311 112133 112331 132131 113123 113321 133121 "
    "313121 211331 231131 213113 213311 213131 311123 311321 331121 312113 312311 332111 314111 221411 431111 111224 "
    "111422 121124 121421 141122 141221 112214 112412 122114 122411 142112 142211 241211 221114 413111 241112 134111 "
    "111242 121142 121241 114212 124112 124211 411212 421112 421211 212141 214121 412121 111143 111341 131141 114113 "
    "114311 411113 411311 113141 114131 311141 411131 211412 211214 211232"
)
"""Six widths a value, values 0 to 105."""
_WIDTHS = [_TABLE[7 * value : 7 * value + 6] for value in range(106)]
_STOP = "2331112"
_START_B, _START_C, _TO_C, _TO_B = 104, 105, 99, 100
QUIET = 10
"""Modules of nothing on either side."""


def values(text: str) -> list[int]:
    """Symbol values from start to check, the stop left out. Raises Trouble for what is not printable ASCII."""
    if not text or not re.fullmatch(r"[ -~]+", text):
        raise Trouble(
            f"{text!r} cannot be a bar code",
            cause="Code 128 holds letters, digits and signs of plain ASCII",
            step="give the sensor a serial number of those",
        )
    pieces = re.findall(r"(?:\d\d){2,}|\D+|\d{1,3}(?!\d)|\d", text)
    out: list[int] = []
    now = ""
    for piece in pieces:
        wanted = "C" if re.fullmatch(r"(?:\d\d){2,}", piece) else "B"
        if wanted != now:
            out.append({"": {"B": _START_B, "C": _START_C}, "B": {"C": _TO_C}, "C": {"B": _TO_B}}[now][wanted])
            now = wanted
        if wanted == "C":
            out += [int(piece[i : i + 2]) for i in range(0, len(piece), 2)]
        else:
            out += [ord(c) - 32 for c in piece]
    check = (out[0] + sum(place * value for place, value in enumerate(out[1:], 1))) % 103
    return [*out, check]


def widths(text: str) -> list[int]:
    """Bars and spaces by turns, in modules, a bar first."""
    return [int(c) for value in values(text) for c in _WIDTHS[value]] + [int(c) for c in _STOP]


def bars(text: str, x: float, y: float, width: float, height: float) -> str:
    """SVG rectangles as one path, the quiet zones inside `width`."""
    found = widths(text)
    module = width / (sum(found) + 2 * QUIET)
    at, path = x + QUIET * module, []
    for place, modules in enumerate(found):
        if place % 2 == 0:
            path.append(f"M{at:.4f} {y:.4f}h{modules * module:.4f}v{height:.4f}h{-modules * module:.4f}z")
        at += modules * module
    return f'<path d="{"".join(path)}"/>'
