"""Marks: from when on the hands were where. Read from `time_s,place`, turned into stretches."""

from __future__ import annotations

import csv
import math
import statistics
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from toothwise.edges.signal import Clock
from toothwise.errors import FileTrouble
from toothwise.wiggle import rules

HEADER = ("time_s", "place")
LONGEST_NAME = 120


@dataclass(frozen=True, slots=True)
class Mark:
    """From `tick` on, the hands were at `place`, until the next mark."""

    tick: int
    place: str


@dataclass(frozen=True, slots=True)
class Stretch:
    """The time between two marks. End exclusive. supposed: the recording does not say when it ended."""

    place: str
    start: int
    end: int
    supposed: bool = False

    @property
    def moved(self) -> bool:
        """Whether it is a place's."""
        return self.place not in (rules.HANDS_OFF, rules.BETWEEN)


def place_name(text: str) -> str:
    """One name for one place: spaces and the case of "hands off" do not count."""
    name = " ".join(text.split())
    return rules.HANDS_OFF if name.lower().replace("-", " ").replace("_", " ") == rules.HANDS_OFF else name


def read_marks(path: str | Path, clock: Clock) -> list[Mark]:
    """The marks of a file, in order of time, on a recording's clock.

    Raises FileTrouble: no such file, another header, a row without a time or a place, no marks.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise FileTrouble(f"there is no file {path}", step="Check the name and the folder") from None
    except (OSError, UnicodeDecodeError) as error:
        raise FileTrouble(f"{path} cannot be read as text", cause=str(error), step="Save it as CSV in UTF-8") from None
    lines = text.splitlines()
    head = next((line for line in lines if line.strip() and not line.lstrip().startswith("#")), "")
    separator = ";" if ";" in head and "," not in head else "\t" if "\t" in head and "," not in head else ","
    marks: list[Mark] = []
    columns: list[str] | None = None
    for row, cells in enumerate(_rows(path.name, lines, separator), 1):
        cells = [cell.strip() for cell in cells]
        if not any(cells) or cells[0].startswith("#"):
            continue
        if columns is None:
            columns = [cell.lower() for cell in cells]
            if not set(HEADER) <= set(columns):
                raise FileTrouble(
                    f"{path.name} has no columns {' and '.join(HEADER)}",
                    cause=f"its first row is {','.join(cells)[:60]}",
                    step="Write the header time_s,place and a row for each move of the hands, like 12.5,hands off",
                )
            continue
        marks.append(_mark(path.name, row, cells, columns, clock, decimal_comma=separator == ";"))
    if not marks:
        raise FileTrouble(f"{path.name} holds no mark", step="Write a row for each move of the hands: 12.5,hands off")
    return sorted(marks, key=lambda mark: mark.tick)


def _rows(name: str, lines: list[str], separator: str) -> Iterator[list[str]]:
    try:
        yield from csv.reader(lines, delimiter=separator)
    except csv.Error as error:
        raise FileTrouble(f"{name} is no list of marks", cause=str(error), step="Save it as CSV in UTF-8") from None


def _mark(name: str, row: int, cells: list[str], columns: list[str], clock: Clock, *, decimal_comma: bool) -> Mark:
    try:
        number, place = (cells[columns.index(column)] for column in HEADER)
    except IndexError:
        raise FileTrouble(f"{name}, row {row}: too few fields", step="Write a time and a place in each row") from None
    try:
        time_s = float(number.replace(",", ".") if decimal_comma else number)
    except ValueError:
        time_s = math.nan
    if not abs(time_s) < 1e12:  # not a number, too, is no time
        raise FileTrouble(f"{name}, row {row}: {number[:40]!r} is no number of seconds", step="Write a time like 12.5")
    if not place or len(place) > LONGEST_NAME:
        raise FileTrouble(f"{name}, row {row}: no place, or too long a name", step="Name the place the hands went to")
    return Mark(clock.ticks(time_s - clock.t0_s), place_name(place))


def stretches(marks: Sequence[Mark], until_tick: int, *, open_ended: bool = False) -> list[Stretch]:
    """From each mark to the next; the last one to the recording's end.

    open_ended: the recording may have gone on after its last edge. A last stretch of which that leaves less than the
    others last is then supposed to have lasted as long as the middle one of them.
    """
    out = [Stretch(a.place, a.tick, b.tick) for a, b in pairwise(marks)]
    if marks:
        last = marks[-1]
        end, supposed = max(until_tick, last.tick), False
        usual = statistics.median(s.end - s.start for s in out) if out else 0
        if open_ended and end - last.tick < usual:
            end, supposed = last.tick + round(usual), True
        out.append(Stretch(last.place, last.tick, end, supposed))
    return out
