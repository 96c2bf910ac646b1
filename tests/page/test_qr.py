"""The address on the terminal: the code's modules, and lines that fit."""

from __future__ import annotations

import re

import pytest
import segno
from toothwise.page.qr import QUIET, address_lines, code_lines

ADDRESS = "http://192.168.100.100:8730/" + "0123456789abcdef" * 2 + "/"
HALVES = {" ": (0, 0), "▀": (1, 0), "▄": (0, 1), "█": (1, 1)}


def modules(lines: list[str], *, unicode: bool) -> list[list[int]]:
    """Dark and light as a camera would see them."""
    rows: list[list[int]] = []
    for line in lines:
        if unicode:
            pairs = [HALVES[c] for c in re.sub(r"\x1b\[[\d;]*m", "", line)]
            rows += [[upper for upper, _ in pairs], [lower for _, lower in pairs]]
        else:
            rows.append([int(shade == "16") for shade in re.findall(r"48;5;(\d+)m  ", line)])
    return rows


@pytest.mark.parametrize("unicode", [True, False])
def test_the_code_is_the_addresss(unicode: bool) -> None:
    seen = modules(code_lines(ADDRESS, unicode=unicode), unicode=unicode)
    code = segno.make(ADDRESS, error="l", micro=False, boost_error=False)
    wanted = [[int(bool(module)) for module in row] for row in code.matrix_iter(border=QUIET)]
    assert seen[: len(wanted)] == wanted and not any(map(any, seen[len(wanted) :]))


def test_black_on_white_in_every_terminal() -> None:
    for line in code_lines(ADDRESS, unicode=True):
        assert line.startswith("\x1b[38;5;16;48;5;231m") and line.endswith("\x1b[0m")


def test_all_of_it_fits_a_terminal_of_80_by_24() -> None:
    lines = address_lines(ADDRESS, ADDRESS, code=True, unicode=True)
    assert len(lines) + 1 <= 24
    assert max(len(re.sub(r"\x1b\[[\d;]*m", "", line)) for line in lines) < 80


def test_without_the_code_where_it_cannot_be_shown() -> None:
    assert address_lines("a", "b", code=False, unicode=True) == ["The page: a", "to look only: b"]
