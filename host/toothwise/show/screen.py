"""A whole-screen view drawn cheaply: only lines that changed are written, in one write a frame.

Cells of text carry a style's name; the style becomes a colour only on a terminal that wants colours. What a
colour says is always said by the character too.
"""

from __future__ import annotations

import os
import re
import shutil
import textwrap
from collections.abc import Sequence
from typing import TextIO

Segments = Sequence[tuple[str, str]]
"""Pieces of one line: text and style."""

_CODES = {
    "": "",
    "strong": "1",
    "quiet": "2",
    "title": "1;7",
    "missing": "1;31",
    "extra": "1;35",
    "blind": "36",
    "good": "32",
    "warning": "1;33",
}
# The other screen, no cursor, no wrapping of a line that is too long after all; and back.
_ENTER, _LEAVE = "\x1b[?1049h\x1b[?25l\x1b[?7l\x1b[2J", "\x1b[0m\x1b[?7h\x1b[?25h\x1b[?1049l"
_RESET = "\x1b[0m"
_CODE = re.compile(r"\x1b\[[\d;]*m")


class Look:
    """What a stream can show: whether it is a terminal, takes colours, and has more than ASCII."""

    def __init__(self, stream: TextIO, *, ascii_only: bool = False) -> None:
        terminal = stream.isatty() and os.environ.get("TERM") != "dumb"
        self.live = terminal
        self.colour = terminal and "NO_COLOR" not in os.environ
        self.unicode = not ascii_only and _takes_blocks(stream)

    def wrapped(self, line: str) -> list[str]:
        """A line of running text as lines that fit the terminal, the later ones indented; in a pipe as it is."""
        if not self.live:
            return [line]
        room = shutil.get_terminal_size().columns - 1
        plain = _CODE.sub("", line)
        if len(plain) <= room:
            return [line]
        indent = len(plain) - len(plain.lstrip()) + 2
        parts = textwrap.wrap(plain, room, subsequent_indent=" " * indent)
        start, end = (match[0] if (match := _CODE.search(line)) else ""), _RESET
        return [f"{start}{part}{end}" if start else part for part in parts]

    def paint(self, text: str, style: str) -> str:
        code = _CODES[style] if self.colour else ""
        return f"\x1b[{code}m{text}{_RESET}" if code and text else text


def _takes_blocks(stream: TextIO) -> bool:
    try:
        "▀▄█┃░·".encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    # The console of a Linux machine without a window system has no glyphs for half of these.
    return os.environ.get("TERM") not in ("linux", "dumb", "vt100")


class Screen:
    """Takes over the terminal between `with` and its end; the user's own screen comes back in any case."""

    def __init__(self, stream: TextIO, look: Look) -> None:
        self._stream = stream
        self._look = look
        self._shown: list[str] = []
        self._size = (0, 0)

    def __enter__(self) -> Screen:
        self._write(_ENTER)
        return self

    def __exit__(self, *raised: object) -> None:
        self._write(_LEAVE)

    def size(self) -> tuple[int, int]:
        """Columns and lines now."""
        try:
            columns, lines = os.get_terminal_size(self._stream.fileno())
        except OSError:
            columns, lines = 80, 24
        return (columns or 80, lines or 24)

    def line(self, segments: Segments) -> str:
        """One line's text, cut at the screen's width."""
        room = self._size[0] or self.size()[0]
        out = []
        for text, style in segments:
            if room <= 0:
                break
            text = text[:room]
            room -= len(text)
            out.append(self._look.paint(text, style))
        return "".join(out)

    def draw(self, lines: Sequence[str]) -> None:
        """Show these lines from the top; lines below are cleared. Lines must fit the screen's width."""
        size = self.size()
        if size != self._size:
            self._size, self._shown = size, []
            self._write(_RESET + "\x1b[2J")
        lines = lines[: size[1]]
        out = []
        for at, text in enumerate(lines):
            if at >= len(self._shown) or self._shown[at] != text:
                out.append(f"\x1b[{at + 1};1H\x1b[2K{text}")
        for at in range(len(lines), len(self._shown)):
            out.append(f"\x1b[{at + 1};1H\x1b[2K")
        self._shown = list(lines)
        if out:
            self._write("".join(out))

    def _write(self, text: str) -> None:
        self._stream.write(text)
        self._stream.flush()
