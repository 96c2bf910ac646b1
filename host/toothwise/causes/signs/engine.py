"""What the engine does to the crank's speed: cylinders that pull less, misfire, or hold less compression."""

from __future__ import annotations

from collections.abc import Iterator

from toothwise.causes.findings import Findings
from toothwise.causes.signs import Sighting
from toothwise.records import Measure

WEAK = 0.07
"""A cylinder's lack of work, as a share of the engine's own swing, from which it is called weak. Single cycles of
a healthy idle differ by more, the means of its cylinders do not; common practice, no source."""

MISFIRES = 0.02
"""Misfires a firing from which they count: emissions monitors begin to look at about 2 % [M]."""

COMPRESSION = 85.0
"""Per cent of the best cylinder below which compression is low: workshops allow 10 to 25 % between cylinders [C]."""

MOVED_DEG = 4.0
"""How far the crank's slowest point may wander against the wheel; common practice, no source."""


def slot_name(measure: Measure) -> str:
    """“cylinder 3”, or “firing slot 2 or 4” where the recording cannot tell which turn of the cycle it is."""
    about = measure.about
    if about.get("cylinder") is not None:
        return f"cylinder {about['cylinder']}"
    if about.get("pair"):
        return f"firing slot {' or '.join(str(slot) for slot in about['pair'])}"
    return f"firing slot {about.get('slot')}"


def power(findings: Findings) -> Iterator[Sighting]:
    """Does each cylinder pull its share at idle?"""
    misfires = findings.values("misfire_rate", findings.crank)
    works = findings.values("cylinder_work", findings.crank)
    sure = [m for m in misfires if m.value - 2 * (m.uncertainty or 0.0) > MISFIRES]
    if sure:
        words = ", ".join(f"{slot_name(m)} {100 * m.value:.0f} %" for m in sure)
        if len(sure) == 1 or len(sure) <= len(misfires) // 4:
            yield Sighting("power", "misfires", f"misfires in {words} of its firings")
        else:
            yield Sighting("power", "misfires all over", f"misfires in {words} of the firings")
        return
    if not works:
        return
    weak = [m for m in works if m.about.get("weak")]
    if weak:
        words = " and ".join(
            f"{slot_name(m)} pulls {-100 * m.value:.0f} % of the swing less than the rest" for m in weak
        )
        yield Sighting("power", "weak" if len(weak) == 1 else "misfires all over", words)
    elif all(m.about.get("told", True) for m in works):
        yield Sighting("power", "even", "the cylinders pull alike", 1.0 if misfires else 0.6)


def compression(findings: Findings) -> Iterator[Sighting]:
    """Does each cylinder brake the starter alike?"""
    measures = findings.values("relative_compression", findings.crank)
    if len(measures) < 2:
        return
    low = [m for m in measures if m.value + 2 * (m.uncertainty or 0.0) < COMPRESSION]
    sure = [m for m in low if not _like_its_partner(m, measures)]
    if low and not sure:
        return  # what is the same one turn apart may be the wheel's error
    if low := sure:
        words = " and ".join(f"{slot_name(m)} has {m.value:.0f} % of the best" for m in low)
        yield Sighting("compression", "low", f"{words} while cranking")
    else:
        least = min(m.value for m in measures)
        yield Sighting("compression", "even", f"compression is even while cranking, the least {least:.0f} %")


def _like_its_partner(measure: Measure, measures: list[Measure]) -> bool:
    """Whether the slot one turn apart, which passes the very same teeth, is nearly as low."""
    half, odd = divmod(len(measures), 2)
    if odd:
        return False
    slot = (int(measure.about["slot"]) - 1 + half) % len(measures) + 1
    partner = next((m for m in measures if m.about["slot"] == slot), None)
    return partner is not None and partner.value - measure.value < (100 - COMPRESSION) / 2


def slowest(findings: Findings) -> Iterator[Sighting]:
    """Has the wheel moved on the shaft? The crank is slowest at its compressions, whatever the wheel does."""
    reference = findings.job.reference.slowest_deg
    # At idle the firing itself has a part in where it is slowest; the card's angle is of cranking.
    found = findings.values("slowest_angle", findings.crank)
    measure = next((m for m in found if m.about.get("while") != "idle"), None)
    if reference is None or measure is None:
        return
    interval = float(measure.about.get("interval_deg", 720.0))
    if 360.0 % interval:  # an odd number of cylinders: which turn the count began with, nobody knows
        interval /= 2
    moved = (measure.value - reference + interval / 2) % interval - interval / 2
    words = f"the crank is slowest {moved:+.1f}° from where the reference has it, seen from tooth 1"
    if abs(moved) - 2 * (measure.uncertainty or 0.0) > MOVED_DEG:
        yield Sighting("slowest", "moved", words)
    elif abs(moved) <= MOVED_DEG:
        yield Sighting("slowest", "same", words)


SIGNS = (power, compression, slowest)
