"""The input of one wire against ground: series resistor, filter, clamp, comparator with hysteresis.

Hall, current and feed front ends are this circuit with other numbers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from toothwise.errors import Trouble
from toothwise.wiring.circuit import Circuit
from toothwise.wiring.front import (
    CAPACITOR,
    CAPACITOR_BULK,
    RESISTOR,
    STRAY_F,
    Figure,
    Turning,
    film,
    film_rating,
    output_stage,
)
from toothwise.wiring.limits import CAPTURE_PULSE_S, PIN_LEAKAGE_A
from toothwise.wiring.models import (
    DIODE_LEAKAGE_A,
    DIODE_NAMES,
    DIODE_RATINGS,
    DIODES,
    Comparator,
    junction_f,
)
from toothwise.wiring.network import Element
from toothwise.wiring.parts import E12, E24, E96, Part, best_divider, nearest, written
from toothwise.wiring.spread import Spread, Values, extremes, nominals
from toothwise.wiring.surge import Surge, refuse_if_it_breaks, through

INTO_INPUT_OHM = 10e3
INTO_INPUT_ANALOGUE_OHM = 100e3  # ten times, so that the feedback hardly moves the analogue reading
REFERENCE_TOTAL_OHM = 22e3
ANALOGUE_OHM = 1e3


@dataclass(frozen=True)
class Wish:
    """What a single-wire input is to do, in volts on the wire.

    rising_v, falling_v: where it turns. series_ohm: R1. node_v: what the comparator sees half-way between the
    two; None for no divider. filter_s: time constant at the comparator. diode: the clamp's kind. analogue: the
    node also goes to an analogue pin, so its divider is picked finer and the feedback kept off it.
    """

    rising_v: float
    falling_v: float
    series_ohm: float
    node_v: float | None
    filter_s: float
    diode: str
    analogue: bool = False


@dataclass(frozen=True)
class Built:
    """The circuit with its values and parts."""

    circuit: Circuit
    spreads: Mapping[str, Spread]
    parts: tuple[Part, ...]
    surge: Surge


def build(wish: Wish, comparator: Comparator) -> Built:
    """Choose the parts for a wish. Raises Trouble for a wish that would break a pin or cannot be met."""
    stage_elements, stage_values, stage_parts = output_stage(comparator)
    elements, values, ratio = _input(wish)
    elements += [
        Element("R", "R3", "node", "plus", "into_input"),
        Element("R", "R4", "out", "plus", "hysteresis"),
        Element("R", "R5", "3v3", "ref", "reference_top"),
        Element("R", "R6", "ref", "0", "reference_bottom"),
        Element("C", "C2", "ref", "0", "reference_bulk"),
    ]
    # The feedback moves the input by the output's swing, shared between R4 and what leads back to the wire.
    supply = stage_values["supply"].nominal
    swing = ratio * (wish.rising_v - wish.falling_v)
    into_input = INTO_INPUT_ANALOGUE_OHM if wish.analogue else INTO_INPUT_OHM
    hysteresis = nearest((ratio * wish.series_ohm + into_input) * (supply / swing - 1), E24)
    values |= stage_values | {
        "into_input": Spread.of(into_input, RESISTOR),
        "hysteresis": Spread.of(hysteresis, RESISTOR),
        "reference_bulk": Spread.of(100e-9, CAPACITOR_BULK),
    }
    circuit = Circuit((*elements, *stage_elements), "plus", "ref", {"line": 1.0}, {"line": ""})
    reference_v = _input_at(circuit, values, 0.5 * (wish.rising_v + wish.falling_v))
    top, low = best_divider(reference_v / supply, REFERENCE_TOTAL_OHM, E96)
    values |= {"reference_top": Spread.of(top, RESISTOR), "reference_bottom": Spread.of(low, RESISTOR)}
    surge = through(values["series"].low, wish.diode, values["supply"].low)
    refuse_if_it_breaks(surge, "R1", series_to_input_ohm=values["into_input"].low)
    if wish.analogue:
        refuse_if_it_breaks(surge, "R1", series_to_input_ohm=None)
    return Built(circuit, values, (*_parts(wish, values, surge), *stage_parts), surge)


def _input(wish: Wish) -> tuple[list[Element], dict[str, Spread], float]:
    """From the wire to the node: first resistor, divider, filter and clamp; and what share of the wire the node has."""
    elements = [
        Element("R", "R1", "line", "node", "series"),
        Element("C", "C1", "node", "0", "filter"),
        Element("C", "CN", "node", "0", "stray_node"),
        Element("I", "IN", "node", "0", "leakage"),
        Element("J", "JN", "node", "0", "clamp_junctions"),
        Element(wish.diode, "D1", "node", "3v3"),
        Element(wish.diode, "D2", "0", "node"),
    ]
    junctions = junction_f(DIODES[wish.diode], 2)
    leak = DIODE_LEAKAGE_A[wish.diode] + (PIN_LEAKAGE_A if wish.analogue else 0.0)
    values = {
        "series": Spread.of(wish.series_ohm, RESISTOR),
        "stray_node": STRAY_F,
        "leakage": Spread.around(0.0, leak),
        "clamp_junctions": junctions,
    }
    ratio = 1.0
    if wish.node_v is not None:
        aimed = wish.node_v / (0.5 * (wish.rising_v + wish.falling_v))
        bottom = nearest(wish.series_ohm * aimed / (1 - aimed), E96 if wish.analogue else E24)
        elements.append(Element("R", "R2", "node", "0", "bottom"))
        values["bottom"] = Spread.of(bottom, RESISTOR)
        ratio = bottom / (bottom + wish.series_ohm)
    if wish.analogue:
        elements += [
            Element("R", "R9", "node", "adc", "analogue_series"),
            Element("C", "CA", "adc", "0", "stray_adc"),
        ]
        values |= {"analogue_series": Spread.of(ANALOGUE_OHM, RESISTOR), "stray_adc": STRAY_F}
    beside = STRAY_F.nominal + junctions.nominal
    filter_f = nearest(max(wish.filter_s / (ratio * wish.series_ohm) - beside, 10e-12), E12)
    values["filter"] = Spread.of(filter_f, CAPACITOR)
    return elements, values, ratio


def _input_at(circuit: Circuit, values: Mapping[str, Spread], line_v: float) -> float:
    """Comparator's + input with the wire at `line_v`, midway between its output high and low."""
    at = {**nominals(values), "reference_top": 1e4, "reference_bottom": 1e4}
    seen = [circuit.network(at, high).rest(circuit.held(at, line_v))["plus"] for high in (False, True)]
    return 0.5 * sum(seen)


