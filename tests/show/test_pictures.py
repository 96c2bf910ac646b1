"""The pictures for README: well-formed, and with the characters that were on the screen."""

from __future__ import annotations

from xml.etree import ElementTree

from toothwise.show.screen import Look, Screen

from tests.pictures import svg
from tests.show.test_raster import Terminal


def test_a_screen_becomes_a_picture_that_keeps_every_word_and_block() -> None:
    stream = Terminal()
    screen = Screen(stream, Look(stream))
    line = screen.line([(" <title> & more  ", "title"), ("::█▀░", "missing")])
    picture = ElementTree.fromstring(svg([line], "a & b"))
    texts = [node.text for node in picture.iter("{http://www.w3.org/2000/svg}text")]
    assert texts == ["<title> & more", "::"]
    rects = list(picture.iter("{http://www.w3.org/2000/svg}rect"))
    assert len(rects) == 1 + 1 + 3, "paper, title bar, three blocks"
