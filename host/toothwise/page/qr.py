"""The page's address as lines for the terminal, with a QR code to be read by a phone's camera."""

from __future__ import annotations

_HALVES = {(0, 0): " ", (1, 0): "▀", (0, 1): "▄", (1, 1): "█"}
_DARK_ON_LIGHT, _RESET = "\x1b[38;5;16;48;5;231m", "\x1b[0m"
QUIET = 2
"""Light modules around the code. The standard (ISO/IEC 18004) asks for 4; cameras do with 2, and a terminal of 24
lines has no more."""


def code_lines(text: str, *, unicode: bool) -> list[str]:
    """Black on white whatever the terminal's own colours are; two rows of the code a line, or one in plain ASCII."""
    import segno

    code = segno.make(text, error="l", micro=False, boost_error=False)
    rows = [[int(bool(module)) for module in row] for row in code.matrix_iter(border=QUIET)]
    if not unicode:
        on, off = "\x1b[48;5;16m  ", "\x1b[48;5;231m  "
        return ["".join(on if module else off for module in row) + _RESET for row in rows]
    if len(rows) % 2:
        rows.append([0] * len(rows[0]))
    return [
        _DARK_ON_LIGHT + "".join(_HALVES[pair] for pair in zip(upper, lower, strict=True)) + _RESET
        for upper, lower in zip(rows[::2], rows[1::2], strict=True)
    ]


def address_lines(address: str, look_only: str, *, code: bool, unicode: bool) -> list[str]:
    """The addresses in words, and the code of the first where it can be shown."""
    return [
        f"The page: {address}",
        f"to look only: {look_only}",
        *(code_lines(address, unicode=unicode) if code else []),
    ]
