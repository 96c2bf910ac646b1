"""A wiggle test's result as text: the JSON object in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from toothwise.show import words
from toothwise.show.screen import Look
from toothwise.show.table import table

STYLE = {"confirmed": "missing", "suspect": "warning", "quiet": "good", "untested": "quiet"}
MODES = {None: "looking whether anything turns", "turning": "turning", "rest": "at rest", "continuity": "continuity"}
_SET_UP = {"rest": ", nothing turning", "continuity": ", harness unplugged at both ends"}
CLASSES = (("under_1us", "under 1 µs"), ("1us", "1 µs"), ("10us", "10 µs"), ("100us", "100 µs"), ("1ms", "1 ms"),
            ("10ms", "10 ms"))  # fmt: skip
_HELD = {
    "high": "held high: open where a pull-up takes it there, or short to a feed",
    "low": "held low: short to ground, or open where nothing pulls it up",
}
MOST_NAME = 26
"""Of a place's name in the table, which then fits 80 columns."""


def summary(result: Mapping[str, Any], look: Look) -> list[str]:
    """Lines for a terminal or a pipe."""
    lines = [*_facts(result, look), "", *_places(result, look), "", *_verdicts(result, look), *limits(result)]
    if result.get("before"):
        lines += ["", *compared(result["before"]), ""]
    lines.append("This is evidence, not a verdict: the maker's service information comes first.")
    return [part for line in lines for part in look.wrapped(line)]


def watched(result: Mapping[str, Any]) -> str:
    """What was watched, and how it was set up."""
    return MODES[result["mode"]] + _SET_UP.get(result["mode"], "")


def _facts(result: Mapping[str, Any], look: Look) -> list[str]:
    moved = sum(place["moved_s"] for place in result["places"])
    off = result["hands_off"]
    facts = [("watched", watched(result))]
    if result["wheel"]:
        facts.append(("wheel", f"{words.clean(result['wheel'])}; {words.count(result['revolutions'], 'revolution')}"))
    facts.append(("time", f"moved for {words.span(moved)}, hands off for {words.span(off['moved_s'])}"))
    if not result["feed_watched"] and result["mode"] != "continuity":
        facts.append(("feed", "not watched: a feed that lets go cannot be told from a signal that does"))
    if result["blind_s"]:
        facts.append(("blind", f"{words.span(result['blind_s'])}, which speaks neither for nor against the harness"))
    return [look.paint(name.ljust(9), "quiet") + text for name, text in facts]


def _places(result: Mapping[str, Any], look: Look) -> list[str]:
    if not result["places"]:
        return ["No place was moved."]
    head = ["place", "stands", "hit wiggles", "events", "longest", "conductor"]
    rows = [head, *(_row(place) for place in [result["hands_off"], *result["places"]])]
    lines = table(rows, right=range(2, len(head) - 1))
    styles = ["quiet", "quiet", *(STYLE[place["stands"]] for place in result["places"])]
    return [look.paint(line, style) for line, style in zip(lines, styles, strict=True)]


def _row(place: Mapping[str, Any]) -> list[str]:
    several = len(place["conductors"]) > 1
    conductors = ", ".join(f"{name} {n}" if several else name for name, n in place["conductors"].items())
    stands = "background" if place["place"] == "hands off" else place["stands"]
    longest = words.span(place["longest_s"]) if place["events"] else ""
    hit = f"{place['wiggles_with_events']} of {place['wiggles']}"
    return [words.fit(place["place"], MOST_NAME), stands, hit, str(place["events"]), longest, conductors]


def _verdicts(result: Mapping[str, Any], look: Look) -> list[str]:
    lines = []
    for stands in ("confirmed", "suspect"):
        for place in result["places"]:
            if place["stands"] == stands:
                lines.append(look.paint(f"{words.clean(place['place'])}: {stands}", STYLE[stands]))
                lines += [f"  {text}" for text in why(place, result)]
    quiet = [place for place in result["places"] if place["stands"] == "quiet"]
    for n in sorted({place["wiggles"] for place in quiet}):
        names = ", ".join(words.clean(place["place"]) for place in quiet if place["wiggles"] == n)
        bound = next(place["bound_95"] for place in quiet if place["wiggles"] == n)
        lines.append(
            look.paint(f"quiet: {names}", "good")
            + f"; nothing in {words.count(n, 'wiggle')} each: the chance of an event a wiggle is below"
            f" {words.number(100 * bound)} % (95 % sure)"
        )
    untested = [words.clean(place["place"]) for place in result["places"] if place["stands"] == "untested"]
    if untested:
        lines.append(f"untested: {', '.join(untested)}; too short, or the rig was blind")
    if result["unplaced"]:
        lines.append(f"before the first mark: {words.count(result['unplaced'], 'event')}, of no place")
    for told in result["interference"]:
        lines.append(
            f"interference, no contact: {words.count(told['events'], 'disturbance')} at {words.number(told['order'])}"
            f" a revolution, as the {told['source']} makes"
        )
    return lines


