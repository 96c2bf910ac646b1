"""Edges as CSV: header `time_s,channel,level`, one edge a row.

Read: times are decimals of any size and are taken exactly, relative to the first row's; ticks of 1 ns, of 1 ps
where the digits demand it. Level is 0 or 1 (also low/high, false/true), or x where it is not known. Semicolons or
tabs between fields are understood, then a decimal comma too; so are CRLF, a byte order mark, quotes, empty lines and
lines that begin with #. Channels may stand in any order, also one after the other, as long as each is in order of
time by itself. A channel that was not there at the file's beginning may turn up later; `channels` then grows.

FileTrouble: no file, empty, no text, another header, no rows, most rows unreadable, a row longer than a block, time
that goes back and stays back. Smaller faults cost a blind stretch: see `clean`. A last row without its end is read
where it is whole, else left out.

A file may say when its recording began and ended: rows of several channels at the very first tick tell levels, and a
row at the very last tick that repeats its channel's level says that nothing came until then.

Lost: the silence before the first and after the last row, which is not written; the reasons of blind stretches.

Written: nine decimals, more where the tick needs them, so that every tick comes back; a blind stretch is a row of
level x, and at its end a row with the level that held there. Where several channels change at the very first tick,
rows with their levels stand one tick before, or those edges would be read as levels.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toothwise.edges import text
from toothwise.edges.clean import UNKNOWN, UNREADABLE, Cleaner, Rows
from toothwise.edges.faults import Faults
from toothwise.edges.merge import merge
from toothwise.edges.naming import choose, our_channel
from toothwise.edges.signal import CHANNELS, Batch, Clock, Recording
from toothwise.edges.table import TimeColumn, open_table, probe_blocks, time_writer
from toothwise.edges.writing import RowFile, RowMaker
from toothwise.errors import FileTrouble

HEADER = ("time_s", "channel", "level")
LEVEL_WORDS = {
    "0": 0, "low": 0, "l": 0, "false": 0, "0.0": 0, "off": 0,
    "1": 1, "high": 1, "h": 1, "true": 1, "1.0": 1, "on": 1,
    "x": UNKNOWN, "z": UNKNOWN, "?": UNKNOWN, "unknown": UNKNOWN,
}  # fmt: skip
FOREIGN, NAMELESS = -2, -3
"""Channel numbers of rows that are left out, and of rows whose channel cannot be told."""
LARGEST_NAMES = 64
FOREIGN_SHARE = 0.02
"""A name this rare in the file's beginning is a damaged row, not a channel."""


