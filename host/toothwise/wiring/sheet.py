"""A sheet to draw circuits on: parts between two points, labelled with reference and value; the same every time.

The symbols come from schemdraw; the text is set here, so that it stands where it is meant to in every viewer.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from xml.etree import ElementTree

import schemdraw
from schemdraw import elements as elm

Point = tuple[float, float]

FONT = "DejaVu Sans, Verdana, sans-serif"
SIZE = 13.0
SMALL = 11.5
TITLE = 17.0
INCHES_PER_UNIT = 0.42
PX_PER_UNIT = INCHES_PER_UNIT * 72
# Mean width of a character in this font, of its size: for the margin only.
CHARACTER = 0.62
LINE = 1.3
MARGIN_PX = 14.0
_KINDS = {
    "resistor": elm.ResistorIEC,
    "capacitor": elm.Capacitor,
    "electrolytic": elm.Capacitor2,
    "silicon": elm.Diode,
    "schottky": elm.Schottky,
    "fuse": elm.FuseIEC,
    "led": elm.LED,
    "button": elm.Button,
    "coil": elm.Inductor2,
    "thermistor": elm.ResistorVarIEC,
    "buzzer": elm.Crystal,
}


class Sheet:
    """Coordinates in drawing units, x right, y up; a part is best given 3 of them."""

    def __init__(self, title: str) -> None:
        schemdraw.use("svg")
        self._drawing = schemdraw.Drawing(show=False)
        self._drawing.config(unit=3, inches_per_unit=INCHES_PER_UNIT, lw=1.4)
        self._title = title
        self._texts: list[ElementTree.Element] = []
        self._reach: list[tuple[float, float, float, float]] = []

    def part(self, kind: str, start: Point, end: Point, label: str, *, side: str = "") -> None:
        """A part with two ends. kind: a key of the table above.

        side: where the label goes, "above" or "below" a lying part, "right" or "left" of an upright one;
        above and right if not given.
        """
        self._drawing.add(_KINDS[kind]().endpoints(start, end))
        x, y = (start[0] + end[0]) / 2, (start[1] + end[1]) / 2
        lines = label.count("\n") + 1
        if start[0] == end[0]:
            left = side == "left"
            self.text((x - 0.45, y) if left else (x + 0.45, y), label, align="right" if left else "left")
        else:
            off = 0.42 + SIZE * LINE * lines / 2 / PX_PER_UNIT
            self.text((x, y - off if side == "below" else y + off), label)

    def wire(self, *points: Point) -> None:
        """A wire through the points."""
        for start, end in pairwise(points):
            self._drawing.add(elm.Line().endpoints(start, end))

    def joint(self, *points: Point) -> None:
        """Dots where wires join."""
        for point in points:
            self._drawing.add(elm.Dot(radius=0.09).at(point))

    def ground(self, *points: Point) -> None:
        """The rig's ground."""
        for point in points:
            self._drawing.add(elm.Ground().at(point))

    def supply(self, at: Point, text: str = "3.3 V") -> None:
        """A supply, drawn upwards."""
        self._drawing.add(elm.Vdd().at(at))  # type: ignore[no-untyped-call]
        self.text((at[0], at[1] + 0.75), text)

    def terminal(self, at: Point, text: str, *, right: bool = False) -> None:
        """An open end with its name beside it."""
        self._drawing.add(elm.Dot(open=True, radius=0.12).at(at))
        self.text((at[0] + (0.35 if right else -0.35), at[1]), text, align="left" if right else "right")

    def comparator(self, tip: Point, name: str) -> tuple[Point, Point]:
        """A comparator with its output at `tip`; returns the ends of its + (upper) and - (lower) inputs."""
        device = self._drawing.add(elm.Opamp(leads=False).flip().anchor("out").at(tip))
        self.text((tip[0] - 1.3, tip[1]), name)
        plus, minus = device.absanchors["in2"], device.absanchors["in1"]
        return (float(plus[0]), float(plus[1])), (float(minus[0]), float(minus[1]))

    def box(self, corner: Point, width: float, height: float, text: str = "", *, dashed: bool = False) -> None:
        """A box from its lower left corner, its name in the middle of its upper edge's inside."""
        x, y = corner
        outline = ((x, y), (x + width, y), (x + width, y + height), (x, y + height), (x, y))
        for start, end in pairwise(outline):
            line = elm.Line().endpoints(start, end)
            self._drawing.add(line.linestyle("--") if dashed else line)
        if text:
            self.text((x + width / 2, y + height - 0.2 - SIZE * LINE * (text.count("\n") + 1) / 2 / PX_PER_UNIT), text)

    def text(self, at: Point, text: str, *, align: str = "center", size: float = SIZE) -> None:
        """Text around a point, broken at newlines. align: which of its edges lies there, left, right or center."""
        lines = text.split("\n")
        anchor = {"left": "start", "right": "end", "center": "middle"}[align]
        x, middle = at[0] * PX_PER_UNIT, -at[1] * PX_PER_UNIT
        for number, line in enumerate(lines):
            # A line's middle lies a third of the size above its foot.
            y = middle + (number - (len(lines) - 1) / 2) * size * LINE + size * 0.35
            place = {"x": _number(x), "y": _number(y), "font-size": _number(size), "text-anchor": anchor}
            element = ElementTree.Element("text", {**place, "font-family": FONT, "fill": "black"})
            element.text = line
            self._texts.append(element)
            width = len(line) * size * CHARACTER
            left = x - {"start": 0.0, "end": width, "middle": width / 2}[anchor]
            self._reach.append((left, y - size, left + width, y + size * 0.3))

    def svg(self) -> bytes:
        """The sheet as an SVG file, with a title for those who cannot see it, on a white ground."""
        root = ElementTree.fromstring(self._drawing.get_imagedata("svg"))
        space = root.tag.partition("}")[0] + "}"
        x, y, width, height = (float(number) for number in root.attrib["viewBox"].split())
        left, top, right, bottom = _around([*self._reach, (x, y, x + width, y + height)])
        size = {"width": _number(right - left), "height": _number(bottom - top)}
        root.attrib |= {**size, "viewBox": f"{_number(left)} {_number(top)} {size['width']} {size['height']}"}
        title = ElementTree.Element(f"{space}title")
        title.text = self._title
        paper = ElementTree.Element(f"{space}rect", {"x": _number(left), "y": _number(top), **size, "fill": "white"})
        root.insert(0, title)
        root.insert(1, paper)
        for element in self._texts:
            element.tag = f"{space}text"
            root.append(element)
        ElementTree.register_namespace("", space.strip("{}"))
        ElementTree.indent(root, " ")
        text: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
        return text + b"\n"


def _around(reach: Iterable[tuple[float, float, float, float]]) -> tuple[float, float, float, float]:
    lefts, tops, rights, bottoms = zip(*reach, strict=True)
    return min(lefts) - MARGIN_PX, min(tops) - MARGIN_PX, max(rights) + MARGIN_PX, max(bottoms) + MARGIN_PX


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
