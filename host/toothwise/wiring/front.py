"""What every front end is made of: what was asked, the circuit, its parts, its figures, its limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from toothwise.errors import Trouble
from toothwise.wheel.catalogue import wheel as wheel_named
from toothwise.wheel.pattern import Wheel
from toothwise.wiring.circuit import Circuit
from toothwise.wiring.limits import PIN_LEAKAGE_A, PIN_PULL_UP_OHM, SUPPLY_V
from toothwise.wiring.models import INPUT_DIODE, Comparator, junction_f
from toothwise.wiring.network import Element
from toothwise.wiring.parts import Part, written
from toothwise.wiring.spread import Spread
from toothwise.wiring.surge import Surge

# Metal film 1 %, 100 ppm/K over 45 K from the middle of -20 to 60 °C outwards: common practice, no source.
RESISTOR = 0.01 + 100e-6 * 45
# The matched four of the two-wire coil input: 0.1 %, 25 ppm/K.
RESISTOR_MATCHED = 0.001 + 25e-6 * 45
CAPACITOR = 0.05  # C0G (NP0) ceramic
CAPACITOR_BULK = 0.2  # X7R ceramic or electrolytic, where only "large enough" matters
STRAY_F = Spread.around(8e-12, 5e-12)  # a soldered strip board's node, from memory
PIN_F = Spread.around(10e-12, 5e-12)  # a board's pin with its track, from memory
# Share of a pitch that a tooth lasts, at least: 40-60 % of it, from memory [M].
SHORTEST_DUTY = 0.4


@dataclass(frozen=True)
class Turning:
    """The wheel under the sensor and how fast it may go. rpm is the wheel's own."""

    wheel: Wheel
    top_rpm: float

    @classmethod
    def of(cls, name: str, top_rpm: float) -> Turning:
        if not 0 < top_rpm <= 30000:
            raise Trouble(
                f"--top-rpm {top_rpm:g} is not a speed of an engine",
                step="give the wheel's top speed, 1 to 30000",
            )
        return cls(wheel_named(name), top_rpm)

    @property
    def shortest_deg(self) -> float:
        """The shortest stretch of one level that the wheel makes, in its own degrees."""
        steps = self.wheel.steps_deg
        if self.wheel.widths_deg is None:
            return float(steps.min()) * SHORTEST_DUTY
        widths = self.wheel.widths_deg
        return min(min(widths), min(float(step) - width for step, width in zip(steps, widths, strict=True)))

    @property
    def shortest_s(self) -> float:
        """The same at top speed, in s."""
        return self.shortest_deg / (6.0 * self.top_rpm)

    def rpm_for(self, pulse_s: float) -> float:
        """Speed at which the shortest level lasts `pulse_s`."""
        return self.shortest_deg / (6.0 * pulse_s)


@dataclass(frozen=True, slots=True)
class Figure:
    """A computed number with its worst cases. key: for machines; text: for people."""

    key: str
    text: str
    spread: Spread
    unit: str

    def line(self) -> str:
        ends = (self.spread.low, self.spread.high)
        nominal = self.written(self.spread.nominal)
        if ends[0] == ends[1]:
            return nominal
        return f"{nominal} ({self.written(ends[0])} to {self.written(ends[1])})"

    def written(self, value: float) -> str:
        if self.unit in ("Ω", "V", "A", "s", "W", "F"):
            return written(value, self.unit)
        return f"{value:.3g} {self.unit}" if abs(value) < 1000 else f"{value:.0f} {self.unit}"


