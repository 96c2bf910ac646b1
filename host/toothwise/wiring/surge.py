"""Does a clamp hold? What the standards' pulses do to a clamped node, from Ohm's law and the diode's equation."""

from __future__ import annotations

from dataclasses import dataclass

from toothwise.errors import Trouble
from toothwise.wiring.limits import BOARD_DRAW_A, COMPARATOR_INPUT_A, PIN_ABOVE_SUPPLY_V, PIN_BELOW_GROUND_V
from toothwise.wiring.models import DIODES
from toothwise.wiring.pulses import HIGHEST_V, LONGEST_V, LOWEST_V

# A diode is coldest, and its forward voltage highest, at -20 °C.
COLD_C = -20.0


@dataclass(frozen=True, slots=True)
class Surge:
    """Worst case at the clamped node. into_supply_a: what the clamp feeds into the 3.3 V line.

    above_v, below_v: how far beyond supply and ground the node goes. resistor_w: in the series resistor while
    the longest pulse lasts. resistor_v: the highest voltage across it.
    """

    into_supply_a: float
    above_v: float
    below_v: float
    resistor_w: float
    resistor_v: float


def through(series_ohm: float, diode: str, lowest_supply_v: float) -> Surge:
    """The standards' highest and lowest pulse behind `series_ohm` (its smallest value), clamped to both rails."""
    model = DIODES[diode]
    into_a = (HIGHEST_V - lowest_supply_v) / series_ohm
    out_of_a = -LOWEST_V / series_ohm
    return Surge(
        into_supply_a=into_a,
        above_v=model.forward_v(into_a, COLD_C),
        below_v=model.forward_v(out_of_a, COLD_C),
        resistor_w=LONGEST_V**2 / series_ohm,
        resistor_v=max(HIGHEST_V, -LOWEST_V),
    )


def refuse_if_it_breaks(surge: Surge, what: str, *, series_to_input_ohm: float | None) -> None:
    """Raise Trouble, with the reason, for a surge the pin behind would not bear.

    series_to_input_ohm: the resistor between the node and a comparator input; None where the node is the
    board's own pin.
    """
    if surge.into_supply_a > BOARD_DRAW_A:
        raise Trouble(
            f"this would break the board: a {HIGHEST_V:.0f} V pulse pushes {surge.into_supply_a * 1e3:.0f} mA through "
            f"{what} into the 3.3 V line, which takes up only {BOARD_DRAW_A * 1e3:.0f} mA, so every pin would rise",
            step=f"make {what} larger",
        )
    if series_to_input_ohm is None:
        over, under = surge.above_v - PIN_ABOVE_SUPPLY_V, surge.below_v - PIN_BELOW_GROUND_V
        if over > 0 or under > 0:
            raise Trouble(
                f"this would break the pin: it would go {surge.above_v:.2f} V above its supply or "
                f"{surge.below_v:.2f} V below ground, and bears {PIN_ABOVE_SUPPLY_V:g} V",
                step=f"make {what} larger",
            )
        return
    current_a = max(surge.above_v, surge.below_v) / series_to_input_ohm
    if current_a > COMPARATOR_INPUT_A:
        raise Trouble(
            f"this would break the comparator: {current_a * 1e3:.1f} mA into its input, which bears "
            f"{COMPARATOR_INPUT_A * 1e3:g} mA",
            step=f"make {what} larger",
        )
