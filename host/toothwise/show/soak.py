"""A long watch as text: events in time, and their rate against the temperature."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from toothwise.show import words
from toothwise.show.screen import Look
from toothwise.show.table import table
from toothwise.show.wiggle_screen import last_event

MOST_EVENTS = 24
MOST_HOURS = 48
SURE = 0.05


def soak_lines(result: Mapping[str, Any], look: Look) -> list[str]:
    """Lines for a terminal or a pipe."""
    events = result["events"]
    lines = [f"watched for {words.span(result['seconds'])}: {words.count(events, 'event')}"]
    if not events:
        lines[0] = look.paint(f"watched for {words.span(result['seconds'])}: no event", "good")
    for told in result["list"][:MOST_EVENTS]:
        warm = "" if told["celsius"] is None else f"  at {told['celsius']:.1f} °C"
        lines.append(last_event(told) + warm)
    if events > MOST_EVENTS:
        lines.append(f"… and {events - MOST_EVENTS:,} more; all of them: --json")
    hours = result["hours"][:MOST_HOURS]
    if len(hours) > 1 and events:
        lines += ["", "events in each hour: " + " ".join(map(str, hours))]
    rows = result["by_temperature"]
    if rows:
        cells = [["°C", "watched", "events", "an hour"]]
        for row in rows:
            an_hour = "" if row["per_hour"] is None else words.number(row["per_hour"])
            span = f"{row['from_c']:.0f} to {row['to_c']:.0f}"
            cells.append([span, words.span(row["seconds"]), str(row["events"]), an_hour])
        lines += ["", *table(cells, right=[2, 3])]
        p = result["hot_and_cold_p"]
        if p is not None:
            says = "the rate changes with the temperature" if p < SURE else "chance alone may make the difference"
            lines.append(f"the colder half of the time against the hotter one: {says} (p = {p:.2g})")
    return lines
