"""Variable-reluctance sensors: a coil with two wires whose voltage grows with speed.

Both wires go through equal resistors to a pair of nodes that are biased, and clamped, around half the supply.
The comparator turns at a small fixed threshold on either side of zero. The two live wires may stand anywhere
between ground and 2.5 V, as control units bias them; a sensor alone floats and takes the bias from here.
"""

from __future__ import annotations

from toothwise.errors import Trouble
from toothwise.wiring.circuit import Circuit
from toothwise.wiring.front import (
    CAPACITOR,
    CAPACITOR_BULK,
    RESISTOR,
    RESISTOR_MATCHED,
    STRAY_F,
    Figure,
    FrontEnd,
    Turning,
    film,
    film_rating,
    output_stage,
)
from toothwise.wiring.limits import CAPTURE_PULSE_S
from toothwise.wiring.models import DIODE_NAMES, DIODE_RATINGS, DIODES, Comparator, junction_f
from toothwise.wiring.network import Element
from toothwise.wiring.parts import E12, E24, Part, nearest, written
from toothwise.wiring.pulses import HIGHEST_V, LONGEST_V, LOWEST_V
from toothwise.wiring.single import highest_speed
from toothwise.wiring.spread import Spread, Values, extremes
from toothwise.wiring.surge import COLD_C, Surge, refuse_if_it_breaks

SERIES_OHM = 51e3  # two of them: the sensor never sees less than 100 kohm, even with the clamps conducting
LEAST_INPUT_OHM = 100e3  # takes 1.5 % of the voltage of a coil of 1500 ohm [D]
# Share of the wires' voltage that reaches the comparator: small enough that wires standing at ground move the nodes
# by no more than what even hot clamps leave alone (at 0.23 their leakage moved the turning points by 7 %), large
# enough that a weak signal stands above the comparator's offset.
SHARE = 0.19
MIDDLE_OHM = 330.0
INTO_INPUT_OHM = 10e3
THRESHOLD_SHARE = 1 / 3  # of the smallest peak; common practice, no source
COMMON_V = Spread(1.25, 0.0, 2.5)  # where control units hold the wires, half of 5 V at most: from memory
# What the clamps' leakages differ by between the two nodes, wires at ground, 60 °C: a fifth of 1 uA, from memory.
LEAKAGE_A = 0.2e-6
# Coil, for the loading: 200-1500 ohm and the inductance from memory [M].
COIL_OHM = Spread(860.0, 200.0, 1500.0)
COIL_H = Spread(0.3, 0.05, 1.0)
PULSE_V = 1.0  # height of the pulse whose shortest length is given
NOT_FOR = (
    "a three-wire sensor (there is a feed on one of its wires)",
    "wires that stand more than 2.5 V from ground at rest: the clamps would swallow the signal",
    "finding a broken wire at rest: an open coil looks like a quiet one; measure its resistance",
    "ignition, injectors or any other coil that is switched: hundreds of volts",
)


