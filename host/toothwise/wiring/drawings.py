"""The drawing of each front end, with the values of its design."""

from __future__ import annotations

from toothwise.wiring.front import FrontEnd
from toothwise.wiring.sheet import TITLE, Sheet


def drawing(front: FrontEnd, pin: str) -> bytes:
    """The front end as an SVG file; pin: what its output is wired to."""
    sheet = Sheet(front.title)
    if front.name == "reluctance":
        _pair(sheet, front, pin)
    else:
        _single(sheet, front, pin)
    return sheet.svg()


def _single(sheet: Sheet, front: FrontEnd, pin: str) -> None:
    sheet.text((0.0, 5.6), front.title, align="left", size=TITLE)
    _lead(sheet, front)
    sheet.part("resistor", (1, 0), (4, 0), f"R1 {front.value('series', 'Ω')}")
    sheet.wire((4, 0), (10.6, 0))
    if "bottom" in front.spreads:
        sheet.part("resistor", (4.4, 0), (4.4, -3), _named(front, "R2", "bottom", "Ω"))
        sheet.ground((4.4, -3))
        sheet.joint((4.4, 0))
    sheet.part("capacitor", (7.0, 0), (7.0, -3), _named(front, "C1", "filter", "F"))
    diode = "schottky" if front.name == "feed" else "silicon"
    sheet.part(diode, (9.4, 0), (9.4, 3), "D1")
    sheet.supply((9.4, 3))
    sheet.part(diode, (9.4, -3), (9.4, 0), "D2")
    sheet.ground((7.0, -3), (9.4, -3))
    sheet.joint((7.0, 0), (9.4, 0))
    if "analogue_series" in front.spreads:
        sheet.wire((5.6, 0), (5.6, 2.2))
        sheet.joint((5.6, 0))
        sheet.part("resistor", (5.6, 2.2), (2.6, 2.2), f"R9 {front.value('analogue_series', 'Ω')}", side="below")
        sheet.terminal((2.6, 2.2), "analogue pin\nfeed_volts")
    sheet.part("resistor", (10.6, 0), (13.6, 0), f"R3 {front.value('into_input', 'Ω')}")
    tip = (18.4, -0.625)
    plus, minus = sheet.comparator(tip, "U1")
    sheet.wire((13.6, 0), plus)
    sheet.wire((14.4, 0), (14.4, 3.4), (14.9, 3.4))
    sheet.part("resistor", (14.9, 3.4), (18.4, 3.4), f"R4 {front.value('hysteresis', 'Ω')}")
    sheet.wire((18.4, 3.4), (19.4, 3.4), (19.4, tip[1]))
    sheet.joint((14.4, 0), (19.4, tip[1]))
    low = -5.6
    sheet.wire(minus, (13.0, minus[1]), (13.0, low))
    sheet.part("resistor", (10.0, low), (13.0, low), f"R5 {front.value('reference_top', 'Ω')}", side="below")
    sheet.supply((10.0, low))
    sheet.part("resistor", (13.0, low), (13.0, low - 3), _named(front, "R6", "reference_bottom", "Ω"))
    sheet.wire((13.0, low), (15.9, low))
    sheet.part("capacitor", (15.9, low), (15.9, low - 3), _named(front, "C2", "reference_bulk", "F"))
    sheet.ground((13.0, low - 3), (15.9, low - 3))
    sheet.joint((13.0, low))
    _output(sheet, front, pin, tip, 21.2, 19.6)


def _named(front: FrontEnd, ref: str, value: str, unit: str) -> str:
    return f"{ref}\n{front.value(value, unit)}"


def _lead(sheet: Sheet, front: FrontEnd) -> None:
    """The clip, and what stands before R1 in the builds for a sensor alone."""
    name = {"hall": "signal wire", "current": "sensor's return", "feed": "feed wire"}[front.name]
    if front.asked.get("variant") != "bench":
        sheet.terminal((0.6, 0), name)
        sheet.wire((0.6, 0), (1, 0))
    elif front.name == "current":
        sheet.part("fuse", (-2.6, 0), (0.2, 0), "F1 50 mA")
        sheet.terminal((-2.6, 0), name)
        sheet.wire((0.2, 0), (1, 0))
        sheet.part("resistor", (0.6, 0), (0.6, -3), f"R9\n{front.value('shunt', 'Ω')}", side="left")
        sheet.ground((0.6, -3))
        sheet.joint((0.6, 0))
    else:
        sheet.terminal((-0.6, 0), name)
        sheet.wire((-0.6, 0), (1, 0))
        sheet.part("resistor", (0.6, 0), (0.6, 3), f"R9\n{front.value('bench_pull_up', 'Ω')}", side="left")
        sheet.joint((0.6, 0), (0.6, 3))
        sheet.terminal((-0.6, 3), "sensor's feed")
        sheet.wire((-0.6, 3), (1.4, 3))
        sheet.part("fuse", (1.4, 3), (4.0, 3), "F1 100 mA")
        sheet.terminal((4.0, 3), f"your {front.asked['sensor_volts']:g} V", right=True)
    sheet.terminal((0.6, -8), "sensor's ground")
    sheet.wire((0.6, -8), (2.0, -8))
    sheet.ground((2.0, -8))


