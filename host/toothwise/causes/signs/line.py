"""What the line and its neighbours did: levels, feed, channels that fail together, shape of the signal."""

from __future__ import annotations

from collections.abc import Iterator

from toothwise.causes.findings import Findings
from toothwise.causes.signs import Sighting, plural
from toothwise.causes.signs.crank import ENOUGH_TURNS, lost
from toothwise.records import TOOTH_KINDS, Event, Measure

_NEAR_S = 0.02
"""Two things within so short a time belong together: a tooth at cranking speed lasts 7 ms. [D]"""

_DUE = 4.0
"""So many cam edges due and none absent: by chance once in 50 if half of them fell to the same fault [D]."""

JITTER_DEG = 0.1
"""Twice the 0.05° proposed for a bench, as an engine's own speed adds to it; common practice, no source."""

RUNOUT_DEG = 0.2
"""asin(e/R): 0.26 mm off centre at R = 75 mm [D], a quarter of a usual air gap; common practice, no source."""

TOOTH_DEG = 0.5
"""A tooth so far from its place is bent or chipped, not made badly; common practice, no source."""


def held(findings: Findings) -> Iterator[Sighting]:
    """What does the line hold while teeth are absent?"""
    events = [e for e in lost(findings) if e.level is not None]
    if not events:
        return
    low = sum(e.count for e in events if e.level == 0)
    share = low / max(1, sum(e.count for e in events))
    outcome = "low" if share >= 0.9 else "high" if share <= 0.1 else "both"
    words = f"the line holds {outcome if outcome != 'both' else 'low and high in turn'} while teeth are absent"
    strength = min(1.0, len(events) / 3) if events[0].kind == "missing" else 1.0
    # The control unit pulls the line up: on the sensor's side of an open wire nothing does.
    if findings.job.measured_at == "sensor" and findings.job.sensor.kind in ("hall", "magnetoresistive"):
        yield Sighting("held_at_sensor", outcome, f"{words}, seen at the sensor", strength)
    else:
        yield Sighting("held", outcome, words, strength)


def here(findings: Findings) -> Iterator[Sighting]:
    """Is the signal dead already at the sensor's own plug?"""
    if findings.job.measured_at == "sensor" and any(e.kind == "silent" for e in lost(findings)):
        yield Sighting("at_sensor", "dead", "the signal fails already at the sensor's plug")


def feed(findings: Findings) -> Iterator[Sighting]:
    """Does the feed fall, and with the faults?"""
    if "feed" not in findings.channels:
        return
    falls = findings.of_kind("feed_low")
    faults = [
        *lost(findings),
        *findings.of_kind("extra"),
        *findings.of_kind("missing", "silent", channel="cam"),
    ]
    if not falls:
        if faults:
            yield Sighting("feed", "steady", "the feed holds while the signal fails")
        elif findings.revolutions >= ENOUGH_TURNS:
            yield Sighting("feed", "steady", "the feed never falls", 0.5)
        return
    together = [fault for fault in faults if any(_meet(findings, fall, fault) for fall in falls)]
    explained = sum(any(_meet(findings, fall, fault) for fault in together) for fall in falls)
    total = plural(len(falls), "time")
    if explained < 0.5 * len(falls):
        yield Sighting("feed", "elsewhere", f"the feed falls {total}, hardly ever with a fault")
    elif len(together) >= 0.5 * len(faults):
        yield Sighting("feed", "with the faults", f"the feed falls {total}, {explained} of them with a fault")
    else:
        # A feed that falls takes the signal with it; what fails while the feed holds is another fault.
        words = f"the feed falls {total}, but holds in {len(faults) - len(together)} of {len(faults)} faults"
        yield Sighting("feed", "with some faults", words)


def _meet(findings: Findings, a: Event, b: Event) -> bool:
    near = findings.clock.ticks(_NEAR_S)
    return a.tick <= b.end_tick + near and b.tick <= a.end_tick + near


def together(findings: Findings) -> Iterator[Sighting]:
    """Do crank and cam fail at the same moments?"""
    if "cam" not in findings.channels:
        return
    crank = [*lost(findings), *findings.of_kind("extra", channel=findings.crank)]
    cam = findings.of_kind(*TOOTH_KINDS, channel="cam")
    if len(crank) < 2:
        return
    both = sum(any(_meet(findings, a, b) for b in cam) for a in crank)
    # A cam has few edges: only those that were due while the crank failed could have failed with it.
    turns = sum(e.count for e in crank if e.kind != "extra") / max(1, findings.teeth)
    due = turns * findings.channels["cam"] / max(1, findings.revolutions)
    if both >= 0.5 * len(crank) or both >= 0.5 * max(3.0, due):
        yield Sighting("together", "together", f"crank and cam fail together, {both} of {len(crank)} times")
    elif both <= 0.1 * len(crank) and due >= _DUE:
        words = f"the crank fails {plural(len(crank), 'time')}, the cam not with it; {due:.0f} of its edges were due"
        yield Sighting("together", "alone", words)