def design(
    turning: Turning,
    *,
    peak_volts: float = 0.15,
    at_rpm: float = 30.0,
    most_volts: float = 100.0,
    filter_us: float = 1.0,
    series_ohm: float | None = None,
    comparator: Comparator | None = None,
) -> FrontEnd:
    """A front end for a coil that gives `peak_volts` at `at_rpm` and never more than `most_volts` at its peak.

    Raises Trouble where the weak signal does not stand above the worst-case threshold, the coil would be loaded
    with less than 100 kohm, the wheel is too fast, or a pulse would break something.
    """
    if not 0.05 <= peak_volts <= 5 or not 0 < at_rpm < turning.top_rpm:
        raise Trouble(
            f"--peak-volts {peak_volts:g} at {at_rpm:g} rpm is no coil's weakest signal",
            step="give its peak (half of peak to peak) at the lowest speed that must work",
        )
    if not peak_volts < most_volts <= 150:
        raise Trouble(
            f"--most-volts {most_volts:g} must lie above the weakest signal and not above 150 V",
            step="100 V covers a good sensor at top speed",
        )
    comparator = comparator or Comparator()
    series = series_ohm or SERIES_OHM
    if 2 * series * (1 - RESISTOR_MATCHED) < LEAST_INPUT_OHM:
        raise Trouble(
            f"two series resistors of {series / 1e3:g} kohm would load the coil with less than "
            f"{LEAST_INPUT_OHM / 1e3:g} kohm",
            step="51 kohm is the least",
        )
    circuit, spreads, stage_parts = _circuit(series, peak_volts, filter_us * 1e-6, comparator)
    surge, normal_v = _surge(spreads, most_volts)
    refuse_if_it_breaks(surge, "R1 and R2", series_to_input_ohm=spreads["into_plus"].low)
    if normal_v > spreads["supply"].low:
        raise Trouble(
            f"at {most_volts:g} V the clamps let the comparator's input rise to {normal_v:.2f} V, above its "
            "supply, where it may turn the wrong way",
            step="make R1 and R2 larger",
        )
    rising = extremes(lambda v: circuit.threshold(v, rising=True), spreads)
    falling = extremes(lambda v: circuit.threshold(v, rising=False), spreads)
    needed = max(rising.high, -falling.low)
    if needed >= peak_volts:
        raise Trouble(
            f"a peak of {peak_volts:g} V does not stand above the worst-case threshold of {needed:.3g} V",
            step="read the signal at a higher speed, or close the air gap",
        )
    apart = extremes(lambda v: circuit.threshold(v, rising=True) - circuit.threshold(v, rising=False), spreads)
    return FrontEnd(
        name="reluctance",
        title=f"Variable-reluctance sensor, {peak_volts:g} V at {at_rpm:g} rpm to {most_volts:g} V",
        asked={
            "peak_volts": peak_volts,
            "at_rpm": at_rpm,
            "most_volts": most_volts,
            "wheel": turning.wheel.name,
            "top_rpm": turning.top_rpm,
            "filter_us": filter_us,
        },
        circuit=circuit,
        spreads=spreads,
        parts=(*_parts(spreads, surge), *stage_parts),
        figures=tuple(_figures(circuit, spreads, turning, rising, falling, apart, peak_volts, at_rpm, most_volts)),
        swing=(-PULSE_V, PULSE_V),
        surge=surge,
        not_for=NOT_FOR,
        turning=turning,
    )


