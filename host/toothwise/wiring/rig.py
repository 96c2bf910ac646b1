"""The whole rig: the board, its front ends, the small parts on its other pins, and the way to the laptop."""

from __future__ import annotations

from dataclasses import dataclass

from toothwise.wiring.board import pin_numbers
from toothwise.wiring.front import film
from toothwise.wiring.limits import SUPPLY_BULK_F, SUPPLY_V
from toothwise.wiring.parts import E24, Part, at_least, nearest, written
from toothwise.wiring.sheet import TITLE, Sheet

LAMP_V, LAMP_A = 2.0, 4e-3  # a red or green light-emitting diode, from memory; 4 mA is a pin's usual strength
BUZZER_A = 10e-3  # a piezo disc is a capacitor: its charging current must stay below the pin's 12 mA
CONDUCTOR_OHM = 1e3  # the firmware's continuity watch counts on it
RETURN_OHM = 4.7e3
THERMISTOR_OHM = 10e3


@dataclass(frozen=True)
class Rig:
    """Values of the parts around the board, in ohm, and the pin numbers by name."""

    lamp_ohm: float
    buzzer_ohm: float
    conductor_ohm: float
    return_ohm: float
    thermistor_ohm: float
    pins: dict[str, int]

    def parts(self) -> tuple[Part, ...]:
        """The parts beside the front ends."""
        return (
            Part("B1", "board", "", "RP2040 or RP2350, on a carrier with pin headers", "captures the edges"),
            film("R21", self.lamp_ohm, "sets the lamp's current"),
            Part("LED1", "light-emitting diode, red", "", "20 mA", "the lamp"),
            film("R22", self.buzzer_ohm, "limits the buzzer's charging current"),
            Part("BZ1", "piezo buzzer, passive (without its own tone)", "", "3 V", "tells by ear what happened"),
            Part("S1", "push button, makes when pressed", "", "", "marks the moment; on a lead you can hold"),
            film("R23", self.thermistor_ohm, "halves the 3.3 V with the thermistor at 25 °C"),
            Part(
                "RT1",
                "thermistor, falling with heat (NTC)",
                written(self.thermistor_ohm, "Ω"),
                "at 25 °C, 5 %",
                "the temperature beside the part under test",
            ),
            Part(
                "R24 to R26",
                "metal film resistor",
                written(self.conductor_ohm, "Ω"),
                "1 %, 0.25 W",
                "continuity leads, out",
            ),
            Part(
                "R27 to R29",
                "metal film resistor",
                written(self.return_ohm, "Ω"),
                "1 %, 0.25 W",
                "continuity leads, back",
            ),
            Part(
                "C21",
                "ceramic or electrolytic capacitor",
                written(SUPPLY_BULK_F, "F"),
                "10 V",
                "from 3.3 V to ground, beside the front ends",
            ),
            Part("J1", "jumper wire, both ends plug in", "", "", "the self-check's loop; out of its place in use"),
            Part(
                "X1",
                "USB isolator, full speed",
                "",
                "≥ 1 kV; not needed while the laptop runs on its battery",
                "parts the laptop from the vehicle's ground",
            ),
        )


def rig() -> Rig:
    """The rig for the board with state machines, pins from the firmware's own map."""
    return Rig(
        lamp_ohm=nearest((SUPPLY_V.nominal - LAMP_V) / LAMP_A, E24),
        buzzer_ohm=at_least(SUPPLY_V.nominal / BUZZER_A, E24),
        conductor_ohm=CONDUCTOR_OHM,
        return_ohm=RETURN_OHM,
        thermistor_ohm=THERMISTOR_OHM,
        pins=pin_numbers(),
    )


EDGE_X, BOARD_X, BOARD_W, TOP_Y = -7.2, 13.0, 9.5, 2.6
RIGHT_STEP = {"temperature": 4.4, "conductor_1": 4.8}
LEFT = ("crank", "cam", "feed", "feed_volts", "aux")
DRIVE = ("drive", "direction", "enable")
RIGHT = ("mark", "lamp", "buzzer", "temperature", "conductor_1", "conductor_2", "conductor_3", "pattern", *DRIVE)


