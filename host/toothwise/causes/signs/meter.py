"""What a meter read. Limits keep the tags of the trade notes."""

from __future__ import annotations

import math
from collections.abc import Iterator

from toothwise.causes.findings import Findings
from toothwise.causes.signs import Sighting

_COIL_OHM = (150.0, 3000.0)  # typical 200 to 1500, outliers 150 to 3000 [M]
_HOT_RATIO = (0.98, 1.45)  # copper: ×1.39 from 20 to 120 °C [D], and a meter's own error
_INSULATION_OHM = 1e6  # above 1 Mohm [C]
_FEEDS_V = (5.0, 8.0, 12.0)  # [M]
_GROUND_V = 0.1  # 50 mV good, 100 mV upper [C]
_LOW_V = 0.5  # good low below 0.4 to 0.5 V [C]
_PULL_UP_LEAST_V = 4.5
_ABOVE_PULL_UP_V = 5.6  # a pull-up goes to 5 V, to 8 or 12 at times [M]
_ECHO = 0.3
_CRANKING_GOOD_V = 0.5  # 0.5 to 2 V AC normal, about 0.1 V the fault floor [T]
_CRANKING_NOTHING_V = 0.05  # well below that floor: what a wire picks up that leads nowhere [D]
_WIRE_OHM = 5.0  # a few ohms with the leads; common practice, no source


def _volts(value: float) -> str:
    return f"{value:.2f} V" if abs(value) >= 1 else f"{1000 * value:.0f} mV"


def _ohms(value: float) -> str:
    if math.isinf(value):
        return "over-range"
    for unit, scale in (("Mohm", 1e6), ("kohm", 1e3)):
        if value >= scale:
            return f"{value / scale:g} {unit}"
    return f"{value:g} ohm"


def coil(findings: Findings) -> Iterator[Sighting]:
    """Is the winding whole, cold and hot?"""
    read = findings.job.readings
    if findings.job.sensor.kind in ("hall", "magnetoresistive", "current"):
        return  # an ohmmeter says nothing about a chip
    cold, hot = read.get("resistance_ohm"), read.get("resistance_hot_ohm")
    if cold is None and hot is None:
        return
    # Taken at the control unit's plug the reading holds the wires as well.
    sign = "coil_and_wires" if findings.job.measured_at == "control unit" else "coil"
    low, high = _COIL_OHM
    for value, name in ((cold, "cold"), (hot, "hot")):
        if value is not None and value > 20 * high:
            yield Sighting(sign, "open", f"the winding is open {name}: {_ohms(value)}")
            return
    for value, name in ((cold, "cold"), (hot, "hot")):
        if value is not None and not low <= value <= high * (1.39 if name == "hot" else 1.0):
            words = f"the winding has {_ohms(value)} {name}, outside {low:g} to {high:g} ohm"
            yield Sighting(sign, "outside", words)
            return
    if cold and hot and not _HOT_RATIO[0] <= hot / cold <= _HOT_RATIO[1]:
        words = f"hot resistance is {hot / cold:.2f} of the cold one; copper gives up to 1.39"
        yield Sighting(sign, "outside", words)
        return
    yield Sighting(sign, "within", f"the winding has {_ohms(cold if cold is not None else hot or 0.0)}")


def insulation(findings: Findings) -> Iterator[Sighting]:
    value = findings.job.readings.get("insulation_ohm")
    if value is not None:
        good = value >= _INSULATION_OHM
        yield Sighting("insulation", "good" if good else "low", f"insulation to body {_ohms(value)}")


def supply(findings: Findings) -> Iterator[Sighting]:
    """Do feed and ground reach the sensor?"""
    read = findings.job.readings
    feed, drop = read.get("feed_v"), read.get("ground_drop_v")
    if feed is None and drop is None:
        return
    bad: list[str] = []
    good: list[str] = []
    if feed is not None:
        nominal = min(_FEEDS_V, key=lambda v: abs(v - feed))
        fine = nominal * 0.94 <= feed <= nominal * 1.06 or 9.6 <= feed <= 15.0  # a battery feed follows the battery
        (good if fine else bad).append(f"feed {_volts(feed)}")
    if drop is not None:
        (good if abs(drop) <= _GROUND_V else bad).append(f"ground drop {_volts(drop)}")
    words = " and ".join(bad or good)
    if bad:
        yield Sighting("supply", "bad", f"{words}, out of its limits")
    else:
        yield Sighting("supply", "good" if len(good) == 2 else "half good", f"{words}, good")


def stuck(findings: Findings) -> bool:
    """Whether the meter shows a line that does not swing."""
    read = findings.job.readings
    low, high = read.get("signal_low_v"), read.get("signal_high_v")
    return low is not None and high is not None and (_stays_low(high) or _stays_high(low, high))


def _stays_low(high_v: float) -> bool:
    return high_v < 1.0


def _stays_high(low_v: float, high_v: float) -> bool:
    return low_v > 0.8 * high_v


def levels(findings: Findings) -> Iterator[Sighting]:
    """Does the signal swing all the way, and no farther?"""
    read = findings.job.readings
    low, high = read.get("signal_low_v"), read.get("signal_high_v")
    if low is None or high is None or findings.job.sensor.kind in ("variable_reluctance", "current"):
        return
    words = f"low {_volts(low)}, high {_volts(high)}"
    # Where the recording already shows the line standing still, a meter that shows it again is no second witness.
    again = _ECHO if findings.of_kind("silent", channel=findings.crank) else 1.0
    if _stays_low(high):
        yield Sighting("levels", "stuck low", f"the signal stays low: {words}", again)
    elif _stays_high(low, high) and high > _ABOVE_PULL_UP_V:
        yield Sighting("levels", "stuck at feed", f"the signal stays above a 5 V pull-up: {words}")
    elif _stays_high(low, high):
        yield Sighting("levels", "stuck high", f"the signal stays high: {words}", again)
    elif low > _LOW_V:
        yield Sighting("levels", "low is high", f"the low level is too high: {words}")
    elif high < _PULL_UP_LEAST_V:
        yield Sighting("levels", "high is low", f"the high level is too low: {words}")
    else:
        yield Sighting("levels", "good", f"the signal swings fully: {words}")


def unplugged(findings: Findings) -> Iterator[Sighting]:
    """Does the control unit's pull-up reach the sensor's plug?"""
    value = findings.job.readings.get("unplugged_v")
    if value is None or findings.job.sensor.kind in ("variable_reluctance", "current"):
        return
    words = f"with the sensor unplugged its signal wire has {_volts(value)}"
    if value < 1.0:
        yield Sighting("unplugged", "nothing", words)
    elif 4.5 <= value <= 5.5:
        yield Sighting("unplugged", "pull-up", words)
    else:
        yield Sighting("unplugged", "other", words)


def cranking(findings: Findings) -> Iterator[Sighting]:
    value = findings.job.readings.get("cranking_ac_v")
    if value is None or findings.job.sensor.kind in ("hall", "magnetoresistive", "current"):
        return
    words = f"{_volts(value)} AC while cranking"
    if value >= _CRANKING_GOOD_V:
        yield Sighting("cranking", "good", words)
    else:
        yield Sighting("cranking", "weak" if value >= _CRANKING_NOTHING_V else "none", words)


def wire(findings: Findings) -> Iterator[Sighting]:
    value = findings.job.readings.get("wire_ohm")
    if value is not None:
        through = value <= _WIRE_OHM
        yield Sighting("wire", "through" if through else "open", f"signal wire from end to end {_ohms(value)}")


SIGNS = (coil, insulation, supply, levels, unplugged, cranking, wire)