def _circuit(
    series: float, peak_volts: float, filter_s: float, comparator: Comparator
) -> tuple[Circuit, dict[str, Spread], tuple[Part, ...]]:
    stage_elements, spreads, stage_parts = output_stage(comparator)
    bias = nearest(series * SHARE / (1 - SHARE), E24)
    source = series * bias / (series + bias)
    share = bias / (series + bias)
    supply = spreads["supply"].nominal
    # Each way the feedback moves the + input by half the supply, shared between R11 and what leads to the wire.
    behind = source + INTO_INPUT_OHM
    hysteresis = nearest(behind * (supply / 2 / (share * peak_volts * THRESHOLD_SHARE) - 1), E24)
    spreads = spreads | {
        "series_plus": Spread.of(series, RESISTOR_MATCHED),
        "series_minus": Spread.of(series, RESISTOR_MATCHED),
        "bias_plus": Spread.of(bias, RESISTOR_MATCHED),
        "bias_minus": Spread.of(bias, RESISTOR_MATCHED),
        "filter": Spread.of(nearest(max(filter_s / (2 * source) - STRAY_F.nominal / 2, 10e-12), E12), CAPACITOR),
        "stray_a": STRAY_F,
        "stray_b": STRAY_F,
        "stray_minus": STRAY_F,
        "leakage": Spread.around(0.0, LEAKAGE_A),
        "clamp_junctions": junction_f(DIODES["silicon"], 1),  # two pairs in a row a node
        "into_plus": Spread.of(INTO_INPUT_OHM, RESISTOR),
        "into_minus": Spread.of(INTO_INPUT_OHM, RESISTOR),
        "hysteresis": Spread.of(hysteresis, RESISTOR),
        "middle_top": Spread.of(MIDDLE_OHM, RESISTOR),
        "middle_bottom": Spread.of(MIDDLE_OHM, RESISTOR),
        "middle_bulk": Spread.of(10e-6, CAPACITOR_BULK),
        "common": COMMON_V,
    }
    elements = [
        Element("R", "R1", "lp", "a", "series_plus"),
        Element("R", "R2", "ln", "b", "series_minus"),
        Element("R", "R3", "a", "middle", "bias_plus"),
        Element("R", "R4", "b", "middle", "bias_minus"),
        Element("C", "C1", "a", "b", "filter"),
        Element("C", "CA", "a", "0", "stray_a"),
        Element("C", "CB", "b", "0", "stray_b"),
        Element("J", "JA", "a", "0", "clamp_junctions"),
        Element("J", "JB", "b", "0", "clamp_junctions"),
        Element("J", "JM", "minus", "0", "input_junctions"),
        Element("I", "IA", "a", "0", "leakage"),
        Element("R", "R5", "3v3", "middle", "middle_top"),
        Element("R", "R6", "middle", "0", "middle_bottom"),
        Element("C", "C2", "middle", "0", "middle_bulk"),
        Element("R", "R9", "a", "plus", "into_plus"),
        Element("R", "R10", "b", "minus", "into_minus"),
        Element("C", "CM", "minus", "0", "stray_minus"),
        Element("R", "R11", "out", "plus", "hysteresis"),
    ]
    # Two diodes in a row each way, from each node to the middle.
    for node, first in (("a", 1), ("b", 5)):
        up, down = f"{node}_up", f"{node}_down"
        elements += [
            Element("silicon", f"D{first}", node, up),
            Element("silicon", f"D{first + 1}", up, "middle"),
            Element("silicon", f"D{first + 2}", "middle", down),
            Element("silicon", f"D{first + 3}", down, node),
        ]
    circuit = Circuit(
        (*elements, *stage_elements),
        "plus",
        "minus",
        {"lp": 0.5, "ln": -0.5},
        {"lp": "common", "ln": "common"},
    )
    return circuit, spreads, stage_parts


def _surge(spreads: dict[str, Spread], most_volts: float) -> tuple[Surge, float]:
    """A pulse on one wire, and the highest voltage a comparator input reaches in normal service."""
    series = spreads["series_plus"].low
    middle = Spread(spreads["supply"].nominal / 2, spreads["supply"].low / 2, spreads["supply"].high / 2)
    source_ohm = 0.5 * spreads["middle_top"].high
    diode = DIODES["silicon"]
    up_a, down_a = HIGHEST_V / series, -LOWEST_V / series
    surge = Surge(
        into_supply_a=up_a,  # all of it at the worst: the middle's upper resistor leads there
        above_v=max(middle.high + up_a * source_ohm + 2 * diode.forward_v(up_a, COLD_C) - spreads["supply"].high, 0.0),
        below_v=max(-(middle.low - down_a * source_ohm - 2 * diode.forward_v(down_a, COLD_C)), 0.0),
        resistor_w=LONGEST_V**2 / series,
        resistor_v=max(HIGHEST_V, -LOWEST_V),
    )
    # In service the current alternates; C2 takes it up and the middle stays.
    normal_v = middle.low + 2 * diode.forward_v(most_volts / series, COLD_C)
    return surge, normal_v