def pin_text(values: Rig, name: str) -> str:
    """A pin as the drawings name it."""
    return f"{name}  GP{values.pins[name]}"


def drawing() -> bytes:
    """The rig as an SVG file a person can wire from."""
    values = rig()
    sheet = Sheet("The whole rig: vehicle, front ends, board, panel, laptop")
    sheet.text((EDGE_X, 8.4), "The whole rig", align="left", size=TITLE)
    height = 3.0 * len(LEFT) + 15.0
    bottom = TOP_Y - height
    sheet.box((BOARD_X, bottom), BOARD_W, height + 1.6, "the board\n(RP2040 or RP2350)")
    left_y = {name: TOP_Y - 1.6 - 3.0 * number for number, name in enumerate(LEFT)}
    left_y["feed_volts"] += 1.3
    right_y: dict[str, float] = {}
    y = TOP_Y - 1.6
    for name in RIGHT:
        y -= RIGHT_STEP.get(name, 2.3) if right_y else 0.0
        right_y[name] = y
    for name, y in left_y.items():
        sheet.text((BOARD_X + 0.3, y), pin_text(values, name), align="left")
    for name, y in right_y.items():
        sheet.text((BOARD_X + BOARD_W - 0.3, y), pin_text(values, name), align="right")
    _vehicle_side(sheet, left_y)
    _panel_side(sheet, values, right_y, BOARD_X + BOARD_W)
    _supply(sheet, bottom + 1.4)
    _laptop(sheet)
    sheet.text(
        (EDGE_X, bottom - 1.5),
        "In a vehicle the rig only listens. pattern and conductor_1 to 3 are outputs: never connect them to a harness\n"
        "that is plugged into a control unit. J1 is in place for the self-check only, with every clip off the vehicle.",
        align="left",
    )
    return sheet.svg()


def _supply(sheet: Sheet, y: float) -> None:
    sheet.text((BOARD_X + 0.3, y + 2.2), "3V3 (out)", align="left")
    sheet.text((BOARD_X + 0.3, y), "GND", align="left")
    sheet.wire((BOARD_X, y + 2.2), (BOARD_X - 7.0, y + 2.2))
    sheet.terminal((BOARD_X - 7.0, y + 2.2), "3.3 V to every front end")
    sheet.wire((BOARD_X, y), (BOARD_X - 7.0, y))
    sheet.terminal((BOARD_X - 7.0, y), "sensor's ground, one clip at the sensor,\nand ground of every front end")
    sheet.part("electrolytic", (BOARD_X - 3.2, y + 2.2), (BOARD_X - 3.2, y), f"C21\n{written(SUPPLY_BULK_F, 'F')}")
    sheet.joint((BOARD_X - 3.2, y), (BOARD_X - 3.2, y + 2.2), (BOARD_X - 1.2, y))
    sheet.wire((BOARD_X - 1.2, y), (BOARD_X - 1.2, y - 0.4))
    sheet.ground((BOARD_X - 1.2, y - 0.4))


def _laptop(sheet: Sheet) -> None:
    x, y = BOARD_X + BOARD_W / 2, 6.6
    sheet.wire((x, TOP_Y + 1.6), (x, y), (BOARD_X + BOARD_W + 2, y))
    sheet.text((x + 0.3, TOP_Y + 2.3), "USB", align="left")
    x = BOARD_X + BOARD_W + 2
    sheet.box((x, y - 1), 5.0, 2.0)
    sheet.text((x + 2.5, y), "X1\nUSB isolator")
    sheet.wire((x + 5.0, y), (x + 7.0, y))
    sheet.box((x + 7.0, y - 1), 5.0, 2.0)
    sheet.text((x + 9.5, y), "laptop")
    sheet.text(
        (x, y - 1.9), "Without X1: laptop on its battery, charger and\nevery other cable unplugged.", align="left"
    )


