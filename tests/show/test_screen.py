"""The screen: what changed is written and nothing else; plain where it is not a terminal."""

from __future__ import annotations

import io

import pytest
from toothwise.show.screen import Look, Screen
from toothwise.show.table import table, width

from tests.show.test_raster import Terminal


def test_only_changed_lines_are_written() -> None:
    stream = Terminal()
    screen = Screen(stream, Look(stream))
    screen.draw(["one", "two", "three"])
    stream.truncate(0)
    screen.draw(["one", "2", "three"])
    assert "2" in stream.getvalue()
    assert "one" not in stream.getvalue()
    stream.truncate(0)
    screen.draw(["one", "2", "three"])
    assert stream.getvalue() == ""


def test_the_terminal_is_given_back_even_after_an_error() -> None:
    stream = Terminal()
    with pytest.raises(RuntimeError), Screen(stream, Look(stream)):
        raise RuntimeError
    assert stream.getvalue().endswith("\x1b[?25h\x1b[?1049l")


def test_a_pipe_gets_neither_colours_nor_a_live_view() -> None:
    look = Look(io.StringIO())
    assert (look.live, look.colour) == (False, False)
    assert look.paint("x", "missing") == "x"


def test_no_color_and_a_dumb_terminal_are_respected(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    assert Look(Terminal()).colour
    monkeypatch.setenv("NO_COLOR", "1")
    assert not Look(Terminal()).colour
    monkeypatch.setenv("TERM", "dumb")
    assert not Look(Terminal()).live


def test_a_stream_without_blocks_gets_ascii(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    stream = Terminal()
    assert Look(stream).unicode
    assert not Look(stream, ascii_only=True).unicode
    stream.encoding = "latin-1"
    assert not Look(stream).unicode


def test_a_line_is_cut_at_the_width_of_the_screen() -> None:
    stream = Terminal()
    look = Look(stream)
    look.colour = False
    assert Screen(stream, look).line([("a" * 50, ""), ("b" * 50, "strong")]) == "a" * 50 + "b" * 30


def test_columns_align_whatever_stands_in_them() -> None:
    lines = table([["no.", "name"], ["1", "日本"], ["22", "e\u0301x\x1b[1m"]], right={0})
    assert lines == ["no.  name", "  1  日本", " 22  e\u0301x [1m"]
    assert width("日本") == 4
    assert width("e\u0301") == 1