def _parts(spreads: dict[str, Spread], surge: Surge) -> tuple[Part, ...]:
    matched = film_rating(surge.resistor_v, surge.resistor_w, "0.1 %, 25 ppm/K")
    bias = "0.1 %, 25 ppm/K, 0.25 W"
    return (
        film(
            "R1, R2",
            spreads["series_plus"].nominal,
            "first in line from the wires: limit every surge",
            matched,
        ),
        film("R3, R4", spreads["bias_plus"].nominal, "tie both nodes to the middle", bias),
        Part(
            "C1",
            "ceramic capacitor, C0G",
            written(spreads["filter"].nominal, "F"),
            "5 %, 50 V",
            "takes off spikes",
        ),
        Part(
            "D1 to D8",
            DIODE_NAMES["silicon"],
            "",
            DIODE_RATINGS["silicon"],
            "hold both nodes near the middle, however strong the signal",
        ),
        film("R5, R6", spreads["middle_top"].nominal, "halve the 3.3 V: the middle"),
        Part(
            "C2",
            "electrolytic or ceramic capacitor",
            written(spreads["middle_bulk"].nominal, "F"),
            "10 V",
            "keeps the middle still",
        ),
        film("R9, R10", spreads["into_plus"].nominal, "limit what a surge can push into U1"),
        film(
            "R11",
            spreads["hysteresis"].nominal,
            "makes the turning points differ, so noise cannot make U1 chatter",
        ),
    )


def _figures(
    circuit: Circuit,
    spreads: dict[str, Spread],
    turning: Turning,
    rising: Spread,
    falling: Spread,
    apart: Spread,
    peak_volts: float,
    at_rpm: float,
    most_volts: float,
) -> list[Figure]:
    pitch = turning.wheel.pitch_deg

    def late(way: str, where: str, rpm: float, peak: float) -> Figure:
        hertz = rpm * 6.0 / pitch  # a period of the signal is a slot

        def late_deg(values: Values) -> float:
            return circuit.sine_angle_deg(values, hertz, peak, way == "rising") * pitch / 360.0

        return Figure(f"phase_{way}_{where}", f"{way} edge late at {rpm:g} rpm", extremes(late_deg, spreads), "°")

    top_peak = min(peak_volts / at_rpm * turning.top_rpm, most_volts)
    speeds = (("weakest", at_rpm, peak_volts), ("top", turning.top_rpm, top_peak))

    def shortest(values: Values) -> float:
        ways = ((-PULSE_V, PULSE_V), (PULSE_V, -PULSE_V))
        return max(CAPTURE_PULSE_S, *(circuit.shortest_pulse_s(values, level, during) for level, during in ways))

    passes = extremes(shortest, spreads)
    up = extremes(lambda v: circuit.delay_s(v, -PULSE_V, PULSE_V), spreads)
    down = extremes(lambda v: circuit.delay_s(v, PULSE_V, -PULSE_V), spreads)
    lowest = at_rpm * max(rising.high, -falling.low) / peak_volts
    input_ohm = extremes(lambda v: v["series_plus"] + v["series_minus"] + v["bias_plus"] + v["bias_minus"], spreads)
    shift_s = COIL_H.high / input_ohm.low
    return [
        Figure("threshold_rising", "the pin goes high when the coil's voltage rises above", rising, "V"),
        Figure("threshold_falling", "the pin goes low when it falls below", falling, "V"),
        Figure("hysteresis", "from one to the other", apart, "V"),
        Figure("input_resistance", "what the coil sees", input_ohm, "Ω"),
        Figure(
            "loading",
            "lowers the coil's voltage by",
            Spread(*(100 * coil / input_ohm.nominal for coil in (COIL_OHM.nominal, COIL_OHM.low, COIL_OHM.high))),
            "%",
        ),
        Figure("loading_shift", "and shifts its zero crossing, at most, by", Spread.of(shift_s, 0.0), "s"),
        Figure("delay_rising", f"from a {PULSE_V:g} V step up to the pin's edge", up, "s"),
        Figure("delay_falling", f"from a {PULSE_V:g} V step down to the pin's edge", down, "s"),
        Figure("shortest_interruption", f"shortest pulse of {PULSE_V:g} V that reaches the pin", passes, "s"),
        highest_speed(turning, passes),
        Figure(
            "lowest_speed",
            "lowest speed at which every tooth comes through (worst case)",
            Spread.of(lowest, 0.0),
            "rpm",
        ),
        *(late(way, where, rpm, peak) for where, rpm, peak in speeds for way in ("rising", "falling")),
    ]
