"""Two-wire current sensors: they draw about 7 or 14 mA, and a resistor in their return turns that into volts.

"bench" fits the resistor: the sensor is fed by you and connected to nothing else. "tap" listens on the wire of a
live sensor whose resistor sits in the vehicle's control unit.
"""

from __future__ import annotations

from toothwise.errors import Trouble
from toothwise.wiring.front import RESISTOR, Figure, FrontEnd, Turning
from toothwise.wiring.models import Comparator
from toothwise.wiring.parts import Part, written
from toothwise.wiring.pulses import BATTERY_V
from toothwise.wiring.single import Wish, build, edge_figures, refuse_unless_between, thresholds
from toothwise.wiring.spread import Spread, extremes

# 7 / 14 mA from memory [M], 0.7 / 1.4 V across 100 ohm [D]. How far a good sensor may stray from them, 5.9-8.4 and
# 11.8-16.8 mA: from memory.
STRAY_LOW_TOP = 1.2
STRAY_HIGH_BOTTOM = 0.843
STRAY_HIGH_TOP = 1.2
SERIES_OHM = 22e3
# Between the turning points, as a share of the step from low to high current.
HYSTERESIS = 0.12
# A shunt put straight across the battery by a wrong clip must live until it is noticed.
SHUNT_W = (1.0, 2.0, 3.0, 5.0)
NOT_FOR = (
    "a three-wire sensor or a two-wire coil: each has its own front end",
    "cutting into a live sensor's wiring: with the shunt fitted, the sensor hangs on your supply and on nothing else",
    "a shunt across a running vehicle's battery: the pin lives through a load dump, the shunt and its fuse may not",
)


def design(
    turning: Turning,
    *,
    low_ma: float = 7.0,
    high_ma: float = 14.0,
    shunt_ohm: float = 100.0,
    variant: str = "bench",
    filter_us: float = 1.0,
    series_ohm: float | None = None,
    comparator: Comparator | None = None,
) -> FrontEnd:
    """A front end for a sensor that draws `low_ma` or `high_ma` through `shunt_ohm`.

    Raises Trouble where the two currents, with a good sensor's spread, leave no room for the turning points, the
    shunt would burn on a battery, the wheel is too fast for the filter, or a pulse would break something.
    """
    if not 0 < low_ma < high_ma <= 50:
        raise Trouble(
            f"--low-ma {low_ma:g} and --high-ma {high_ma:g} are not a sensor's two currents",
            step="give the lower first; 7 and 14 are usual",
        )
    if variant not in ("tap", "bench"):
        raise Trouble(f"--variant {variant} is unknown", step="give tap (live circuit) or bench (sensor alone)")
    good_low, good_high = low_ma * STRAY_LOW_TOP, high_ma * STRAY_HIGH_BOTTOM
    middle, half = 0.5 * (good_low + good_high), 0.5 * HYSTERESIS * (high_ma - low_ma)
    volts = shunt_ohm * 1e-3
    wish = Wish(
        rising_v=(middle + half) * volts,
        falling_v=(middle - half) * volts,
        series_ohm=series_ohm or SERIES_OHM,
        node_v=None,
        filter_s=filter_us * 1e-6,
        diode="silicon",
    )
    if high_ma * STRAY_HIGH_TOP * volts > 2.5 or middle * volts < 0.2:
        raise Trouble(
            f"a shunt of {shunt_ohm:g} ohm gives {low_ma * volts:.2g} and {high_ma * volts:.2g} V, outside what the "
            "comparator reads well (0.2 to 2.5 V)",
            step="100 ohm suits 7 and 14 mA",
        )
    built = build(wish, comparator or Comparator())
    # A live unit's shunt is taken as exact to 1 %, like ours.
    spreads = {**built.spreads, "shunt": Spread.of(shunt_ohm, RESISTOR)}
    refuse_unless_between(built, good_low * volts * (1 + RESISTOR), good_high * volts * (1 - RESISTOR))
    rising, falling = thresholds(built)
    circuit = built.circuit
    figures = [
        Figure("threshold_rising", "the pin goes high when the wire rises above", rising, "V"),
        Figure("threshold_falling", "the pin goes low when the wire falls below", falling, "V"),
        Figure(
            "current_rising",
            "that is, with this shunt, a current above",
            extremes(lambda v: circuit.threshold(v, rising=True) / v["shunt"], spreads),
            "A",
        ),
        Figure(
            "current_falling",
            "and below",
            extremes(lambda v: circuit.threshold(v, rising=False) / v["shunt"], spreads),
            "A",
        ),
        Figure(
            "input_resistance",
            "what the tapped wire sees, surges aside",
            extremes(lambda v: v["series"] + v["into_input"] + v["hysteresis"], spreads),
            "Ω",
        ),
        *edge_figures(built, low_ma * volts, high_ma * volts, turning),
        Figure("lowest_speed", "lowest speed at which every tooth comes through", Spread.of(0.0, 0.0), "rpm"),
    ]
    parts = built.parts
    if variant == "bench":
        shorted_w = BATTERY_V**2 / shunt_ohm
        rating = next((watts for watts in SHUNT_W if watts >= shorted_w), None)
        if rating is None:
            raise Trouble(
                f"a shunt of {shunt_ohm:g} ohm would make {shorted_w:.0f} W and burn when a wrong clip puts it across "
                "the battery",
                step="take 100 ohm",
            )
        drop = Spread(high_ma * volts, high_ma * volts, high_ma * STRAY_HIGH_TOP * volts * (1 + RESISTOR))
        figures += [
            Figure("loading", "the shunt takes from the sensor's supply", drop, "V"),
            Figure(
                "shunt_on_battery",
                "heat in the shunt if it is put straight across a battery",
                Spread.of(shorted_w, 0.0),
                "W",
            ),
        ]
        parts = (
            *parts,
            Part(
                "R9",
                "wirewound or metal oxide resistor",
                written(shunt_ohm, "Ω"),
                f"1 %, {rating:g} W",
                "turns the sensor's current into a voltage",
            ),
            Part("F1", "resettable fuse", "50 mA hold", "60 V", "opens when the lead is clipped to the battery"),
        )
    return FrontEnd(
        name="current",
        title=f"Two-wire current sensor, {low_ma:g} and {high_ma:g} mA" + (", live" if variant == "tap" else ""),
        asked={
            "low_ma": low_ma,
            "high_ma": high_ma,
            "shunt_ohms": shunt_ohm,
            "wheel": turning.wheel.name,
            "top_rpm": turning.top_rpm,
            "variant": variant,
            "filter_us": filter_us,
        },
        circuit=circuit,
        spreads=spreads,
        parts=parts,
        figures=tuple(figures),
        swing=(low_ma * volts, high_ma * volts),
        surge=built.surge,
        not_for=NOT_FOR,
        turning=turning,
    )