class CsvEdges:
    """A CSV file of edges; `batches()` reads it anew each time, at a memory that does not grow with it."""

    def __init__(self, path: Path, names: Mapping[str, str] | None = None) -> None:
        self.path = path
        self._given = dict(names or {})
        self._table = open_table(path, HEADER)
        self._faults = Faults()
        self._numbers: dict[int, int] = {}
        """Key of a name in the file → number of our channel, or FOREIGN."""
        self._channels: list[str] = []
        self._foreign: list[str] = []
        self._one_level: list[str] = []
        self._end_told = False
        self._in_order = True
        self._survey()

    @property
    def clock(self) -> Clock:
        return self._time.clock

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(self._channels)

    @property
    def source(self) -> dict[str, Any]:
        facts: dict[str, Any] = {"file": self.path.name, "format": "edges csv", "resolution_s": self._time.resolution_s}
        if self._foreign:
            facts["channels_left_out"] = list(self._foreign)
        if self._one_level:
            facts["timing_edges_only"] = list(self._one_level)
        if self._end_told:
            facts["end_told"] = True
        return facts | self._faults.as_source()

    def batches(self) -> Iterator[Batch]:
        self._faults = Faults()
        self._one_level = []
        wanted = [None] if self._in_order else range(len(self._channels))
        cleaners = [Cleaner(self.path.name, self._channels, self._faults, self.clock.span_s(1)) for _ in wanted]
        yield from merge([self._clean(c, only) for c, only in zip(cleaners, wanted, strict=True)])
        self._one_level = [name for name in self._channels if any(name in c.one_level_channels() for c in cleaners)]
        self._end_told = any(cleaner.end_told for cleaner in cleaners)
        if not any(cleaner.delivered for cleaner in cleaners):
            raise FileTrouble(
                f"{self.path.name}: not one edge could be read",
                cause=self._faults.first() or "its rows tell levels but no change",
                step="Check the time and level columns",
            )

    def _clean(self, cleaner: Cleaner, only: int | None) -> Iterator[Batch]:
        for block in self._table.blocks():
            rows = self._rows(self._fields(block), note=not only)
            if only is not None:
                rows = rows.pick((rows.channel == only) | (rows.level == UNREADABLE))
            if (batch := cleaner.feed(rows)) is not None:
                yield batch
        if (batch := cleaner.feed(Rows.none(), final=True)) is not None:
            yield batch

    # A block's rows ---------------------------------------------------------------------------------

    def _fields(self, block: text.Block) -> text.Fields:
        return text.split(block, self._table.separator, len(HEADER))

    def _rows(self, fields: text.Fields, *, note: bool) -> Rows:
        tick, good = self._time.ticks(fields)
        level, level_good = _levels(fields)
        channel = self._channel_numbers(fields)
        foreign = channel == FOREIGN
        good &= level_good & (channel != NAMELESS)
        level[~good] = UNREADABLE
        if not good.all():
            bad = np.flatnonzero(~good & ~foreign)
            if note and len(bad):
                for row in bad[:20].tolist():
                    self._faults.add(int(fields.lines[row]), self._why(fields, row))
                self._faults.count += max(0, len(bad) - 20)
        rows = Rows(fields.lines, tick, channel, level)
        return rows.pick(~foreign) if foreign.any() else rows

    def _why(self, fields: text.Fields, row: int) -> str:
        """What is wrong with a row, in words."""
        if not fields.good[row]:
            return f"{fields.count[row]} fields instead of {len(HEADER)}: {fields.whole_row(row)!r}"
        time, channel, level = (fields.text(row, column) for column in range(3))
        if level.lower() not in LEVEL_WORDS:
            return f"level {level!r} is neither 0 nor 1"
        if not self._time.readable(fields, row):
            return f"time {time!r} is no number of seconds"
        return f"channel {channel!r} turns up once only"

    def _channel_numbers(self, fields: text.Fields) -> NDArray[np.int16]:
        key = text.keys(fields.data, fields.starts[:, 1], fields.ends[:, 1])
        numbers = np.full(len(key), NAMELESS, np.int16)
        for known, number in self._numbers.items():
            numbers[key == known] = number
        left = np.flatnonzero((numbers == NAMELESS) & fields.good)
        # Names not met before: a channel that turns up late, or junk that differs from row to row.
        for k, at in zip(*np.unique(key[left], return_index=True), strict=True):
            if len(self._numbers) >= LARGEST_NAMES:
                break
            ours = our_channel(fields.text(int(left[at]), 1), self._given)
            if ours is not None:
                self._numbers[int(k)] = self._number(ours)
                numbers[key == k] = self._numbers[int(k)]
        return numbers

    def _number(self, ours: str) -> int:
        if ours not in self._channels:
            self._channels.append(ours)
        return self._channels.index(ours)

    # A first look ---------------------------------------------------------------------------------

    def _survey(self) -> None:
        """Names, time zero, tick and order, from the file's beginning and from probes all over it."""
        head = next(iter(self._table.blocks()), None)
        fields = self._fields(head) if head is not None else None
        if fields is None or not len(fields.lines):
            raise FileTrouble(
                f"{self.path.name} has a header and no rows",
                cause="the recording holds no edge, or was never finished",
                step="Record again",
            )
        self._time = TimeColumn(self.path.name, fields)
        probes = [fields, *(self._fields(block) for block in probe_blocks(self._table))]
        found: dict[str, int] = {}
        for part in probes:
            good = part.good & _levels(part)[1]
            key = text.keys(part.data, part.starts[:, 1], part.ends[:, 1])
            _, first, count = np.unique(key[good], return_index=True, return_counts=True)
            for at, n in zip(first[:64].tolist(), count[:64].tolist(), strict=True):
                name = part.text(int(np.flatnonzero(good)[at]), 1)
                found[name] = found.get(name, 0) + n
        total = max(1, sum(found.values()))
        common = [n for n, c in found.items() if our_channel(n, self._given) or (c > 1 and c >= FOREIGN_SHARE * total)]
        chosen = choose(self.path.name, common or list(found)[:1], self._given) if found else {}
        self._channels = [ours for ours in CHANNELS if ours in chosen.values()]
        self._foreign = [name for name in common if name not in chosen]
        for name in common:
            raw = np.frombuffer(name.encode(), np.uint8)
            key = text.keys(raw, np.zeros(1, np.int64), np.full(1, len(raw)))
            self._numbers[int(key[0])] = self._channels.index(chosen[name]) if name in chosen else FOREIGN
        rows = self._rows(fields, note=True)
        bad = rows.level == UNREADABLE
        if bad.sum() * 2 > len(rows):
            row = int(self._faults.kept[0]["row"])
            raise FileTrouble(
                f"{self.path.name}, {self._faults.first()}",
                cause="a decimal comma, or columns in another order"
                if not fields.good.all()
                else "another kind of file",
                step=f"Write rows like 0.001234567,crank,1; look at row {row}",
            )
        self._in_order = self._ordered([rows, *(self._rows(part, note=False) for part in probes[1:])])

    def _ordered(self, parts: list[Rows]) -> bool:
        """True where time falls nowhere that another order of channels would explain."""
        head = parts[0].pick(parts[0].level != UNREADABLE)
        for number in range(len(self._channels)):
            step = np.diff(head.tick[head.channel == number])
            if (step < 0).any():
                break
        else:
            if (np.diff(head.tick) < 0).any():
                return False
        places = [int(np.median(p.tick[p.level != UNREADABLE])) for p in parts[1:] if (p.level != UNREADABLE).any()]
        return not (np.diff(places) < 0).any() or len(self._channels) == 1


