"""An examination's result as text: the JSON object in words, nothing more and nothing less than it says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from toothwise.show import words
from toothwise.show.screen import Look

MOST_FINDINGS = 24
MOST_TEETH = 8
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


def summary(result: Mapping[str, Any], look: Look, *, most: int = MOST_FINDINGS) -> list[str]:
    """Lines for a terminal or a pipe."""
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
    return [*lines, *_measures(result["measures"], look), *_causes(result["causes"], look)]


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


def _about(measure: Mapping[str, Any]) -> str:
    plain = {"name", "value", "unit", "uncertainty"}
    return ", ".join(f"{key} {words.clean(value)}" for key, value in measure.items() if key not in plain)


def _measures(measures: list[Mapping[str, Any]], look: Look) -> list[str]:
    if not measures:
        return []
    lines = ["", look.paint("measures", "strong")]
    for measure in measures:
        about = _about(measure)
        name = f"{measure['name']} ({about})" if about else measure["name"]
        lines.append(f"  {name:<28}{words.number(measure['value'], measure['uncertainty'])} {measure['unit']}".rstrip())
    return lines


def _causes(causes: list[Mapping[str, Any]], look: Look) -> list[str]:
    if not causes:
        return []
    lines = ["", look.paint("causes", "strong")]
    for cause in causes:
        lines.append(f"  {words.clean(cause['cause'])}: {words.clean(cause['stands'])}")
        lines += [f"    for      {words.clean(text)}" for text in cause["for"]]
        lines += [f"    against  {words.clean(text)}" for text in cause["against"]]
        if cause.get("next"):
            lines.append(f"    next     {words.clean(cause['next'])}")
    return [*lines, "The maker's service information comes first."]
