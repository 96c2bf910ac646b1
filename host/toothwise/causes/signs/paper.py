"""What the job card says without measuring: codes and complaint. They point, and prove nothing."""

from __future__ import annotations

from collections.abc import Iterator

from toothwise.causes import codes
from toothwise.causes.findings import Findings
from toothwise.causes.signs import Sighting, plural
from toothwise.causes.signs.crank import lost
from toothwise.causes.signs.meter import stuck

PROVEN_TURNS = 1000
"""No failure in 1000 turns bounds it below 0.3 % a turn at 95 % [D]; a full-speed count takes as many [C]."""

_ECHO = 0.4
"""How much a code that repeats what was recorded or read still tells."""

_FAMILIES = {
    "crank": "crank_code",
    "pulses": "crank_code",
    "cam": "cam_code",
    "correlation": "timing_code",
    "position_system": "timing_code",
    "phaser": "timing_code",
    "misfire": "engine_code",
    "variation": "engine_code",
    "supply": "supply_code",
}


def trouble_codes(findings: Findings) -> Iterator[Sighting]:
    """Which codes are set? A family of which none is set speaks too, once the codes were read."""
    if findings.job.codes is None:
        return
    seen = bool(findings.of_kind("silent", channel=findings.crank)) or stuck(findings)
    found: dict[str, dict[str, list[str]]] = {sign: {} for sign in _FAMILIES.values()}
    for text in findings.job.codes:
        code = codes.read(text)
        if not code.known:
            continue
        sign = _FAMILIES[code.kind]
        found[sign].setdefault(_outcome(sign, code), []).append(code.code)
    for sign, outcomes in found.items():
        if not outcomes:
            yield Sighting(sign, "none", f"no {sign.removesuffix('_code')} code is set", 0.5)
        for outcome, names in outcomes.items():
            # Low and high say of the line what a recording or the meter shows of it, once that was seen.
            echo = _ECHO if sign == "crank_code" and seen and outcome in ("low", "high") else 1.0
            yield Sighting(sign, outcome, f"{', '.join(names)} set", echo / len(outcomes))


def _outcome(sign: str, code: codes.Code) -> str:
    if sign == "timing_code":
        return "actuator" if code.kind == "phaser" else "correlation"
    if sign == "engine_code":
        return code.kind
    if sign == "supply_code":
        return "set"
    return code.condition


def complaint(findings: Findings) -> Iterator[Sighting]:
    """Does it fail to run, or run badly?"""
    said = findings.job.complaint
    no_run = [c for c in said if c in ("no start", "hard start", "stall")]
    rough = [c for c in said if c in ("rough idle", "low power", "poor mileage", "exhaust smell")]
    if no_run:
        yield Sighting("complaint", "does not run", f"complaint: {', '.join(no_run)}", 1.0 / (1 + bool(rough)))
    if rough:
        yield Sighting("complaint", "runs badly", f"complaint: {', '.join(rough)}", 1.0 / (1 + bool(no_run)))


def proven(findings: Findings) -> Iterator[Sighting]:
    """Is the signal proven good where the control unit takes it?"""
    faults = [*lost(findings), *findings.of_kind("extra", "contact", "feed_low")]
    if faults or not findings.wheel or findings.revolutions < PROVEN_TURNS:
        return
    turns = plural(findings.revolutions, "turn")
    if findings.job.measured_at == "control unit":
        yield Sighting("proven", "at the control unit", f"good at the control unit's connector for {turns}")
    else:
        where = findings.job.measured_at or "a place not named"
        yield Sighting("proven", "elsewhere", f"good for {turns}, taken at {where}")


def kind(findings: Findings) -> Iterator[Sighting]:
    """Which faults can this sensor have at all?"""
    said = findings.job.sensor.kind
    if said:
        outcome = "coil" if said == "variable_reluctance" else "chip"
        yield Sighting("kind", outcome, f"the sensor is a {said.replace('_', ' ')} one")


SIGNS = (kind, trouble_codes, complaint, proven)
