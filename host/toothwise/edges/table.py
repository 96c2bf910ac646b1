"""What CSV files of edges and of volts share: opening, the header, and the time column."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from toothwise.edges import text
from toothwise.edges.signal import Clock, Ticks
from toothwise.errors import FileTrouble

HEADER_BYTES = 65536
PROBES = 64
PROBE_BYTES = 4096
SEPARATORS = (b",", b";", b"\t")


@dataclass(frozen=True, slots=True)
class Table:
    """A CSV file with a header: where its rows begin, and what separates its fields."""

    path: Path
    columns: tuple[str, ...]
    separator: int
    rows_at: int
    """Byte at which the rows begin."""
    first_line: int

    def blocks(self) -> Iterator[text.Block]:
        return text.blocks(self.path, self.rows_at, self.first_line)


def read_header(path: Path) -> Table:
    """The header of a CSV file. Raises FileTrouble where there is none to be read."""
    with path.open("rb") as file:
        head = file.read(HEADER_BYTES)
    at = 3 if head.startswith(b"\xef\xbb\xbf") else 0
    line = 1
    ending = b"\n" if b"\n" in head else b"\r"
    while at < len(head):
        end = head.find(ending, at)
        if end < 0 and len(head) == HEADER_BYTES:
            raise FileTrouble(
                f"{path.name}, row {line}: the row is longer than {HEADER_BYTES // 1024} KB, "
                f"with more than {head.count(b',')} columns",
                cause="a table turned on its side, or not a text file",
                step="Write one row an edge: time_s,channel,level",
            )
        end = len(head) if end < 0 else end
        raw = head[at:end].strip().replace(b'"', b"")
        at = end + 1
        if raw and not raw.startswith(b"#"):
            separator = max(SEPARATORS, key=raw.count)
            names = tuple(part.strip().decode("utf-8", "replace") for part in raw.split(separator))
            return Table(path, names, separator[0], at, line + 1)
        line += 1
    raise FileTrouble(f"{path.name} has no header", cause="it holds no row", step="Record again")


def open_table(path: Path, header: Sequence[str]) -> Table:
    """A CSV file that must have just this header."""
    table = read_header(path)
    found = tuple(name.lower() for name in table.columns)
    if found != tuple(header):
        shown = ",".join(table.columns)
        raise FileTrouble(
            f"{path.name}, row {table.first_line - 1}: the header is {shown[:60]!r}, not {','.join(header)!r}",
            cause="another program's table, or its header was cut off",
            step=f"Name the columns {', '.join(header)} in this order",
        )
    return table


def probe_blocks(table: Table, probe_bytes: int = PROBE_BYTES) -> list[text.Block]:
    """A few rows from places all over a file that is longer than a block, in order."""
    size = table.path.stat().st_size
    if size - table.rows_at <= text.BLOCK:
        return []
    out = []
    with table.path.open("rb") as file:
        for place in np.linspace(table.rows_at, size - probe_bytes, PROBES).astype(np.int64).tolist():
            file.seek(place)
            lines = file.read(probe_bytes).replace(b"\r", b"\n").split(b"\n")[1:-1]
            if lines:
                out.append(text.Block(np.frombuffer(b"\n".join([*lines, b""]), np.uint8), 0))
    return out


class TimeColumn:
    """The first column as ticks from the file's first time on.

    clock: ticks of 1 ns, or of 1 ps where a time of the file's beginning has digits below 1 ns; t0_s the first time.
    resolution_s: what the digits written can tell.
    """

    def __init__(self, file: str, fields: text.Fields) -> None:
        times = text.numbers(fields.data, fields.starts[:, 0], fields.ends[:, 0])
        good = np.flatnonzero(fields.good & times.good)
        if not len(good):
            row = int(fields.lines[0])
            raise FileTrouble(
                f"{file}, row {row}: {fields.whole_row(0)!r} does not begin with a time in seconds"
                if fields.good[0]
                else f"{file}, row {row} has {fields.count[0]} fields instead of {fields.starts.shape[1]}",
                cause="a decimal comma, a date, or another table",
                step="Write times as seconds with a decimal point, for example 0.001234567",
            )
        self._whole = int(times.whole[good[0]])
        self._pico = int(times.pico[good[0]])
        finer = bool((times.pico[good] % 1000 != 0).any())
        self._per_s = text.PICO if finer else 10**9
        self.resolution_s = 10.0 ** -min(int(times.places[good].max()), 12 if finer else 9)
        self.clock = Clock(0.001 if finer else 1.0, float(self._whole + Decimal(self._pico).scaleb(-12)))

    def ticks(self, fields: text.Fields) -> tuple[Ticks, NDArray[np.bool_]]:
        """Ticks of each row, and where they could be read."""
        times = text.numbers(fields.data, fields.starts[:, 0], fields.ends[:, 0])
        seconds = times.whole - self._whole
        good = fields.good & times.good & (np.abs(seconds) < 2**62 // self._per_s)
        step = text.PICO // self._per_s
        pico = times.pico - self._pico
        part = pico if step == 1 else (pico + step // 2) // step
        return np.where(good, seconds * self._per_s + part, 0), good

    def readable(self, fields: text.Fields, row: int) -> bool:
        one = slice(row, row + 1)
        times = text.numbers(fields.data, fields.starts[one, 0], fields.ends[one, 0])
        return bool(times.good[0])


def time_writer(clock: Clock) -> Callable[[NDArray[np.int64]], list[str]]:
    """Ticks → absolute decimal times, exactly; with as many decimals as the tick needs, 9 to 12.

    Where a tick is no whole number of picoseconds the time is rounded to the nearest.
    """
    tick = Decimal(repr(clock.tick_ns))
    places = next((p for p in range(9, 13) if tick.scaleb(p - 9) % 1 == 0), 12)
    scale = 10**places
    start = int(Decimal(repr(clock.t0_s)).scaleb(places).to_integral_value(ROUND_HALF_EVEN))
    start_s, start_part = divmod(start, scale)
    units = tick.scaleb(places - 9)
    whole_units = int(units) if units % 1 == 0 else None
    numerator, denominator = units.as_integer_ratio()

    def times(ticks: NDArray[np.int64]) -> list[str]:
        if whole_units is not None:
            per_s = scale // whole_units if scale % whole_units == 0 else None
            if per_s is not None:  # whole seconds apart, so that nothing overflows
                seconds, rest = np.divmod(ticks, per_s)
                part = rest * whole_units + start_part
            else:
                seconds, part = np.zeros_like(ticks), ticks * whole_units + start_part
        else:
            exact = [(2 * t * numerator + denominator) // (2 * denominator) for t in ticks.tolist()]
            seconds, part = np.zeros_like(ticks), np.array(exact, np.int64) + start_part
        seconds = seconds + start_s + part // scale
        part = part % scale
        return [
            f"{s}.{p:0{places}d}" if s >= 0 else _negative(s, p, scale, places)
            for s, p in zip(seconds.tolist(), part.tolist(), strict=True)
        ]

    return times


def _negative(seconds: int, part: int, scale: int, places: int) -> str:
    seconds, part = divmod(-(seconds * scale + part), scale)
    return f"-{seconds}.{part:0{places}d}"