def _vehicle_side(sheet: Sheet, left_y: dict[str, float]) -> None:
    for name, wire, what in (
        ("crank", "crank sensor's\nsignal wire(s)", "front end: Hall,\ncoil or current"),
        ("cam", "cam sensor's\nsignal wire", "front end:\nHall"),
        ("feed", "sensor's\nfeed wire", "front end:\nfeed"),
    ):
        y = left_y[name]
        sheet.terminal((-1.2, y), wire)
        sheet.wire((-1.2, y), (2.2, y))
        sheet.box((2.2, y - 1.1), 5.0, 2.2)
        sheet.text((4.7, y), what)
        sheet.wire((7.2, y), (BOARD_X, y))
    y = left_y["feed_volts"]
    sheet.wire((6.0, left_y["feed"] - 1.1), (6.0, y), (BOARD_X, y))
    sheet.text((7.4, y - 0.55), "from its R9", align="left")
    y = left_y["aux"]
    sheet.wire((BOARD_X, y), (9.4, y))
    sheet.terminal((9.4, y), "a fourth front end, if wanted")
    low, high = left_y["feed"] - 1.6, left_y["crank"] + 3.9
    sheet.box((EDGE_X, low), 6.0, high - low, "vehicle: sensor and\ncontrol unit stay\nplugged together", dashed=True)


def _panel_side(sheet: Sheet, values: Rig, right_y: dict[str, float], x: float) -> None:
    def ohm(value: float) -> str:
        return written(value, "Ω")

    for name in DRIVE:
        sheet.wire((x, right_y[name]), (x + 4, right_y[name]))
        sheet.terminal((x + 4, right_y[name]), f"bench motor's driver: {name}", right=True)
    y = right_y["mark"]
    sheet.wire((x, y), (x + 4, y))
    sheet.part("button", (x + 4, y), (x + 7, y), "S1 mark")
    sheet.wire((x + 7, y), (x + 8, y))
    y = right_y["lamp"]
    sheet.wire((x, y), (x + 1, y))
    sheet.part("resistor", (x + 1, y), (x + 4, y), f"R21 {ohm(values.lamp_ohm)}")
    sheet.part("led", (x + 4, y), (x + 7, y), "LED1 lamp", side="below")
    sheet.wire((x + 7, y), (x + 8, y))
    y = right_y["buzzer"]
    sheet.wire((x, y), (x + 1, y))
    sheet.part("resistor", (x + 1, y), (x + 4, y), f"R22 {ohm(values.buzzer_ohm)}")
    sheet.part("buzzer", (x + 4, y), (x + 7, y), "BZ1 buzzer")
    sheet.wire((x + 7, y), (x + 8, y))
    y = right_y["temperature"]
    sheet.wire((x, y), (x + 4, y))
    sheet.part("thermistor", (x + 4, y), (x + 7, y), f"RT1 {ohm(values.thermistor_ohm)}", side="below")
    sheet.wire((x + 7, y), (x + 8, y))
    sheet.joint((x + 2.2, y))
    sheet.part("resistor", (x + 2.2, y), (x + 2.2, y + 2.2), f"R23 {ohm(values.thermistor_ohm)}")
    sheet.supply((x + 2.2, y + 2.2))
    top = right_y["mark"]
    sheet.wire((x + 8, top), (x + 8, y - 0.6))
    sheet.ground((x + 8, y - 0.6))
    sheet.joint(*((x + 8, right_y[name]) for name in ("lamp", "buzzer", "temperature")))
    for number in (1, 2, 3):
        y = right_y[f"conductor_{number}"]
        sheet.wire((x, y), (x + 1, y))
        sheet.part("resistor", (x + 1, y), (x + 4, y), f"R{23 + number} {ohm(values.conductor_ohm)}")
        sheet.terminal((x + 4, y), f"wire {number} out", right=True)
        back = ("crank", "cam", "feed")[number - 1]
        sheet.terminal((x + 8.6, y), "")
        sheet.text((x + 8.2, y), "back", align="right")
        sheet.part("resistor", (x + 8.6, y), (x + 11.6, y), f"R{26 + number} {ohm(values.return_ohm)}")
        sheet.terminal((x + 11.6, y), f"to {back}", right=True)
    sheet.text(
        (x + 1, right_y["conductor_1"] + 2.0),
        "continuity, only on a harness unplugged at both ends,\nwith the front ends taken off their pins:",
        align="left",
    )
    y = right_y["pattern"]
    sheet.wire((x, y), (x + 1, y))
    sheet.terminal((x + 1, y), "J1, for the self-check only: to crank", right=True)