def _parts(wish: Wish, values: Mapping[str, Spread], surge: Surge) -> tuple[Part, ...]:
    rating = film_rating(surge.resistor_v, surge.resistor_w)
    divider = (
        [film("R2", values["bottom"].nominal, "with R1, divides the wire's voltage")] if "bottom" in values else []
    )
    analogue = [film("R9", values["analogue_series"].nominal, "to the analogue pin")] if wish.analogue else []
    return (
        film("R1", values["series"].nominal, "first in line from the wire: limits every surge", rating),
        *divider,
        Part(
            "C1",
            "ceramic capacitor, C0G",
            written(values["filter"].nominal, "F"),
            "5 %, 50 V",
            "with R1, takes off spikes",
        ),
        Part(
            "D1, D2",
            DIODE_NAMES[wish.diode],
            "",
            DIODE_RATINGS[wish.diode],
            "hold the node between ground and 3.3 V when a surge comes",
        ),
        film("R3", values["into_input"].nominal, "limits what a surge can push into U1"),
        film(
            "R4",
            values["hysteresis"].nominal,
            "makes the turning points differ, so noise cannot make U1 chatter",
        ),
        film("R5", values["reference_top"].nominal, "with R6, sets the level at which U1 turns"),
        film("R6", values["reference_bottom"].nominal, "with R5, sets the level at which U1 turns"),
        Part(
            "C2",
            "ceramic capacitor, X7R",
            written(values["reference_bulk"].nominal, "F"),
            "16 V",
            "keeps that level still",
        ),
        *analogue,
    )


