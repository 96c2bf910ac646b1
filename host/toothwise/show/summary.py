"""An examination's result as text: the JSON object in words, nothing more and nothing less than it says."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import groupby
from typing import Any

from toothwise.show import measures, words
from toothwise.show.screen import Look
from toothwise.show.table import table

MOST_FINDINGS = 24
MOST_TEETH = 8
MOST_ALIKE = 8
"""More measures of one name than this are told by their largest."""
_EVENT_STYLE = {
    "missing": "missing",
    "silent": "missing",
    "extra": "extra",
    "blind": "blind",
    "stopped": "quiet",
}


def event_style(kind: str) -> str:
    """The style in which an event of this kind is shown, on every screen."""
    return _EVENT_STYLE.get(kind, "strong")


def summary(result: Mapping[str, Any], look: Look, *, every: bool = False) -> list[str]:
    """Lines for a terminal or a pipe. `every`: nothing is left out for brevity."""
    most = len(result["events"]) if every else MOST_FINDINGS
    lines = [*_facts(result, look), ""]
    events = result["events"]
    if not events:
        lines.append(
            look.paint("Nothing found: every tooth came, and no other edge.", "good")
            if _followed(result)
            else "Nothing found, but no tooth was followed."
        )
    else:
        lines.append(look.paint(f"{words.count(len(events), 'finding')}", "strong"))
        lines += [look.paint(words.finding(e), event_style(e["kind"])) for e in events[:most]]
        if len(events) > most:
            lines.append(f"… and {len(events) - most:,} more; all of them: --all, or --json")
        lines += _by_tooth(result)
    lines += [*_measures(result["measures"], look, every), *_causes(result["causes"], look, every)]
    return [part for line in lines for part in look.wrapped(line)]


def _followed(result: Mapping[str, Any]) -> bool:
    return bool(result["teeth"]["seen"])


def _facts(result: Mapping[str, Any], look: Look) -> list[str]:
    channels = result["channels"]
    length = max((c["span_s"] for c in channels.values()), default=0.0)
    seen = [f"{words.clean(n)} {words.count(c['edges'], 'edge')}" for n, c in channels.items() if c["edges"]]
    facts = [("signal", f"{words.span(length)}; {', '.join(seen) or 'no edges'}")]
    wheel = result["wheel"]
    if wheel["name"] is not None:
        how = ", made out from the signal" if wheel["identified"] else ""
        how = f", but the signal looks like {wheel['looks_like']}" if wheel.get("looks_like") else how
        facts.append(("wheel", words.clean(wheel["name"]) + how))
    speed = result["speed_rpm"]
    if speed is not None:
        range_ = f"{words.rpm(speed['min'])} to {words.rpm(speed['max'])} rpm, median {words.rpm(speed['median'])}"
        facts.append(("speed", f"{range_}; {words.count(result['revolutions'], 'revolution')}"))
    teeth = result["teeth"]
    facts.append(
        (
            "teeth",
            f"{teeth['expected']:,} due, {teeth['seen']:,} seen, {teeth['missing']:,} missing; "
            f"{words.count(teeth['extra'], 'extra edge')}",
        )
    )
    if result["blind_s"]:
        facts.append(("blind", f"{words.span(result['blind_s'])}, which speaks neither for nor against the sensor"))
    return [look.paint(name.ljust(9), "quiet") + text for name, text in facts]


def _by_tooth(result: Mapping[str, Any]) -> list[str]:
    often = [lot for lot in result["by_tooth"] if lot["events"] > 1]
    if not often:
        return []
    lines = ["", "the same tooth more than once"]
    for lot in often[:MOST_TEETH]:
        channel = "" if lot["channel"] == "crank" else f"{words.clean(lot['channel'])}  "
        where = "" if lot["angle_deg"] is None else f" ({words.angle(lot['angle_deg'])})"
        times = words.count(lot["events"], "time")
        lines.append(
            f"  {channel}tooth {lot['tooth']}{where}: {lot['kind']} {times} in"
            f" {words.count(result['revolutions'], 'revolution')}"
        )
    if len(often) > MOST_TEETH:
        lines.append(f"  … and {len(often) - MOST_TEETH} more teeth")
    return lines


def _measures(told: list[Mapping[str, Any]], look: Look, every: bool) -> list[str]:
    if not told:
        return []
    rows = []
    for _, lot in groupby(told, lambda measure: measure["name"]):
        same = list(lot)
        if len(same) > MOST_ALIKE and not every:
            largest = max(same, key=lambda measure: abs(measure["value"]))
            rows.append(_row(largest, f"largest of {len(same)}: "))
        else:
            rows += [_row(measure) for measure in same]
    return ["", look.paint("measures", "strong"), *(f"  {line}" for line in table(rows))]


def _row(measure: Mapping[str, Any], before: str = "") -> list[str]:
    return [words.clean(measure["name"]), measures.value(measure), before + measures.about(measure)]


def _causes(causes: list[Mapping[str, Any]], look: Look, every: bool) -> list[str]:
    if not causes:
        return []
    lines = ["", look.paint("causes", "strong")]
    told = [c for c in causes if every or c["stands"] in ("supported", "possible")]
    for cause in told:
        style = "missing" if cause["stands"] == "supported" and cause.get("fault", True) else "strong"
        lines.append("  " + look.paint(f"{_name(cause)}: {words.clean(cause['stands'])}", style))
        for label, texts in (("for", cause["for"]), ("against", cause["against"]), ("next", [cause.get("next")])):
            lines += [f"    {label:<9}{words.clean(text)}" for text in texts if text]
    for stands in ("untested", "contradicted"):
        others = [words.clean(c["cause"]) for c in causes if c["stands"] == stands and c not in told]
        if others:
            lines.append(f"  {stands}: {', '.join(others)}")
    return [*lines, "This is evidence, not a verdict: the maker's service information comes first."]


def _name(cause: Mapping[str, Any]) -> str:
    return words.clean(cause.get("text") or cause["cause"])
