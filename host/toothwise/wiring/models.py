"""The generic parts that are not linear, as the numbers the simulator and the clamp computation share."""

from __future__ import annotations

import math
from dataclasses import dataclass

from toothwise.wiring.spread import Spread

BOLTZMANN_V_PER_K = 1.380649e-23 / 1.602176634e-19  # k/q, SI definition


@dataclass(frozen=True, slots=True)
class Diode:
    """Shockley diode. is_a: saturation current at 27 °C; n: emission; rs_ohm: series; cj_f: at zero bias;
    bv_v: reverse breakdown. The numbers are a middling part of the class, from memory."""

    is_a: float
    n: float
    rs_ohm: float
    cj_f: float
    bv_v: float

    def forward_v(self, current_a: float, celsius: float = 27.0) -> float:
        """Forward voltage in V at a current in A (zero or above); 2 mV less a kelvin (from memory)."""
        thermal = BOLTZMANN_V_PER_K * 300.15
        return self.n * thermal * math.log1p(current_a / self.is_a) + current_a * self.rs_ohm + 2e-3 * (27 - celsius)

    def spice(self) -> str:
        return f"D(IS={self.is_a:g} N={self.n:g} RS={self.rs_ohm:g} CJO={self.cj_f:g} BV={self.bv_v:g} TT=4n)"


DIODES = {
    "silicon": Diode(is_a=2.5e-9, n=1.75, rs_ohm=0.6, cj_f=2e-12, bv_v=100.0),
    "schottky": Diode(is_a=2e-7, n=1.05, rs_ohm=3.0, cj_f=8e-12, bv_v=30.0),
}
DIODE_NAMES = {
    "silicon": "small-signal silicon diode",
    "schottky": "small-signal Schottky diode",
}
DIODE_RATINGS = {
    "silicon": "75 V, 150 mA, leakage ≤ 25 nA at 20 V and 25 °C, capacitance ≤ 4 pF",
    "schottky": "30 V, 200 mA, leakage ≤ 2 µA at 25 V and 25 °C, ≤ 0.45 V at 5 mA",
}
# Worst leakage of a clamp at 60 °C and below 3.5 V, A. Doubling every 10 K from the rated value, and far below
# the rated voltage: common practice, no source.
DIODE_LEAKAGE_A = {"silicon": 0.2e-6, "schottky": 3e-6}

# Protection diodes inside the comparator's inputs, from memory; two at each input.
INPUT_DIODE = Diode(is_a=1e-14, n=1.0, rs_ohm=20.0, cj_f=1e-12, bv_v=100.0)
# Share of its zero-bias capacitance that a junction keeps at one or two volts in reverse.
REVERSED_SHARE = 0.7


def junction_f(diode: Diode, count: float) -> Spread:
    """Capacitance of `count` diodes held in reverse, for the computation that leaves them out."""
    return Spread.of(diode.cj_f * REVERSED_SHARE * count, 0.4)


@dataclass(frozen=True, slots=True)
class Comparator:
    """What the parts list asks of the comparator; the simulated one has these properties and no others."""

    offset_v: float = 5e-3
    delay_min_s: float = 0.1e-6
    delay_max_s: float = 1.0e-6
    sink_min_ohm: float = 20.0
    sink_max_ohm: float = 200.0

    @property
    def rating(self) -> str:
        return (
            "runs from 3.3 V, inputs work from ground to supply, open-drain (open-collector) output, "
            f"offset ≤ {self.offset_v * 1e3:g} mV, delay ≤ {self.delay_max_s * 1e6:g} µs at 20 mV overdrive, "
            f"output ≤ {self.sink_max_ohm * 4e-3:g} V at 4 mA, bears 1 mA into an input"
        )
