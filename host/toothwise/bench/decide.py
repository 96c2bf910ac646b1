"""Pass, fail or retest: a measure against its limits, with what the measuring itself may be wrong by.

A value passes where it lies inside both limits by at least the guard band, fails where it lies outside one by at least
that, and is to be tested again in between; the band is `coverage` standard uncertainties (guarded acceptance and
guarded rejection, JCGM 106:2012, 8.3; ISO 14253-1 for the names). So there is no pass inside the guard band, ever.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from toothwise.bench.limits import MEASURED, Limit, Limits
from toothwise.bench.result import FAIL, PASS, RETEST, worst
from toothwise.records import Judged
from toothwise.show import words
from toothwise.wiggle.exact import upper_bound

COUNTED = ("missing", "extra")
WORDS = {
    "resistance": "resistance",
    "insulation": "insulation",
    "signal_low": "low level",
    "signal_high": "high level",
    "feed_current": "feed current",
    "lowest_full_count": "lowest speed with a full count",
    "missing": "missing teeth",
    "extra": "extra edges",
    "duty": "duty",
    "jitter": "jitter",
    "edge_position": "edge position against the master",
    "edge_spread": "tooth farthest from the mean",
    "edge_repeatability": "edge position's repeatability",
}


def judge(limit: Limit, value: float | None, uncertainty: float | None, stage: str, coverage: float) -> Judged:
    """One value against its limits. uncertainty: standard; None counts as none."""
    low, high = limit.at(stage)
    name = WORDS[limit.name]
    at = f" ({stage})" if stage and stage != "bench" else ""
    if value is None:
        verdict = RETEST if limit.required else PASS
        return Judged(limit.name, None, limit.unit, None, low, high, verdict, stage, f"{name}{at} was not measured")
    band = coverage * (uncertainty or 0.0)
    verdict, against = PASS, ""
    if (high is not None and value - band > high) or (low is not None and value + band < low):
        verdict = FAIL
    elif (high is not None and value + band > high) or (low is not None and value - band < low):
        verdict = RETEST
    if verdict != PASS:
        over = high is not None and (low is None or value > (low + high) / 2.0)
        edge = float((high if over else low) or 0.0)
        side = ("above" if over else "below") if verdict == FAIL else "too near to"
        against = f", {side} {stated(edge, limit.unit)}"
        if verdict == RETEST:
            against += f" for a guard band of {plain(band, limit.unit)}"
    told = f"{name}{at} {plain(value, limit.unit, uncertainty)}{against}"
    return Judged(limit.name, value, limit.unit, uncertainty, low, high, verdict, stage, told)


def judge_count(limit: Limit, count: int, revolutions: int, stage: str, needed: int, confidence: float) -> Judged:
    """Faults counted over so many vouched-for revolutions. A count has no guard band; too short a one does not pass."""
    _, high = limit.at(stage)
    most = high or 0.0
    rate = upper_bound(count, revolutions, confidence) if revolutions else 1.0
    at = f" ({stage})" if stage else ""
    told = f"{count} {WORDS[limit.name]}{at} in {revolutions:,} revolutions"
    if count > most:
        verdict, told = FAIL, f"{told}, more than {most:g}"
    elif revolutions < needed:
        verdict, told = RETEST, f"{told}: {needed:,} are needed"
    else:
        verdict = PASS
        told = f"{told}: fewer than {rate:.2%} of revolutions, {confidence:.0%} sure"
    return Judged(limit.name, float(count), limit.unit, None, None, high, verdict, stage, told)


def readings(limits: Limits, typed: Mapping[str, float], stage: str = "bench") -> list[Judged]:
    """What was read from meters in one stage; outside the bench stage only what was typed."""
    out = []
    for limit in limits.typed:
        value = typed.get(limit.name)
        if value is None and stage != "bench":
            continue
        doubt = None if value is None else limit.meter_uncertainty(value)
        out.append(judge(limit, value, doubt, stage, limits.sequence.coverage))
    return out


def never_measured(limits: Limits, judged: Iterable[Judged]) -> list[Judged]:
    """The limits about the signal that no stage has a value for."""
    seen = {j.name for j in judged}
    missing = [limit for name, limit in limits.measures.items() if name in MEASURED and name not in seen]
    return [judge(limit, None, None, "", limits.sequence.coverage) for limit in missing]


def verdict(judged: list[Judged]) -> tuple[str, tuple[str, ...]]:
    """The sensor's verdict, and why in words: what failed, then what is to be tested again; all is well otherwise.

    After a clear fail nothing more is measured; a line says what was left out.
    """
    whole = worst([j.verdict for j in judged])
    measured = [j for j in judged if j.value is not None or j.verdict == FAIL]
    counted = judged if whole != FAIL else measured
    reasons = [f"{step}: {j.words}" for step in (FAIL, RETEST) for j in counted if j.verdict == step]
    notes = [j.words for j in counted if j.verdict == PASS and j.value is None]
    if not reasons:
        reasons = [f"{words.count(len(measured), 'measure')}, all within their limits"]
    if len(counted) < len(judged):
        left_out = dict.fromkeys(WORDS.get(j.name, j.name) for j in judged if j not in counted)
        notes.append(f"not measured: {', '.join(left_out)}")
    return whole, (*reasons, *notes)


def stated(value: float, unit: str) -> str:
    """A limit as it was stated, not rounded."""
    factor, prefix = _prefix(value, unit)
    return f"{value / factor:g}{prefix or _UNITS.get(unit, f' {unit}')}"


def _prefix(value: float, unit: str) -> tuple[float, str]:
    if unit != "ohm" or abs(value) < 1e4:
        return 1.0, ""
    return (1e6, " MΩ") if abs(value) >= 1e6 else (1e3, " kΩ")


def scale_of(value: float, unit: str) -> tuple[float, str]:
    """What an axis of such values is divided by, and its unit as it is written there."""
    factor, prefix = _prefix(value, unit)
    return factor, (prefix or _UNITS.get(unit, unit)).strip()


_UNITS = {"deg": "°", "deg rms": "° rms", "ohm": " Ω", "": ""}


def limits_of(low: float | None, high: float | None, unit: str) -> str:
    """Both limits in words."""
    if low is not None and high is not None:
        return f"{stated(low, unit)} to {stated(high, unit)}"
    if low is not None:
        return f"at least {stated(low, unit)}"
    return "" if high is None else f"at most {stated(high, unit)}"


def plain(value: float | None, unit: str, uncertainty: float | None = None) -> str:
    """A value with its unit and doubt, by the rounding rule; large resistances with a prefix."""
    if value is None:
        return "not measured"
    if unit in ("teeth", "edges"):
        return f"{value:,.0f} {unit}"
    factor, prefix = _prefix(value, unit)
    number = words.number(value / factor, (uncertainty or 0.0) / factor or None)
    return number + (prefix or _UNITS.get(unit, f" {unit}"))
