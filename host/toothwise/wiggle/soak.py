"""A long watch: events in time, and their rate against the temperature."""

from __future__ import annotations

import contextlib
import csv
import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from toothwise.edges.signal import Clock
from toothwise.errors import FileTrouble
from toothwise.records import finite
from toothwise.wiggle import exact
from toothwise.wiggle.judge import Placed
from toothwise.wiggle.seen import Seen

BIN_C = 10.0
HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Temperature:
    """What was read at a time on the recording's own clock."""

    t_s: float
    celsius: float


def soak(seen: Seen, readings: Sequence[Temperature]) -> dict[str, Any]:
    """{"events", "seconds", "hours": [events …], "by_temperature": [row …], "hot_and_cold_p", "list": [event …]}.

    A temperature holds until the next reading; the time before the first one has none. A row: from_c, to_c, seconds,
    events, per_hour. hot_and_cold_p:
    exact, that the colder half of the time and the hotter one share one rate.
    """
    clock = seen.clock
    begin_s, end_s = clock.seconds(seen.from_tick), clock.seconds(seen.until_tick)
    events = [Placed(clock, event, seen.mode, None, 0, False) for event in seen.events]
    times = [clock.seconds(placed.event.tick) for placed in events]
    hours = [0] * max(math.ceil((end_s - begin_s) / HOUR_S), 1)
    for t in times:
        hours[min(max(int((t - begin_s) // HOUR_S), 0), len(hours) - 1)] += 1
    rows = _by_temperature(seen, times, readings)
    return {
        "events": len(events),
        "seconds": end_s - begin_s - clock.span_s(seen.unseen(seen.from_tick, seen.until_tick)),
        "hours": hours,
        "by_temperature": rows,
        "hot_and_cold_p": _cold_and_hot(rows),
        "list": [_line(placed, readings) for placed in events],
    }


def _line(placed: Placed, readings: Sequence[Temperature]) -> dict[str, Any]:
    told = placed.as_json()
    return {**told, "celsius": at(readings, told["t_s"])}


def at(readings: Sequence[Temperature], t_s: float) -> float | None:
    """The temperature at a time; None before the first reading."""
    i = bisect_right(readings, t_s, key=lambda reading: reading.t_s)
    return readings[i - 1].celsius if i else None


def _by_temperature(seen: Seen, times: Sequence[float], readings: Sequence[Temperature]) -> list[dict[str, Any]]:
    clock = seen.clock
    seconds: dict[int, float] = {}
    end_s = clock.seconds(seen.until_tick)
    for i, reading in enumerate(readings):
        until = readings[i + 1].t_s if i + 1 < len(readings) else end_s
        a, b = clock.ticks(reading.t_s - clock.t0_s), clock.ticks(min(until, end_s) - clock.t0_s)
        if b > a:
            lot = math.floor(reading.celsius / BIN_C)
            seconds[lot] = seconds.get(lot, 0.0) + clock.span_s(b - a - seen.unseen(a, b))
    counts = dict.fromkeys(seconds, 0)
    for t in times:
        celsius = at(readings, t)
        if celsius is not None and math.floor(celsius / BIN_C) in counts:
            counts[math.floor(celsius / BIN_C)] += 1
    return [
        {
            "from_c": lot * BIN_C,
            "to_c": (lot + 1) * BIN_C,
            "seconds": seconds[lot],
            "events": counts[lot],
            "per_hour": counts[lot] / seconds[lot] * HOUR_S if seconds[lot] else None,
        }
        for lot in sorted(seconds)
    ]


def _cold_and_hot(rows: Sequence[dict[str, Any]]) -> float | None:
    """Chance that the colder and the hotter part of the rows, halved by time, share one rate."""
    if len(rows) < 2:
        return None
    whole = sum(row["seconds"] for row in rows)
    reached, cut = 0.0, 1
    for i, row in enumerate(rows[:-1], 1):
        reached += row["seconds"]
        cut = i
        if 2 * reached >= whole:
            break
    cold, hot = rows[:cut], rows[cut:]
    return exact.poisson_p(
        sum(row["events"] for row in cold),
        sum(row["seconds"] for row in cold),
        sum(row["events"] for row in hot),
        sum(row["seconds"] for row in hot),
    )


def marked_temperatures(marks: Sequence[tuple[int, str]], clock: Clock) -> list[Temperature]:
    """Temperatures that were kept as marks, "23.5 °C"."""
    found = []
    for tick, text in marks:
        number, _, unit = text.partition(" ")
        if unit == "°C":
            with contextlib.suppress(ValueError):
                found.append(Temperature(clock.seconds(tick), finite(number)))
    return found


def read_temperatures(path: str | Path) -> list[Temperature]:
    """A file of `time_s,celsius`, times on the recording's own clock. Raises FileTrouble with the row."""
    path = Path(path)
    found, row = [], 0
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            for row, cells in enumerate(csv.reader(file), 1):
                if row == 1 or not any(cells):
                    continue
                found.append(Temperature(finite(cells[0]), finite(cells[1])))
    except (OSError, UnicodeDecodeError) as error:
        raise FileTrouble(f"{path} cannot be read", cause=str(error), step="Check the name and the folder") from None
    except csv.Error as error:
        cause = f"{error}; a quotation mark may not be closed"
        raise FileTrouble(f"{path.name}, row {row + 1}: no CSV", cause=cause, step="Mend that row") from None
    except (ValueError, IndexError):
        raise FileTrouble(
            f"{path.name}, row {row}: no time and temperature", step="Write rows like 12.5,23.0"
        ) from None
    return sorted(found, key=lambda reading: reading.t_s)
