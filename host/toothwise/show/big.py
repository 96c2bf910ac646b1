"""Letters five dots high, to be read from two metres: three lines of half blocks, or five of plain characters."""

from __future__ import annotations

import unicodedata

HIGH = 5
_GLYPHS = {
    "A": "010 101 111 101 101", "B": "110 101 110 101 110", "C": "011 100 100 100 011", "D": "110 101 101 101 110",
    "E": "111 100 110 100 111", "F": "111 100 110 100 100", "G": "0111 1000 1011 1001 0111",
    "H": "101 101 111 101 101", "I": "1 1 1 1 1", "J": "001 001 001 101 010", "K": "1001 1010 1100 1010 1001",
    "L": "100 100 100 100 111", "M": "10001 11011 10101 10001 10001", "N": "1001 1101 1011 1001 1001",
    "O": "010 101 101 101 010", "P": "110 101 110 100 100", "Q": "0110 1001 1001 1010 0101",
    "R": "110 101 110 101 101", "S": "011 100 010 001 110", "T": "111 010 010 010 010", "U": "101 101 101 101 111",
    "V": "101 101 101 101 010", "W": "10001 10001 10101 11011 10001", "X": "101 101 010 101 101",
    "Y": "101 101 010 010 010", "Z": "111 001 010 100 111",
    "0": "111 101 101 101 111", "1": "010 110 010 010 111", "2": "111 001 111 100 111", "3": "111 001 011 001 111",
    "4": "101 101 111 001 001", "5": "111 100 111 001 111", "6": "111 100 111 101 111", "7": "111 001 010 010 010",
    "8": "111 101 111 101 111", "9": "111 101 111 001 111",
    " ": "00 00 00 00 00", "-": "00 00 11 00 00", ".": "0 0 0 0 1", ":": "0 1 0 1 0", ",": "0 0 0 1 1",
    "/": "001 001 010 100 100", "(": "01 10 10 10 01", ")": "10 01 01 01 10", "+": "000 010 111 010 000",
    "'": "1 1 0 0 0", "&": "010 101 010 101 011", "#": "101 111 101 111 101", "%": "101 001 010 100 101",
}  # fmt: skip
_UNKNOWN = "111 101 101 101 111"
_HALVES = {(0, 0): " ", (1, 0): "▀", (0, 1): "▄", (1, 1): "█"}


def width(text: str) -> int:
    """Columns that the text takes."""
    return sum(len(glyph.split()[0]) + 1 for glyph in _glyphs(text)) - 1 if text else 0


def big(text: str, *, unicode: bool) -> list[str]:
    """The text as lines of characters, all of one width."""
    rows = ["0".join(glyph.split()[row] for glyph in _glyphs(text)) for row in range(HIGH)]
    if not unicode:
        return [row.replace("0", " ").replace("1", "#") for row in rows]
    rows.append("0" * len(rows[0]))
    return [
        "".join(_HALVES[int(a), int(b)] for a, b in zip(upper, lower, strict=True))
        for upper, lower in zip(rows[::2], rows[1::2], strict=True)
    ]


def fitting(text: str, columns: int, most_lines: int = 2) -> list[str]:
    """The text in lines that fit when big, broken between words; what does not fit ends with a full stop."""
    lines = [""]
    for word in text.split():
        wider = f"{lines[-1]} {word}".strip()
        if width(wider) <= columns or not lines[-1]:
            lines[-1] = wider
        else:
            lines.append(word)
    cut = len(lines) > most_lines
    lines = lines[:most_lines]
    for i, line in enumerate(lines):
        while width(line) > columns or (cut and i == len(lines) - 1 and not line.endswith(".")):
            line = line.rstrip(".")[:-1] + "."
            lines[i] = line
    return lines


def _glyphs(text: str) -> list[str]:
    plain = unicodedata.normalize("NFKD", text.upper().replace("ß", "SS"))
    return [_GLYPHS.get(c, _UNKNOWN) for c in plain if not unicodedata.combining(c)]