@dataclass(frozen=True)
class FrontEnd:
    """A finished design. Every value drawn, listed, computed or simulated is one of `spreads`.

    asked: the settings it was made from. swing: two signal levels beyond the thresholds, between which
    delays count. surge: the worst the standards' pulses do. not_for: what it must not be used on, in plain words.
    """

    name: str
    title: str
    asked: Mapping[str, Any]
    circuit: Circuit
    spreads: Mapping[str, Spread]
    parts: tuple[Part, ...]
    figures: tuple[Figure, ...]
    swing: tuple[float, float]
    surge: Surge
    not_for: tuple[str, ...]
    turning: Turning | None = None

    def figure(self, key: str) -> Spread:
        """The figure of that key."""
        return next(figure.spread for figure in self.figures if figure.key == key)

    def value(self, name: str, unit: str) -> str:
        """A value as written on the drawing."""
        return written(self.spreads[name].nominal, unit)

    def as_json(self) -> dict[str, Any]:
        return {
            "schema": 1,
            "front_end": self.name,
            "asked": dict(self.asked),
            "parts": [
                {"ref": p.ref, "what": p.what, "value": p.value, "rating": p.rating, "why": p.why} for p in self.parts
            ],
            "figures": [
                {
                    "name": f.key,
                    "text": f.text,
                    "value": f.spread.nominal,
                    "low": f.spread.low,
                    "high": f.spread.high,
                    "unit": f.unit,
                }
                for f in self.figures
            ],
            "surge": asdict(self.surge),
            "not_for": list(self.not_for),
        }


def output_stage(comparator: Comparator) -> tuple[tuple[Element, ...], dict[str, Spread], tuple[Part, ...]]:
    """Comparator, its pull-up, the pin's series resistor and the supply's capacitor: the same everywhere."""
    elements = (
        Element("R", "R7", "3v3", "out", "pull_up"),
        Element("R", "R8", "out", "pin", "pin_series"),
        Element("C", "CP", "plus", "0", "stray_plus"),
        Element("J", "JP", "plus", "0", "input_junctions"),
        Element("C", "CO", "out", "0", "stray_out"),
        Element("C", "CI", "pin", "0", "pin_capacitance"),
        Element("R", "PULL", "3v3", "pin", "pin_pull_up"),
        Element("I", "IPIN", "pin", "0", "pin_leakage"),
    )
    middle_s = 0.5 * (comparator.delay_min_s + comparator.delay_max_s)
    spreads = {
        "pull_up": Spread.of(4700.0, RESISTOR),
        "pin_series": Spread.of(1000.0, RESISTOR),
        "stray_plus": STRAY_F,
        "input_junctions": junction_f(INPUT_DIODE, 2),
        "stray_out": STRAY_F,
        "pin_capacitance": PIN_F,
        "pin_pull_up": PIN_PULL_UP_OHM,
        "pin_leakage": Spread.around(0.0, PIN_LEAKAGE_A),
        "supply": SUPPLY_V,
        "offset": Spread.around(0.0, comparator.offset_v),
        "delay": Spread(middle_s, comparator.delay_min_s, comparator.delay_max_s),
        "sink": Spread(80.0, comparator.sink_min_ohm, comparator.sink_max_ohm),
    }
    parts = (
        Part("U1", "comparator", "", comparator.rating, "turns the small signal into a clean high or low"),
        film("R7", spreads["pull_up"].nominal, "pulls the comparator's output up to 3.3 V"),
        film("R8", spreads["pin_series"].nominal, "keeps the pin safe if it is set as an output by mistake"),
        Part("C3", "ceramic capacitor, X7R", written(100e-9, "F"), "16 V", "right at U1's supply pins"),
    )
    return elements, spreads, parts


def film(ref: str, ohm: float, why: str, rating: str = "1 %, 0.25 W, 250 V") -> Part:
    """A metal film resistor."""
    return Part(ref, "metal film resistor", written(ohm, "Ω"), rating, why)


def film_rating(peak_v: float, peak_w: float, tolerance: str = "1 %") -> str:
    """The smallest common film resistor that bears a surge of that height; sizes are common practice, no source."""
    for watts, volts in ((0.25, 250), (0.5, 350), (1.0, 500), (2.0, 500)):
        if peak_w <= watts and peak_v <= volts:
            return f"{tolerance}, {watts:g} W, {volts} V"
    raise Trouble(
        f"a surge would put {peak_w:.1f} W and {peak_v:.0f} V on the series resistor, more than a 2 W part bears",
        step="choose a larger series resistor",
    )
