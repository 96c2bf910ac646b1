"""The sensor's feed, 5, 8 or 12 V: a level that falls when the feed sags, and the voltage itself."""

from __future__ import annotations

from toothwise.errors import Trouble
from toothwise.wiring.board import FEED_FULL_SCALE_V
from toothwise.wiring.front import Figure, FrontEnd
from toothwise.wiring.limits import SUPPLY_V
from toothwise.wiring.models import Comparator
from toothwise.wiring.single import Built, Wish, build, edge_figures, refuse_unless_between, thresholds
from toothwise.wiring.spread import Values, extremes

# A feed can spare half a milliampere (common practice, no source), and 12 V across 22 kohm take 0.55 mA [D]; the lower
# resistance keeps the clamps' leakage out of the reading.
SERIES_OHM = 22e3
LEAST_INPUT_OHM = 20e3
# A feed below this share of its nominal is called low: common practice, no source; --low-volts overrides it.
LOW_SHARE = 0.8
# Of the nominal voltage between low and good again; sags of some microseconds, which a sensor's own capacitor bridges,
# are no sags. Common practice, no source.
HYSTERESIS_SHARE = 0.08
FILTER_US = 10.0
NOT_FOR = (
    "feeding anything: it only listens",
    "a voltage above 16 V in normal service (24 V vehicles), or any high-voltage circuit",
)


def design(
    feed_volts: float,
    *,
    low_volts: float | None = None,
    filter_us: float = FILTER_US,
    series_ohm: float | None = None,
    comparator: Comparator | None = None,
) -> FrontEnd:
    """A front end that watches a feed of `feed_volts` and calls it low below `low_volts` (80 % if not given).

    Raises Trouble for a voltage out of range, a threshold that leaves no room below the nominal, and for a series
    resistor that would load the feed or let a pulse break the pin.
    """
    if not 4.5 <= feed_volts <= 16.0:
        raise Trouble(
            f"--sensor-volts {feed_volts:g} is not a sensor's feed (5, 8 or 12 V, at most 16)",
            step="measure the feed wire with a meter, key on, and give that",
        )
    low = low_volts if low_volts is not None else LOW_SHARE * feed_volts
    if not 0.3 * feed_volts <= low <= 0.9 * feed_volts:
        raise Trouble(
            f"--low-volts {low:g} is not between 30 % and 90 % of a feed of {feed_volts:g} V",
            step=f"{LOW_SHARE * feed_volts:g} V is a fair start",
        )
    series = series_ohm or SERIES_OHM
    middle = low + 0.5 * HYSTERESIS_SHARE * feed_volts
    wish = Wish(
        rising_v=low + HYSTERESIS_SHARE * feed_volts,
        falling_v=low,
        series_ohm=series,
        node_v=middle * SUPPLY_V.nominal / FEED_FULL_SCALE_V,
        filter_s=filter_us * 1e-6,
        diode="schottky",
        analogue=True,
    )
    built = build(wish, comparator or Comparator())
    input_ohm = extremes(lambda v: v["series"] + v["bottom"], built.spreads)
    if input_ohm.low < LEAST_INPUT_OHM:
        raise Trouble(
            f"the input would load the feed with {input_ohm.low / 1e3:.0f} kohm, less than the "
            f"{LEAST_INPUT_OHM / 1e3:.0f} kohm that leave it alone",
            step="make R1 larger",
        )
    refuse_unless_between(built, 0.0, feed_volts)
    rising, falling = thresholds(built)
    spreads = built.spreads
    figures = [
        Figure("threshold_rising", "the feed is good again above", rising, "V"),
        Figure("threshold_falling", "the feed is low below", falling, "V"),
        Figure("input_resistance", "what the feed sees", input_ohm, "Ω"),
        Figure(
            "loading",
            "current taken from the feed",
            extremes(lambda v: feed_volts / (v["series"] + v["bottom"]), spreads),
            "A",
        ),
        Figure(
            "analogue_error",
            f"the board's reading of {feed_volts:g} V is off by",
            extremes(lambda v: _read_volts(built, v, feed_volts) - feed_volts, spreads),
            "V",
        ),
        *edge_figures(built, 0.0, feed_volts, None, dips_only=True),
    ]
    return FrontEnd(
        name="feed",
        title=f"Feed of {feed_volts:g} V",
        asked={"sensor_volts": feed_volts, "low_volts": low, "filter_us": filter_us},
        circuit=built.circuit,
        spreads=spreads,
        parts=built.parts,
        figures=tuple(figures),
        swing=(0.0, feed_volts),
        surge=built.surge,
        not_for=NOT_FOR,
    )


def _read_volts(built: Built, values: Values, feed_volts: float) -> float:
    """What the firmware makes of the analogue pin: it takes full scale for its supply."""
    network = built.circuit.network(values, out_high=True)
    pin_v = network.rest(built.circuit.held(values, feed_volts))["adc"]
    return pin_v / values["supply"] * FEED_FULL_SCALE_V
