"""A pin map per board. A file pins.json on the board, an object of the same names, changes single entries.

Inputs are pulled up and expect a front end with an open-collector output or none (wiring/). The mark
button connects its pin to ground. -1: this board has no such pin. A board with state machines needs all four inputs.
"""

import json
import sys

NAMES = (
    "crank",
    "cam",
    "feed",
    "aux",
    "pattern",
    "buzzer",
    "lamp",
    "mark",
    "conductor_1",
    "conductor_2",
    "conductor_3",
    "drive",
    "direction",
    "enable",
    "feed_volts",
    "temperature",
)
"""crank to aux: inputs. pattern: output of the self-check, jumpered to crank. conductor_n: outputs of the
continuity watch, each through its resistor; the far ends come back to crank, cam and feed. drive, direction, enable:
outputs to a test bench's motor controller."""

_MAPS = {
    "rp2": (2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 14, 15, 16, 26, 27),
    "esp32": (16, 17, 18, 19, 23, 25, 26, 27, 13, 14, 32, 21, 22, 33, 34, 35),
    # Numbered pins that most small boards have; check against the board's own drawing.
    "other": (2, 3, 4, 5, 6, 7, 8, 9, -1, -1, -1, -1, -1, -1, -1, -1),
}

FEED_FULL_SCALE_MV = 16500
"""Feed volts at full scale of the input: 3.3 V behind the front end's 1:5 divider."""


def pin_map() -> dict[str, int]:
    """Names to pin numbers for this board. Raises ValueError for an unknown name in pins.json."""
    found = dict(zip(NAMES, _MAPS.get(sys.platform, _MAPS["other"])))
    try:
        with open("pins.json") as file:
            own = json.load(file)
    except OSError:
        own = {}
    for name, pin in own.items():
        if name not in found:
            raise ValueError("pins.json: unknown name " + name)
        found[name] = pin
    return found