def thresholds(built: Built) -> tuple[Spread, Spread]:
    """(rising, falling) in volts on the wire, with their worst cases."""
    return (
        extremes(lambda v: built.circuit.threshold(v, rising=True), built.spreads),
        extremes(lambda v: built.circuit.threshold(v, rising=False), built.spreads),
    )


def refuse_unless_between(built: Built, good_low_v: float, good_high_v: float) -> None:
    """The worst thresholds must lie strictly between the worst good low and the worst good high level."""
    rising, falling = thresholds(built)
    if falling.low <= good_low_v or rising.high >= good_high_v:
        raise Trouble(
            f"the turning points come to lie between {falling.low:.3g} and {rising.high:.3g} V in the worst "
            f"case, and a good signal's own levels are {good_low_v:.3g} and {good_high_v:.3g} V",
            step="a wider apart signal is needed, or a smaller hysteresis",
        )


def edge_figures(
    built: Built, low: float, high: float, turning: Turning | None, *, dips_only: bool = False
) -> list[Figure]:
    """Delays, the shortest interruption that passes, and what they mean on the wheel."""
    c, spreads = built.circuit, built.spreads
    up = extremes(lambda v: c.delay_s(v, low, high), spreads)
    down = extremes(lambda v: c.delay_s(v, high, low), spreads)
    passes = shortest_passing(built, low, high, dips_only)
    figures = [
        Figure("delay_rising", "from the wire's rising edge to the pin's", up, "s"),
        Figure("delay_falling", "from the wire's falling edge to the pin's", down, "s"),
        Figure("shortest_interruption", "shortest interruption that reaches the pin", passes, "s"),
    ]
    if turning is not None:
        figures += [*_phase_figures(turning, up, down), highest_speed(turning, passes)]
    return figures


def shortest_passing(built: Built, low: float, high: float, dips_only: bool) -> Spread:
    """The longer of the two kinds, a short high and a short low; never below what the capture sees."""
    kinds = [(high, low)] if dips_only else [(high, low), (low, high)]

    def shortest(values: Values) -> float:
        return max(CAPTURE_PULSE_S, *(built.circuit.shortest_pulse_s(values, *kind) for kind in kinds))

    return extremes(shortest, built.spreads)


def highest_speed(turning: Turning, passes: Spread) -> Figure:
    """The highest speed; refuses, as Trouble, a wheel that is too fast for what passes."""
    highest = turning.rpm_for(passes.high)
    if highest < turning.top_rpm:
        raise Trouble(
            f"at {turning.top_rpm:g} rpm the shortest tooth or slot of {turning.wheel.name} lasts "
            f"{turning.shortest_s * 1e6:.2g} µs and this front end passes {passes.high * 1e6:.2g} µs at the least",
            step="shorten the filter (--filter-us) or take a faster comparator (--comparator-delay-us)",
        )
    text = "highest speed at which every tooth comes through (worst case)"
    return Figure("highest_speed", text, Spread.of(highest, 0.0), "rpm")


def _phase_figures(turning: Turning, up: Spread, down: Spread) -> list[Figure]:
    """What the delays are in degrees of the wheel at its top speed."""
    turn = 6.0 * turning.top_rpm
    phase = [Spread(turn * s.nominal, turn * s.low, turn * s.high) for s in (up, down)]
    apart = max(s.high - s.low for s in phase)
    return [
        Figure("phase_rising", f"rising edge late at {turning.top_rpm:g} rpm", phase[0], "°"),
        Figure("phase_falling", f"falling edge late at {turning.top_rpm:g} rpm", phase[1], "°"),
        Figure("phase_unknown", "of that, what differs between two builds at most", Spread.of(apart, 0.0), "°"),
    ]