def rest(findings: Findings) -> Iterator[Sighting]:
    """Does the line change with nothing turning?"""
    contacts = findings.of_kind("contact")
    if contacts:
        words = f"the line changes {plural(len(contacts), 'time')} with nothing turning"
        yield Sighting("rest", "changes", words, min(1.0, 0.5 + len(contacts) / 6))


def wiggle(findings: Findings) -> Iterator[Sighting]:
    """Does it fail when a hand moves one place?"""
    if not findings.wiggled:
        return
    sure = [place for place, stands in findings.wiggled.items() if stands == "confirmed"]
    if sure:
        yield Sighting("wiggle", "confirmed", f"it fails each time when {' and '.join(sure)} is moved")
    elif not any(stands == "suspect" for stands in findings.wiggled.values()):
        yield Sighting("wiggle", "quiet", f"{plural(len(findings.wiggled), 'place')} moved, and nothing failed")


def polarity(findings: Findings) -> Iterator[Sighting]:
    """Are the sensor's two wires the right way round?"""
    measure = findings.value("polarity")
    if measure is None:
        return
    if measure.value < 0:
        yield Sighting("polarity", "reversed", "the long gap shows as two medium ones: the polarity is reversed")
    elif measure.value > 0:
        yield Sighting("polarity", "right", "the gap has the shape of the right polarity")


def spacing(findings: Findings) -> Iterator[Sighting]:
    """Does one tooth stand away from its place?

    Teeth beside a gap are left out: a coil sees them shifted, by how much depends on its air gap.
    """
    named = findings.values("tooth_error", findings.crank)
    errors = [m for m in named if m.about.get("tooth") not in findings.beside_gaps]
    if not errors:
        return
    worst = max(errors, key=lambda m: abs(m.value) - _doubt(m))
    words = f"tooth {worst.about.get('tooth')} stands {worst.value:+.2f}° from its place"
    if abs(worst.value) - 2 * _doubt(worst) > TOOTH_DEG:  # the worst of many
        yield Sighting("spacing", "one tooth off", words)
    elif max(abs(m.value) + _doubt(m) for m in errors) < TOOTH_DEG:
        yield Sighting("spacing", "even", f"no tooth is out of its place, {words} at most")


def runout(findings: Findings) -> Iterator[Sighting]:
    """Is the wheel round, and central?"""
    firing = (findings.job.vehicle.cylinders or 0) / 2
    measures = [m for order in (1, 2) for m in findings.values(f"runout_{order}", findings.crank)]
    # At the firing order the engine's own ripple stands in the way, and the measure means less than it says.
    plain = [m for m in measures if not firing or int(m.name[-1]) % firing]
    whole = len(plain) == len(measures)
    measures = plain
    if not measures:
        return
    worst = max(measures, key=lambda m: m.value - _doubt(m))
    words = f"runout {worst.value:.2f}° {'once' if worst.name == 'runout_1' else 'twice'} a turn"
    if worst.value - _doubt(worst) > RUNOUT_DEG:
        yield Sighting("runout", "above", words)
    elif max(m.value + _doubt(m) for m in measures) < RUNOUT_DEG:
        yield Sighting("runout", "within", f"{words} at most", 1.0 if whole else 0.5)


def _doubt(measure: Measure) -> float:
    """One and a half standard uncertainties: 93 % on one side."""
    return 1.5 * (measure.uncertainty or 0.0)


def shape(findings: Findings) -> Iterator[Sighting]:
    """Is the signal steady, and its duty in its range?"""
    jitter = findings.value("jitter")
    if jitter is not None:
        high = jitter.value > JITTER_DEG
        yield Sighting("jitter", "high" if high else "fine", f"edges jitter by {jitter.value:.3f}° rms")
    duty = findings.value("duty")
    if duty is not None:
        share = duty.value if duty.value > 1.0 else 100 * duty.value
        fine = 40 <= share <= 60  # 40 to 60 % from memory [M]
        yield Sighting("duty", "fine" if fine else "off", f"the signal is high for {share:.0f} % of a tooth")


SIGNS = (held, here, feed, together, rest, wiggle, polarity, spacing, runout, shape)
