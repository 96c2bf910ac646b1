"""What a meter read. The sentences of tests.toml that say what good looks like are filled from the limits here.

Each limit has its tag; DEVELOPERS.md (Habits) says what the letters mean.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from toothwise.causes.findings import Findings
from toothwise.causes.signs import Sighting

_COIL_OHM = (150.0, 3000.0)  # typical 200 to 1500, outliers 150 to 3000 [M]
_COIL_OPEN_OHM = 20 * _COIL_OHM[1]  # far above any coil: no winding, but dirt or damp; common practice, no source
_COPPER_HOT = 1.39  # copper from 20 to 120 °C: 1 + 0.00393 × 100 [D]
_HOT_RATIO = (0.98, 1.45)  # 1 to copper's, and a meter's own error: a few per cent; common practice, no source
_INSULATION_OHM = 1e6  # [C]
_REGULATED_V = (5.0, 8.0)  # a control unit's feeds, and the pull-ups of its inputs [M]
_BATTERY_V = (9.6, 15.0)  # the lowest that still cranks, the highest that is charged with; common practice, no source
_FEED_DROP_V = 0.2  # from the feed's nominal volts: 0.1 good, 0.2 upper [C]
_GROUND_V = 0.1  # 50 mV good, 100 mV upper [C]
_LOW_V = 0.5  # a good low is below 0.4 to 0.5 V [C]
_HIGH_DROP_V = 0.3  # a good high is so near the pull-up [C]
_STAYS_LOW_V = 1.0  # a high level below this: the line never lets go of ground; common practice, no source
_STAYS_HIGH = 0.8  # a low level above this share of the high one: it does not swing; common practice, no source
_ABOVE_PULL_UP_V = 5.6  # more than a pull-up to 5 V and its tolerance can give; to 8 or 12 V they are rarer [M]
_UNPLUGGED_V = (4.5, 5.5)  # a pull-up to 5 V, a tenth either way; common practice, no source
_ECHO = 0.3  # how much a meter still tells that repeats what the recording shows; a judgement, no source
_CRANKING_GOOD_V = 0.5  # 0.5 to 2 V AC normal, about 0.1 V the fault floor [T]
_CRANKING_NOTHING_V = 0.05  # half that floor: what a wire picks up that leads nowhere; a judgement, no source
_WIRE_OHM = 5.0  # a few ohms with the leads; common practice, no source

LIMITS = {
    "coil_least": f"{_COIL_OHM[0]:g}",
    "coil_most": f"{_COIL_OHM[1]:g}",
    "copper_hot": f"{_COPPER_HOT:g}",
    "insulation_mohm": f"{_INSULATION_OHM / 1e6:g}",
    "regulated": " or ".join(f"{v:g}" for v in _REGULATED_V),
    "battery_least": f"{_BATTERY_V[0]:g}",
    "battery_most": f"{_BATTERY_V[1]:g}",
    "feed_drop": f"{_FEED_DROP_V:g}",
    "ground": f"{_GROUND_V:g}",
    "low": f"{_LOW_V:g}",
    "high_drop": f"{_HIGH_DROP_V:g}",
    "cranking_good": f"{_CRANKING_GOOD_V:g}",
    "wire": f"{_WIRE_OHM:g}",
}
"""What the sentences of tests.toml name in braces."""


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
        if value is not None and value > _COIL_OPEN_OHM:
            yield Sighting(sign, "open", f"the winding is open {name}: {_ohms(value)}")
            return
    for value, name in ((cold, "cold"), (hot, "hot")):
        if value is not None and not low <= value <= high * (_COPPER_HOT if name == "hot" else 1.0):
            words = f"the winding has {_ohms(value)} {name}, outside {low:g} to {high:g} ohm"
            yield Sighting(sign, "outside", words)
            return
    if cold and hot and not _HOT_RATIO[0] <= hot / cold <= _HOT_RATIO[1]:
        words = f"hot resistance is {hot / cold:.2f} of the cold one; copper gives up to {_COPPER_HOT:g}"
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
        (good if _is_fed(feed, _FEED_DROP_V) else bad).append(f"feed {_volts(feed)}")
    if drop is not None:
        (good if abs(drop) <= _GROUND_V else bad).append(f"ground drop {_volts(drop)}")
    words = " and ".join(bad or good)
    if bad:
        yield Sighting("supply", "bad", f"{words}, out of its limits")
    else:
        yield Sighting("supply", "good" if len(good) == 2 else "half good", f"{words}, good")


def _is_fed(value_v: float, room_v: float) -> bool:
    """Whether it is so near to a regulated feed, or may be the battery's: what that has is not on the card."""
    near = any(nominal - room_v <= value_v <= nominal + room_v for nominal in _REGULATED_V)
    return near or _BATTERY_V[0] <= value_v <= _BATTERY_V[1]


def stuck(findings: Findings) -> bool:
    """Whether the meter shows a line that does not swing."""
    read = findings.job.readings
    low, high = read.get("signal_low_v"), read.get("signal_high_v")
    return low is not None and high is not None and (_stays_low(high) or _stays_high(low, high))


def _stays_low(high_v: float) -> bool:
    return high_v < _STAYS_LOW_V


def _stays_high(low_v: float, high_v: float) -> bool:
    return low_v > _STAYS_HIGH * high_v


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
    elif not _is_fed(high, _HIGH_DROP_V):
        yield Sighting("levels", "high is low", f"the high level reaches no pull-up's: {words}")
    else:
        yield Sighting("levels", "good", f"the signal swings fully: {words}")


def unplugged(findings: Findings) -> Iterator[Sighting]:
    """Does the control unit's pull-up reach the sensor's plug?"""
    value = findings.job.readings.get("unplugged_v")
    if value is None or findings.job.sensor.kind in ("variable_reluctance", "current"):
        return
    words = f"with the sensor unplugged its signal wire has {_volts(value)}"
    if value < _STAYS_LOW_V:
        yield Sighting("unplugged", "nothing", words)
    elif _UNPLUGGED_V[0] <= value <= _UNPLUGGED_V[1]:
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
