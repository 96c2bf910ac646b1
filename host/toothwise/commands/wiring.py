"""`toothwise wiring`: front ends between a vehicle's wires and the board's pins."""

from __future__ import annotations

from toothwise.commands import parsing
from toothwise.wiring.command import add_arguments, run

_ABOUT = """
Front ends between a vehicle's wires and the board's pins: parts and worst cases, drawings, and a simulation campaign.

A design that would break a pin, load the vehicle's wire or lose teeth at top speed is refused, with the reason.
"""

_EXAMPLES = """
toothwise wiring design hall --sensor-volts 5 --wheel 60-2 --top-rpm 8000
toothwise wiring design reluctance --peak-volts 0.3 --at-rpm 60 --json
toothwise wiring simulate --runs 200       every front end, in ngspice
toothwise wiring draw wiring               drawings and tables of that folder, made anew
"""


def add(commands: parsing.Commands) -> None:
    add_arguments(parsing.command(commands, "wiring", run, "design, draw and simulate front ends", _ABOUT, _EXAMPLES))