def why(place: Mapping[str, Any], result: Mapping[str, Any]) -> list[str]:
    lines = [f"events in {place['wiggles_with_events']} of {words.count(place['wiggles'], 'wiggle')}"]
    if place["stands"] == "confirmed":
        lines[0] += ", and none with hands off"
    lacks = place.get("lacks", {})
    if lacks.get("hands_off") == "quiet":
        events = words.count(result["hands_off"]["events"], "event")
        lines.append(f"with hands off there were {events}: not from moving it alone")
    elif lacks.get("hands_off") == "watched":
        lines.append("no hands-off stretch to compare with")
    if "wiggles" in lacks:
        lines.append(f"confirmed would take events in {lacks['wiggles']} wiggles: move it again")
    classes = [f"{n} of {name}" for key, name in CLASSES if (n := place["classes"][key])]
    lines.append(f"how long (and up to the next class): {', '.join(classes)}")
    conductors = place["conductors"]
    if "feed" in conductors:
        lines.append(f"feed let go {words.count(conductors['feed'], 'time')}, the signal with it or not at all")
    if "both" in conductors:
        lines.append(
            f"more than one conductor {words.count(conductors['both'], 'time')}: shared ground, or the connector itself"
        )
    if "signal" in conductors:
        feed = "with the feed up" if result["feed_watched"] else "(the feed was not watched)"
        lines.append(f"signal let go {words.count(conductors['signal'], 'time')} {feed}")
    lines += [text for side, text in _HELD.items() if place["held"][side] and result["mode"] != "continuity"]
    return lines


def limits(result: Mapping[str, Any]) -> list[str]:
    """What could not be seen."""
    lines = []
    hidden = result["hidden"]
    if hidden:
        high, low = (words.number(100 * hidden[side]["100us"]) for side in ("high", "low"))
        lines.append(
            "Could not be seen: an interruption that touches no edge. One of 100 µs touches none for"
            f" {high} % of the time if it holds the line high, for {low} % if low; test at rest as well."
        )
    if result["moved_edge_limit_deg"] is not None:
        lines.append(
            f"An edge moved by less than {words.number(result['moved_edge_limit_deg'])}° of the wheel cannot be told"
            f" from what engine and sensor do by themselves{_unjudged(result)}."
        )
    front = result["front_end"]
    if front:
        lines.append(_front(front))
    elif result["mode"] != "turning":
        lines.append(
            "Which front end the clip led to was not said: its filter hides the shortest interruptions, and --front-end"
            " tells how short."
        )
    if result["end_supposed"]:
        lines.append(
            "The file does not say when it ended: the last place is supposed to have been moved like the others."
        )
    return ["", *lines] if lines else []


def _unjudged(result: Mapping[str, Any]) -> str:
    """The edges at which no shift could be told at all: after missing teeth, in a change of running."""
    missed = 100 * (1 - (result.get("moved_edges_judged", 1.0) or 0.0))
    return f"; at {words.number(missed)} % of the edges no shift could be told at all" if missed >= 0.1 else ""


def _front(front: Mapping[str, Any]) -> str:
    if front["usual_s"] is None:
        return f"Front end {front['name']}: at rest an open coil looks like a quiet one, so no interruption shows."
    return (
        f"Front end {front['name']}: its filter hides interruptions shorter than {words.span(front['usual_s'])};"
        f" from {words.span(front['sure_s'])} on every one is seen."
    )


def compared(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """Before and after the repair, side by side."""
    return [*table(compared_rows(rows), right=[3]), "", *(row["says"] for row in rows)]


def compared_rows(rows: Sequence[Mapping[str, Any]]) -> list[list[str]]:
    """The same as rows of four cells, the first row the heads."""
    cells = [["place", "before", "after", "p"]]
    for row in rows:
        before, after = (_count_in(row[side]) for side in ("a", "b"))
        cells.append([row["place"], before, after, f"{row['p']:.2g}"])
    return cells


def _count_in(place: Mapping[str, Any]) -> str:
    return f"{words.count(place['events'], 'event')} in {words.span(place['moved_s'])}"