def _levels(fields: text.Fields) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """Level of each row, and where it could be read."""
    start, end = fields.starts[:, 2], fields.ends[:, 2]
    char = fields.data[np.minimum(start, len(fields.data) - 1)]
    level = char - np.uint8(ord("0"))
    good = fields.good & (end - start == 1) & (level < 2)
    rest = np.flatnonzero(fields.good & ~good)
    if len(rest):
        key = text.keys(fields.data, start[rest], end[rest])
        for at in np.unique(key, return_index=True)[1][:256].tolist():
            word = fields.text(int(rest[at]), 2).lower()
            if word in LEVEL_WORDS:
                same = rest[key == key[at]]
                level[same] = LEVEL_WORDS[word]
                good[same] = True
    return level, good


def write(path: Path, recording: Recording) -> None:
    """Write a recording's edges as CSV, batch by batch."""
    maker = RowMaker(recording)
    times = time_writer(recording.clock)

    def lines(tick: NDArray[np.int64], channel: NDArray[np.int16], level: NDArray[np.uint8]) -> list[bytes]:
        ends = {
            (number, char): f",{name},{chr(char)}\n" for number, name in enumerate(maker.channels) for char in b"01x"
        }
        keys = zip(channel.tolist(), level.tolist(), strict=True)
        return [(time + ends[key]).encode() for time, key in zip(times(tick), keys, strict=True)]

    with path.open("wb") as file:
        file.write((",".join(HEADER) + "\n").encode())
        out = RowFile(file, lines, lambda line: len(line) - 2, lambda number: maker.one_level(maker.channels[number]))
        begun = False
        for rows in maker.rows():
            if not begun and len(rows.tick):
                begun = True
                first = (rows.tick == rows.tick[0]) & (rows.code < UNKNOWN)
                if len(channels := np.unique(rows.channel[first])) > 1:
                    rows = rows.led_by_levels(int(rows.tick[0]) - 1, channels.tolist())
            out.write(rows)
