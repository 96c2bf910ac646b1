"""Drawings and pages: the same every time, up to date, readable, and with the program's values on them."""

import itertools
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from toothwise.errors import FileTrouble
from toothwise.wiring import pages, rig
from toothwise.wiring.board import FEED_FULL_SCALE_V, pin_numbers
from toothwise.wiring.limits import PIN_LOW_V, PIN_PULL_UP_OHM, SUPPLY_V
from toothwise.wiring.standard import NAMES, design

from tests.parts import need

FOLDER = Path(__file__).parents[2] / "wiring"
SVG = "{http://www.w3.org/2000/svg}"


def _schemdraw() -> None:
    try:
        import schemdraw

        need("schemdraw 0.23, which drew the files", schemdraw.__version__ == "0.23")
    except ImportError:
        need("schemdraw", False)


@pytest.mark.parametrize("name", [*NAMES, "rig"])
def test_drawing_is_the_one_in_the_tree_byte_for_byte(name):
    _schemdraw()
    made = pages.drawing(name)
    assert made == pages.drawing(name)
    assert made == (FOLDER / f"{name}.svg").read_bytes(), f"run: toothwise wiring draw {FOLDER}"


@pytest.mark.parametrize("page", sorted(FOLDER.glob("*.md")), ids=lambda page: page.name)
def test_pages_hold_the_programs_own_numbers(page):
    text = page.read_text(encoding="utf-8")
    assert pages.filled(text) == text, f"run: toothwise wiring draw {FOLDER}"
    for target in re.findall(r"\]\(([^):#]+)\)", text):
        assert (page.parent / target).exists(), target


def test_unknown_block_is_refused():
    with pytest.raises(FileTrouble, match="no block called horoscope"):
        pages.filled("<!-- horoscope -->\n<!-- end -->")


def _texts(name):
    root = ElementTree.fromstring((FOLDER / f"{name}.svg").read_bytes())
    return root, root.findall(f"{SVG}text")


@pytest.mark.parametrize("name", NAMES)
def test_every_listed_value_stands_on_the_drawing_beside_its_part(name):
    texts = [" ".join((element.text or "").split()) for element in _texts(name)[1]]
    for part in design(name).parts:
        first, *others = re.split(r", | to ", part.ref)
        joined = " ".join(texts)
        if " to " in part.ref:  # D1 to D8
            letter = first[0]
            others = [f"{letter}{number}" for number in range(2, int(others[0][1:]) + 1)]
        for ref in (first, *others):
            if ref == "C4":
                continue  # sits in the sensor's connector, off the sheet
            assert re.search(rf"\b{ref}\b", joined), f"{ref} is not on the drawing"
            if part.value and part.ref[0] in "RC" and ref not in ("C3",):
                assert f"{ref} {part.value}" in joined, f"{ref} {part.value}"


@pytest.mark.parametrize("name", [*NAMES, "rig"])
def test_texts_do_not_touch_and_lie_on_the_sheet(name):
    root, texts = _texts(name)
    left, top, width, height = (float(number) for number in root.attrib["viewBox"].split())
    boxes = []
    for element in texts:
        size, x, y = (float(element.attrib[key]) for key in ("font-size", "x", "y"))
        wide = 0.55 * size * len(element.text or "")
        start = x - {"start": 0.0, "middle": wide / 2, "end": wide}[element.attrib["text-anchor"]]
        boxes.append((start, y - 0.75 * size, start + wide, y + 0.2 * size, element.text))
        assert left <= start and start + wide <= left + width and top <= y - size and y <= top + height
        assert size >= 11
    for one, other in itertools.combinations(boxes, 2):
        apart = one[2] <= other[0] or other[2] <= one[0] or one[3] <= other[1] or other[3] <= one[1]
        assert apart, (one[4], other[4])


def test_pin_numbers_are_the_firmwares():
    numbers = pin_numbers()
    assert set(pages._PIN_USE) == set(numbers)
    drawn = " ".join(" ".join((e.text or "").split()) for e in _texts("rig")[1])
    for name, number in numbers.items():
        assert f"{name} GP{number}" in drawn


def test_continuity_low_reads_low():
    """With the pin's own pull-up at its strongest."""
    path = rig.rig().conductor_ohm + rig.rig().return_ohm
    assert SUPPLY_V.high * path / (path + PIN_PULL_UP_OHM.low) < PIN_LOW_V


def test_feed_divider_is_the_one_the_firmware_counts_on():
    front = design("feed-12v")
    share = front.spreads["bottom"].nominal / (front.spreads["bottom"].nominal + front.spreads["series"].nominal)
    assert 3.3 / share == pytest.approx(FEED_FULL_SCALE_V, rel=0.01)
