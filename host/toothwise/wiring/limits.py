"""What the board's pins bear and read, and the shortest pulse its capture sees."""

from __future__ import annotations

from toothwise.wiring.spread import Spread

# RP2040 datasheet, section 5.2.3 "Pin specifications". Low level 0.8 V, hysteresis 0.2 V, pulls 50-80 kohm and
# leakage 1 uA were read in a stored copy (tables 632 and 633); the high level of 2.0 V and the absolute limits,
# -0.5 V to the supply + 0.5 V, are from memory. The RP2350's non-analogue pins bear more; the smaller limit
# serves both.
PIN_BELOW_GROUND_V = 0.5
PIN_ABOVE_SUPPLY_V = 0.5
PIN_LOW_V = 0.8
PIN_HIGH_V = 2.0
PIN_LEAKAGE_A = 1e-6
PIN_PULL_UP_OHM = Spread(65e3, 50e3, 80e3)  # the firmware switches it on at every input
# Highest supply of the pins: 3.63 V, RP2040 datasheet section 5.3 "Power supplies" (read in a stored copy).
SUPPLY_MAX_V = 3.63
# Board regulator: 3 % over load and temperature, from memory.
SUPPLY_V = Spread.of(3.3, 0.03)
# Across the 3.3 V line beside the board, takes up what the clamps feed into it: common practice, no source.
SUPPLY_BULK_F = 10e-6
# Least the running board draws from its 3.3 V line; whatever a clamp feeds into that line must stay below it
# or the line rises. From memory (an idle board draws about 20 mA); taken low to be safe.
BOARD_DRAW_A = 0.015
# Into a comparator's input, beyond either supply rail: common practice, no source; the parts list asks for it.
COMPARATOR_INPUT_A = 0.001

# The capture polls a pin every second cycle at 125 MHz (measured on an emulated board, not seen on hardware).
CAPTURE_CYCLES = 2
CLOCK_HZ = 125e6
CAPTURE_PULSE_S = CAPTURE_CYCLES / CLOCK_HZ
