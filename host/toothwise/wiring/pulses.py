"""The pulses a vehicle's supply can put on a wire, as test standards describe them.

Levels: ISO 7637-2:2004, 12 V, level IV, and ISO 16750-2 load dump [S]. Source impedances and durations of 1,
2a, 3a and 3b: the same table as makers of automotive drivers reprint it (2 ms and 10 ohm; 50 us and 2 ohm;
0.1 us and 50 ohm). Load dump: 79-101 V, 0.5-4 ohm, 40-400 ms, rise 10 ms, less up to 5 (ISO 16750-2 table as
reprinted by the Journal of the Korean Institute of Electromagnetic Engineering and Science 30-8). Rise times of
1, 2a, 3a, 3b: from memory. Durations run from 10 % to 10 %: decay is taken exponential to a tenth.

These are supply-line pulses. A sensor wire sees a fraction of them; they are applied to it whole, which is what
clipping to the wrong wire would do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

BATTERY_V = 13.5  # UA of the 12 V tests, from memory; also stated with the reprinted table


@dataclass(frozen=True, slots=True)
class Pulse:
    """One pulse. peak_v: highest (or lowest) voltage to ground with nothing connected; base_v: before it."""

    name: str
    key: str
    base_v: float
    peak_v: float
    source_ohm: float
    rise_s: float
    duration_s: float

    def points(self) -> list[tuple[float, float]]:
        """(time s, volts) of the generator: straight rise, exponential decay, back at base after a tenth is left."""
        start = 0.02 * self.duration_s
        decay_s = self.duration_s / math.log(10)
        points = [(0.0, self.base_v), (start, self.base_v), (start + self.rise_s, self.peak_v)]
        for step in range(1, 25):
            after = self.duration_s * 2 * step / 24
            level = self.base_v + (self.peak_v - self.base_v) * math.exp(-after / decay_s)
            points.append((start + self.rise_s + after, level))
        return points

    @property
    def span_s(self) -> float:
        return self.points()[-1][0]


# The sum of base and level is taken where the standard leaves the reference open: the harsher reading.
PULSES = (
    Pulse("ISO 7637-2 pulse 1", "pulse_1", 0.0, -100.0, 10.0, 1e-6, 2e-3),
    Pulse("ISO 7637-2 pulse 2a", "pulse_2a", BATTERY_V, BATTERY_V + 50.0, 2.0, 1e-6, 50e-6),
    Pulse("ISO 7637-2 pulse 3a", "pulse_3a", 0.0, -150.0, 50.0, 5e-9, 0.1e-6),
    Pulse("ISO 7637-2 pulse 3b", "pulse_3b", BATTERY_V, BATTERY_V + 100.0, 50.0, 5e-9, 0.1e-6),
    Pulse("ISO 16750-2 load dump", "load_dump", BATTERY_V, 101.0, 0.5, 10e-3, 400e-3),
)
HIGHEST_V = max(pulse.peak_v for pulse in PULSES)
LOWEST_V = min(pulse.peak_v for pulse in PULSES)
# The pulses that last long enough to heat a resistor.
LONGEST_V = next(pulse.peak_v for pulse in PULSES if pulse.key == "load_dump")