def _pair(sheet: Sheet, front: FrontEnd, pin: str) -> None:
    top, middle, bottom = 0.0, -5.0, -10.0
    sheet.text((0.0, 2.6), front.title, align="left", size=TITLE)
    for y, ref, name in ((top, "R1", "coil wire 1"), (bottom, "R2", "coil wire 2")):
        sheet.terminal((0.6, y), name)
        sheet.wire((0.6, y), (1, y))
        sheet.part("resistor", (1, y), (4, y), f"{ref} {front.value('series_plus', 'Ω')}")
        sheet.wire((4, y), (13.6, y))
    sheet.wire((1.0, middle), (10.6, middle))
    sheet.part("resistor", (3.0, middle), (3.0, middle + 2.8), _named(front, "R5", "middle_top", "Ω"))
    sheet.supply((3.0, middle + 2.8))
    sheet.part("resistor", (3.0, middle), (3.0, middle - 2.8), _named(front, "R6", "middle_bottom", "Ω"))
    sheet.ground((3.0, middle - 2.8))
    sheet.part("electrolytic", (1.0, middle), (1.0, middle - 2.8), _named(front, "C2", "middle_bulk", "F"), side="left")
    sheet.ground((1.0, middle - 2.8))
    sheet.text((0.6, middle + 0.1), "the middle", align="right")
    for y, ref in ((top, "R3"), (bottom, "R4")):
        sheet.part("resistor", (5.6, y), (5.6, middle), _named(front, ref, "bias_plus", "Ω"))
    half_up, half_down = (top + middle) / 2, (bottom + middle) / 2
    for start, half, names in (
        (top, half_up, ("D1", "D2", "D3", "D4")),
        (bottom, half_down, ("D5", "D6", "D7", "D8")),
    ):
        sheet.part("silicon", (8.2, start), (8.2, half), names[0])
        sheet.part("silicon", (8.2, half), (8.2, middle), names[1])
        sheet.part("silicon", (10.6, middle), (10.6, half), names[2])
        sheet.part("silicon", (10.6, half), (10.6, start), names[3])
        sheet.joint((5.6, start), (8.2, start), (10.6, start), (12.8, start))
    sheet.joint((3.0, middle), (5.6, middle), (8.2, middle), (10.6, middle))
    sheet.part("capacitor", (12.8, top), (12.8, bottom), _named(front, "C1", "filter", "F"))
    sheet.part("resistor", (13.6, top), (16.6, top), f"R9 {front.value('into_plus', 'Ω')}")
    sheet.part("resistor", (13.6, bottom), (16.6, bottom), f"R10 {front.value('into_minus', 'Ω')}")
    plus, minus = sheet.comparator((20.8, middle), "U1")
    sheet.wire((16.6, top), (17.2, top), (17.2, plus[1]), plus)
    sheet.wire((16.6, bottom), (17.2, bottom), (17.2, minus[1]), minus)
    sheet.wire((17.2, top), (18.0, top))
    sheet.part("resistor", (18.0, top), (21.0, top), f"R11 {front.value('hysteresis', 'Ω')}")
    sheet.wire((21.0, top), (21.9, top), (21.9, middle))
    sheet.joint((17.2, top), (21.9, middle))
    _output(sheet, front, pin, (20.8, middle), 23.8, 21.4)


def _output(sheet: Sheet, front: FrontEnd, pin: str, tip: tuple[float, float], pull_x: float, bulk_x: float) -> None:
    """Pull-up, series resistor and pin to the right of the comparator, and U1's own supply."""
    y = tip[1]
    sheet.wire(tip, (pull_x + 1.6, y))
    sheet.part("resistor", (pull_x, y), (pull_x, y + 3), f"R7\n{front.value('pull_up', 'Ω')}")
    sheet.supply((pull_x, y + 3))
    sheet.joint((pull_x, y))
    sheet.part("resistor", (pull_x + 1.6, y), (pull_x + 4.6, y), f"R8 {front.value('pin_series', 'Ω')}")
    sheet.terminal((pull_x + 4.6, y), pin, right=True)
    sheet.part("capacitor", (bulk_x, y - 3.2), (bulk_x, y - 5.6), "C3 100 nF\nacross U1's\nsupply pins")
    sheet.supply((bulk_x, y - 3.2))
    sheet.ground((bulk_x, y - 5.6))
