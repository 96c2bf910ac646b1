"""Where the cam stands to the crank, how that moves, and whether the cam's own signal is whole."""

from __future__ import annotations

from collections.abc import Iterator

from toothwise.causes.findings import Findings
from toothwise.causes.signs import Sighting, plural
from toothwise.causes.signs.crank import ENOUGH_TURNS, lost
from toothwise.records import TOOTH_KINDS

SPREAD_DEG = 3.0
"""A healthy cam stands so near its reference; correlation codes set at about 8 to 12° [M, uncertain]."""

SPROCKET_DEG = (14.0, 21.0)
"""One tooth of a crank sprocket of 18 to 24 teeth: 20 to 15° [D]; a degree more for a healthy spread."""

STRETCH_DEG = 13.0
"""60 tight pitches 1 % longer on a sprocket of 20: 10.8° [D]; few chains last longer, no source."""

PHASER_DEG = 15.0
"""An actuator has 25 to 60° of range [M] and seldom uses less than a good part of it; [C]."""

_FEW = 0.5
"""Cam edges to a turn of the crank: half of what the wheel with the fewest teeth gives."""

UNSURE = 0.2
"""Dropouts of the crank in a turn at which the number of its teeth may wander, and the cam with it; no source."""

MOVING_DEG = 5.0
"""More than a healthy drive's spread, less than the smallest phaser range of 25° [M]."""


def whole_teeth(shift_deg: float) -> int:
    """How many sprocket teeth a shift may be, 1 or 2; 0 where it is none."""
    low, high = SPROCKET_DEG
    return next((n for n in (1, 2) if n * low + (n - 1) <= abs(shift_deg) <= n * high - (n - 1)), 0)


def own_signal(findings: Findings) -> Iterator[Sighting]:
    """Does the cam's own signal fail while the crank's is whole?"""
    if "cam" not in findings.channels or findings.revolutions < ENOUGH_TURNS:
        return
    crank = lost(findings)
    if any(e.kind == "silent" for e in crank):
        return  # what fails with the crank is another question
    turns = plural(findings.revolutions, "turn")
    events = findings.of_kind(*TOOTH_KINDS, channel="cam")
    # A cam has at least one tooth, and its two edges pass once in two turns of the crank.
    few = max(4.0, _FEW * findings.revolutions)
    if findings.channels["cam"] <= few or any(e.kind == "silent" for e in events):
        yield Sighting("cam_signal", "dead", f"no cam signal, or long silences in it, in {turns} of the crank")
    elif len(crank) > 2:
        return
    elif len(events) >= 2:
        yield Sighting("cam_signal", "fails", f"the cam's signal fails {plural(len(events), 'time')} in {turns}")
    elif not events:
        yield Sighting("cam_signal", "whole", f"the cam's signal is whole in {turns}")


def place(findings: Findings) -> Iterator[Sighting]:
    """Where does the cam stand, and does it stay there? Against a crank whose teeth are counted, that is."""
    if len(lost(findings)) > UNSURE * max(findings.revolutions, 1):
        return
    step, swing = findings.value("cam_step"), findings.value("cam_swing")
    shift = findings.value("cam_shift")
    if step is not None and abs(step.value) > SPREAD_DEG:
        teeth = whole_teeth(step.value)
        times = int(step.about.get("times", 1))
        if step.about.get("with_speed") and not (teeth and times == 1):
            yield Sighting("cam_place", "moves", f"the cam moves by {step.value:+.1f}° as the speed changes")
        elif teeth and times == 1:
            yield Sighting(
                "cam_place", "steps a tooth",
                f"the cam steps by {step.value:+.1f}° once, near {plural(teeth, 'sprocket tooth', 'sprocket teeth')}",
            )  # fmt: skip
        else:
            often = plural(times, "time")
            words = f"the cam steps by {step.value:+.1f}° {often}, which is no whole sprocket tooth"
            yield Sighting("cam_place", "steps", words)
        return
    if swing is not None and swing.value > MOVING_DEG:
        slope = findings.value("cam_speed_slope")
        strength = min(1.0, swing.value / PHASER_DEG)
        with_speed = "" if slope is None else f", {slope.value:+.1f}° per 1000 rpm"
        yield Sighting("cam_place", "moves", f"the cam moves to and fro by {swing.value:.1f}°{with_speed}", strength)
        return
    if shift is None:
        return  # it stays where it is; whether that is right, only a reference can say
    ours, theirs = findings.timing_level, findings.job.reference.timing_level
    if None not in (ours, theirs) and ours != theirs and abs(shift.value) < findings.pitch_deg + SPREAD_DEG:
        return  # counted from the other edge of the teeth, which lies somewhere within the pitch
    sure = abs(shift.value) - 2 * (shift.uncertainty or 0.0)
    side = "late" if shift.value > 0 else "early"
    words = f"the cam stands {abs(shift.value):.1f}° {side} against the reference"
    if sure <= SPREAD_DEG:
        yield Sighting("cam_place", "in place", words)
    elif whole_teeth(shift.value):
        near = plural(whole_teeth(shift.value), "sprocket tooth", "sprocket teeth")
        yield Sighting("cam_place", "off a tooth", f"{words}, near {near}")
    elif 0 < shift.value <= STRETCH_DEG:
        yield Sighting("cam_place", "late", f"{words} and stays there, as a stretched chain makes it")
    else:
        yield Sighting("cam_place", "off", f"{words} and stays there, which is no whole sprocket tooth")


SIGNS = (own_signal, place)
