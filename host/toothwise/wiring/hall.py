"""Hall and other switching sensors with three wires: open collector and a pull-up to 5, 8 or 12 V.

Two builds: "tap" listens on a live wire whose pull-up is in the vehicle's control unit; "bench" brings its own
pull-up and feed for a sensor that is connected to nothing else.
"""

from __future__ import annotations

import math

from toothwise.errors import Trouble
from toothwise.wiring.front import RESISTOR, Figure, FrontEnd, Turning, film
from toothwise.wiring.models import Comparator
from toothwise.wiring.parts import E24, Part, at_least, written
from toothwise.wiring.single import Built, Wish, build, edge_figures, refuse_unless_between, thresholds
from toothwise.wiring.spread import Spread, Values, extremes

# A good low is below 0.4-0.5 V, a good high within 0.3 V of the pull-up: common practice, no source [C].
GOOD_LOW_V = 0.5
GOOD_HIGH_BELOW_V = 0.3
# A live circuit is loaded with no less than this, ten times the greatest pull-up: common practice, no source.
LEAST_INPUT_OHM = 100e3
# What the control unit's pull-up may be, for the loading: 1-10 kohm, from memory [M].
PULL_UP_MOST_OHM = 10e3
# The comparator's input half-way between the levels: with the wire at its highest it has 0.8 V, far from where either
# clamp conducts [D].
NODE_V = 0.4
# Of the sensor's voltage between the two turning points, 1 V of 5: twice a good low. Common practice, no source.
HYSTERESIS = 0.2
# The bench build's own pull-up: a sensor that sinks 2 mA at 5 V has an easy life. Common practice, no source.
BENCH_PULL_UP_A = 2e-3
# Cable on the bench: 3 m of 100 pF/m, from memory.
BENCH_CABLE_F = Spread(300e-12, 50e-12, 500e-12)

NOT_FOR = (
    "a two-wire coil (variable reluctance) or a two-wire current sensor: each has its own front end",
    "ignition primary or secondary, injectors, anything above 16 V in normal service",
    "hybrid or electric drive circuits (orange cables) and airbag circuits (yellow connectors)",
)
NOT_FOR_BENCH = (
    "a sensor that is still connected to a vehicle: the pull-up and the feed would push into its control unit",
)


def design(
    sensor_volts: float,
    turning: Turning,
    *,
    variant: str = "tap",
    filter_us: float = 1.0,
    series_ohm: float | None = None,
    comparator: Comparator | None = None,
) -> FrontEnd:
    """A Hall front end for a sensor whose output swings between ground and `sensor_volts`.

    Raises Trouble for a voltage out of range, a live circuit loaded with less than 100 kohm, a wheel too fast
    for the filter, or a series resistor that lets a pulse break something.
    """
    if not 4.5 <= sensor_volts <= 16.0:
        raise Trouble(
            f"--sensor-volts {sensor_volts:g} is not a Hall sensor's pull-up (5, 8 or 12 V, at most 16)",
            step="measure the signal wire's high level with a meter and give that",
        )
    if variant not in ("tap", "bench"):
        raise Trouble(f"--variant {variant} is unknown", step="give tap (live circuit) or bench (sensor alone)")
    comparator = comparator or Comparator()
    # With the resistor's whole tolerance used up the input is still above the least.
    series = series_ohm or at_least(LEAST_INPUT_OHM, E24)
    wish = Wish(
        rising_v=sensor_volts * (0.5 + HYSTERESIS / 2),
        falling_v=sensor_volts * (0.5 - HYSTERESIS / 2),
        series_ohm=series,
        node_v=NODE_V,
        filter_s=filter_us * 1e-6,
        diode="silicon",
    )
    built = build(wish, comparator)
    input_ohm = extremes(lambda v: v["series"] + v["bottom"], built.spreads)
    if input_ohm.low < LEAST_INPUT_OHM:
        raise Trouble(
            f"the input would load a live circuit with {input_ohm.low / 1e3:.0f} kohm, and {LEAST_INPUT_OHM / 1e3:.0f} "
            "kohm is the least that leaves it alone",
            step="make R1 larger",
        )
    loading = extremes(lambda v: _loading_v(v, sensor_volts), built.spreads)
    refuse_unless_between(built, GOOD_LOW_V, sensor_volts - GOOD_HIGH_BELOW_V - loading.high)
    rising, falling = thresholds(built)
    figures = [
        Figure("threshold_rising", "the pin goes high when the wire rises above", rising, "V"),
        Figure("threshold_falling", "the pin goes low when the wire falls below", falling, "V"),
        Figure("input_resistance", "what the tapped wire sees", input_ohm, "Ω"),
        Figure(
            "loading",
            f"lowers the wire's high level, with a {PULL_UP_MOST_OHM / 1e3:g} kΩ pull-up, by",
            loading,
            "V",
        ),
        *edge_figures(built, 0.0, sensor_volts, turning),
        Figure("lowest_speed", "lowest speed at which every tooth comes through", Spread.of(0.0, 0.0), "rpm"),
    ]
    not_for: tuple[str, ...] = NOT_FOR
    if variant == "bench":
        built, bench_figures = _with_bench(built, sensor_volts)
        figures += bench_figures
        not_for = (*NOT_FOR, *NOT_FOR_BENCH)
    return FrontEnd(
        name="hall",
        title=f"Hall or other switching sensor, {sensor_volts:g} V" + (", on the bench" if variant == "bench" else ""),
        asked={
            "sensor_volts": sensor_volts,
            "wheel": turning.wheel.name,
            "top_rpm": turning.top_rpm,
            "variant": variant,
            "filter_us": filter_us,
        },
        circuit=built.circuit,
        spreads=built.spreads,
        parts=built.parts,
        figures=tuple(figures),
        swing=(0.0, sensor_volts),
        surge=built.surge,
        not_for=not_for,
        turning=turning,
    )


def _loading_v(values: Values, sensor_volts: float) -> float:
    load = values["series"] + values["bottom"]
    return sensor_volts * PULL_UP_MOST_OHM / (PULL_UP_MOST_OHM + load)


def _with_bench(built: Built, sensor_volts: float) -> tuple[Built, list[Figure]]:
    """Add the pull-up and the protected feed. The wire stays the point from which delays are counted."""
    pull_up = at_least(sensor_volts / BENCH_PULL_UP_A, E24)
    spreads = {**built.spreads, "bench_pull_up": Spread.of(pull_up, RESISTOR), "cable": BENCH_CABLE_F}
    parts = (
        film("R9", pull_up, "the sensor's pull-up"),
        Part("F1", "resettable fuse", "100 mA hold", "30 V", "limits the feed when a lead is shorted"),
        Part("C4", "ceramic capacitor, X7R", written(100e-9, "F"), "50 V", "steadies the feed at the sensor"),
    )
    # R9 stands outside the clamped input: the wire is what the delays are counted from.
    rise = extremes(lambda v: v["bench_pull_up"] * v["cable"] * math.log(2), spreads)
    figure = Figure("bench_rise", "the pull-up and 3 m of cable make a rising edge late by a further", rise, "s")
    return Built(built.circuit, spreads, (*built.parts, *parts), built.surge), [figure]
