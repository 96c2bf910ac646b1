"""Sampled volts as CSV: header `time_s,volts[,volts2…]`, one sample a row.

Read: columns after the time are crank, cam, feed, aux in this order unless names are given. Separators, decimal
comma, comments and line ends as in `csv_edges`. A sample that is no number (NaN too), or a time that goes back or
stands still for a few rows, is left out; where that leaves a hole the channel is blind. See `comparator` for how
volts become edges.

FileTrouble: as in `csv_edges`; also a time column with so few digits that most times are equal.
Lost: what happens between two samples.

Written: times with nine decimals, volts with six significant digits.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from toothwise.edges import text
from toothwise.edges.comparator import Volts
from toothwise.edges.order import HELD_ROWS, in_order
from toothwise.edges.signal import Clock, Ticks
from toothwise.edges.table import TimeColumn, probe_blocks, read_header, time_writer
from toothwise.edges.volts import Samples, VoltsRecording
from toothwise.errors import FileTrouble

LEAST_V = 0.02
PROBE_BYTES = 1 << 16


class CsvVolts(VoltsRecording):
    """A CSV file of volts; `batches()` reads it anew each time."""

    format = "volts csv"
    least_v = LEAST_V

    def __init__(self, path: Path, names: Mapping[str, str] | None = None, *, level_v: float | None = None) -> None:
        self._table = read_header(path)
        if self._table.columns[0].lower() != "time_s" or len(self._table.columns) < 2:
            raise FileTrouble(
                f"{path.name}: the header is not time_s,volts", step="Name the columns time_s, volts, volts2"
            )
        super().__init__(path, list(self._table.columns[1:]), names or {}, level_v)
        head = next(iter(self._table.blocks()), None)
        fields = self._fields(head) if head is not None else None
        if fields is None or not len(fields.lines):
            raise FileTrouble(f"{path.name} has a header and no rows", step="Record again")
        self._time = TimeColumn(path.name, fields)
        self.clock = self._time.clock
        self._head = fields
        ticks, good = self._time.ticks(fields)
        if good.sum() * 2 < len(good):
            row = int(np.flatnonzero(~good)[0])
            raise FileTrouble(
                f"{path.name}, row {int(fields.lines[row])}: {fields.whole_row(row)!r} has "
                + (f"{fields.count[row]} fields" if not fields.good[row] else "no readable time"),
                cause="a decimal comma, or rows of another length than the header",
                step="Write rows like 0.001234567,0.52",
            )
        if (np.diff(ticks[good]) == 0).sum() * 2 > good.sum():
            raise FileTrouble(
                f"{path.name}: most rows have the same time as the row before",
                cause="the time column has too few digits for its samples",
                step="Write times with at least six decimals",
            )
        self._survey()

    def _fields(self, block: text.Block) -> text.Fields:
        return text.split(block, self._table.separator, len(self._table.columns))

    def _parsed(self, fields: text.Fields) -> tuple[Samples, NDArray[np.bool_]]:
        ticks, good = self._time.ticks(fields)
        columns = len(self._table.columns) - 1
        volts = np.full((len(ticks), columns), np.nan)
        for i in self._columns.values():
            column = text.numbers(fields.data, fields.starts[:, i + 1], fields.ends[:, i + 1])
            volts[:, i] = np.where(column.good & fields.good, column.floats(), np.nan)
        return Samples(ticks, volts), good

    def _survey_samples(self) -> list[Samples]:
        out = []
        probes = [self._fields(block) for block in probe_blocks(self._table, PROBE_BYTES)]
        for fields in [self._head, *probes]:
            part, good = self._parsed(fields)
            rising = np.concatenate([[True], np.diff(part.ticks) > 0]) & good
            out.append(Samples(part.ticks[rising], part.volts[rising]))
        return out

    def _samples(self) -> Iterator[Samples]:
        ticks: Ticks = np.empty(0, np.int64)
        volts: Volts = np.empty((0, len(self._table.columns) - 1))
        line = np.empty(0, np.int64)
        good = np.empty(0, bool)
        floor: int | None = None
        for block in self._with_end():
            if block is not None:
                fields = self._fields(block)
                part, readable = self._parsed(fields)
                for row in np.flatnonzero(~readable)[:20].tolist():
                    self._faults.add(int(fields.lines[row]), f"{fields.whole_row(row)!r} cannot be read")
                self._faults.count += max(0, int((~readable).sum()) - 20)
                ticks, volts = np.concatenate([ticks, part.ticks]), np.concatenate([volts, part.volts])
                line, good = np.concatenate([line, fields.lines]), np.concatenate([good, readable])
            keep, falls = in_order(self.path.name, ticks, line, good, floor)
            cut = len(ticks) if block is None else max(0, len(ticks) - HELD_ROWS)
            for row, dropped in falls:
                if cut == len(ticks) or row < line[cut]:
                    self._faults.add(row, "time goes back", dropped)
            used = np.flatnonzero(keep[:cut])
            if len(used):
                least = ticks[used[0]] - 1 if floor is None else floor - 1
                latest = np.maximum.accumulate(np.concatenate([[least], ticks[used]]))
                stands = ticks[used] <= latest[:-1]
                for i in used[stands][:20].tolist():
                    self._faults.add(int(line[i]), "time stands still")
                used = used[~stands]
                yield Samples(ticks[used], volts[used])
                floor = int(ticks[used[-1]]) + 1 if len(used) else floor
            ticks, volts, line, good = ticks[cut:], volts[cut:], line[cut:], good[cut:]

    def _with_end(self) -> Iterator[text.Block | None]:
        yield from self._table.blocks()
        yield None


def write(path: Path, clock: Clock, parts: Iterator[tuple[Ticks, Volts]], columns: int = 1) -> None:
    """Write samples as CSV. parts: (ticks (n,), volts (n, columns)) after one another."""
    times = time_writer(clock)
    header = ",".join(["time_s", "volts", *(f"volts{n}" for n in range(2, columns + 1))])
    with path.open("w", encoding="ascii", newline="\n") as file:
        file.write(header + "\n")
        for ticks, volts in parts:
            rows = zip(times(ticks), volts.reshape(len(ticks), columns).tolist(), strict=True)
            file.writelines(time + "".join(f",{v:.6g}" for v in row) + "\n" for time, row in rows)
