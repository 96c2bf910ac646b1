"""A thermistor on the rig's analogue input: raw reading to degrees Celsius.

R = R25·exp(B·(1/T - 1/T25)), T in kelvin: the definition of B between 25 °C and T (IEC 60539-1, from memory; worked
tables in tests/outside/test_wiggle.py). One B holds near the temperatures it is given for: of a part sold as 10 k, 3950
it is within 1.3 °C from 0 to 100 °C, 3 °C at 125 °C and 5.5 °C at -40 °C of the maker's table.

The thermistor lies between the input and ground, a fixed resistor between the input and the same supply that the
converter measures against, so that the supply cancels out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

ZERO_C_K = 273.15
FULL = 65535
"""The rig's raw reading at full supply."""
_OPEN_SHARE = 0.001
"""So near either end, the thermistor is open or short."""


@dataclass(frozen=True, slots=True)
class Thermistor:
    """r25_ohm: at 25 °C. beta_k: between 25 °C and the working temperature. series_ohm: to the supply."""

    r25_ohm: float = 10_000.0
    beta_k: float = 3950.0
    series_ohm: float = 10_000.0

    def celsius(self, raw: int) -> float | None:
        """The temperature of a raw reading, 0 to 65535; None where the thermistor is open, short or not there."""
        share = raw / FULL
        if not _OPEN_SHARE < share < 1 - _OPEN_SHARE:
            return None
        ohm = self.series_ohm * share / (1 - share)
        return 1.0 / (1.0 / (25.0 + ZERO_C_K) + math.log(ohm / self.r25_ohm) / self.beta_k) - ZERO_C_K
