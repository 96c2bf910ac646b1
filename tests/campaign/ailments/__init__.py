"""Made cases of each cause: what the engine, wheel, sensor and wiring do, and what the card would say of it.

Severities, speeds, wheels and engines are drawn at random. Meter readings follow from the fault by Ohm's law
and plain sense, each taken or not as a workshop would; nothing here looks at how the causes are weighed.
All data are invented.
"""

from __future__ import annotations

from collections.abc import Callable

from tests.campaign.ailments import circuit, engine, wheel
from tests.campaign.ailments.setup import Case, Rng

AILMENTS: dict[str, Callable[[Rng], Case]] = {
    "sensor": circuit.sensor,
    "signal_open": circuit.signal_open,
    "signal_short_ground": circuit.signal_short_ground,
    "signal_short_feed": circuit.signal_short_feed,
    "feed_or_ground": circuit.feed_or_ground,
    "intermittent_wiring": circuit.intermittent_wiring,
    "weak_signal": circuit.weak_signal,
    "reversed_polarity": circuit.reversed_polarity,
    "wheel_tooth": wheel.wheel_tooth,
    "wheel_runout": wheel.wheel_runout,
    "wheel_slip": wheel.wheel_slip,
    "wrong_wheel": wheel.wrong_wheel,
    "interference": wheel.interference,
    "cam_sensor": engine.cam_sensor,
    "cam_timing": engine.cam_timing,
    "cam_phaser": engine.cam_phaser,
    "misfire": engine.misfire,
    "low_compression": engine.low_compression,
}
