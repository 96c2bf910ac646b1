"""Edges as VCD (value change dump, IEEE 1364-2005 clause 18), one variable of one bit a channel.

Read: the timescale is the tick, so that times are exact; t0_s is the dump's first time. The first value of a
variable, and every value after an unknown one, tells its level and is no edge. x, z and $dumpoff make the channel
blind until its next value. A value that repeats the level says nothing new and is left out. Variables of several
bits, real numbers and strings are left out, and so are variables whose name is not one of ours unless it was given.

FileTrouble: no timescale, no variable of one bit, an end before $enddefinitions, a dump without times. Something
else in the value section costs a blind stretch on every channel, as in `clean`. A last word without its end is read
where it is a whole value change, else left out.

Lost: the reasons of blind stretches, names of scopes.

Written: timescale 1 ns, finer where the tick needs it (1 ps, 1 fs; else ticks are rounded to 1 ps). The recording's
whole time is kept, silence at both ends too. A channel of timing edges alone cannot be written: FileTrouble.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toothwise.edges import text
from toothwise.edges.clean import ALL, UNKNOWN, UNREADABLE, Cleaner, Rows
from toothwise.edges.faults import Faults
from toothwise.edges.naming import choose
from toothwise.edges.signal import CHANNELS, Batch, Clock, Recording, Ticks
from toothwise.edges.writing import RowFile, RowMaker
from toothwise.errors import FileTrouble

HEADER_BYTES = 1 << 22
UNITS_PER_S = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}
TIMESCALE = re.compile(rb"\$timescale\s+(10?0?)\s*([munpf]?s)\s+\$end")
VARIABLE = re.compile(rb"\$var\s+(\S+)\s+(\d+)\s+(\S+)\s+(\S+)(?:\s+(\[[^$]*?\]))?\s+\$end")
DEFINED = re.compile(rb"\$enddefinitions\s+\$end")
SKIPPED = (b"$comment", b"$version", b"$date")
LEVELS = {ord("0"): 0, ord("1"): 1, ord("x"): UNKNOWN, ord("X"): UNKNOWN, ord("z"): UNKNOWN, ord("Z"): UNKNOWN}
LEVEL_OF = np.full(256, 255, np.uint8)
LEVEL_OF[list(LEVELS)] = list(LEVELS.values())
LAST_TIME = 2**62
LOW_DIGITS = 15
FIRST_IDENTIFIER = ord("!")
RESERVED_BYTES = 512


class VcdEdges:
    """A VCD file; `batches()` reads it anew each time, at a memory that does not grow with it."""

    def __init__(self, path: Path, names: Mapping[str, str] | None = None) -> None:
        self.path = path
        self._faults = Faults()
        with path.open("rb") as file:
            head = file.read(HEADER_BYTES)
        found = DEFINED.search(head)
        if found is None:
            raise FileTrouble(
                f"{path.name} ends before $enddefinitions",
                cause="the header was cut off, or this is no VCD file",
                step="Export the recording again",
            )
        header = head[: found.end()]
        self._values_at = found.end()
        self._values_line = header.count(b"\n") + 1
        self._tick_s = self._timescale(header)
        chosen = self._variables(header, dict(names or {}))
        self._channels = [name for name in CHANNELS if name in chosen.values()]
        self._numbers = {key: self._channels.index(ours) for key, ours in chosen.items()}
        self._zero = self._first_time()
        self.clock = Clock(float(self._tick_s.scaleb(9)), float(self._zero * self._tick_s))

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(self._channels)

    @property
    def source(self) -> dict[str, Any]:
        facts: dict[str, Any] = {"file": self.path.name, "format": "vcd", "resolution_s": float(self._tick_s)}
        if self._left_out:
            facts["channels_left_out"] = self._left_out
        return facts | self._faults.as_source()

    def batches(self) -> Iterator[Batch]:
        self._faults = Faults()
        cleaner = Cleaner(
            self.path.name,
            self._channels,
            self._faults,
            float(self._tick_s),
            repeats_mean_loss=False,
            starts_known=False,
        )
        reader = _Values(self._numbers, self._zero, self._faults)
        for block in text.blocks(self.path, self._values_at, self._values_line):
            rows = reader.rows(block)
            if (batch := cleaner.feed(rows)) is not None:
                yield batch
        batch = cleaner.feed(Rows.none(), final=True, end_tick=reader.now)
        if batch is not None:
            yield batch
        if not cleaner.delivered and self._faults.count:
            raise FileTrouble(
                f"{self.path.name}: not one edge could be read",
                cause=self._faults.first(),
                step="Export the recording again",
            )

    # Header ----------------------------------------------------------------------------------------

    def _timescale(self, header: bytes) -> Decimal:
        found = TIMESCALE.search(header)
        if found is None:
            raise FileTrouble(
                f"{self.path.name} has no readable $timescale",
                cause="a VCD header says 1, 10 or 100 and s, ms, us, ns, ps or fs",
                step="Add a line such as: $timescale 1 ns $end",
            )
        return Decimal(int(found[1])).scaleb(-UNITS_PER_S[found[2].decode()])

    def _variables(self, header: bytes, given: dict[str, str]) -> dict[int, str]:
        """Key of an identifier → our channel."""
        identifiers: dict[str, bytes] = {}
        self._left_out: list[str] = []
        for kind, bits, identifier, name, part in VARIABLE.findall(header):
            label = (name + part).decode("utf-8", "replace")
            if bits != b"1" or kind in (b"real", b"realtime", b"string", b"event", b"parameter"):
                self._left_out.append(label)
            else:
                identifiers.setdefault(label, identifier)
        if not identifiers:
            raise FileTrouble(
                f"{self.path.name} has no variable of one bit",
                cause="only single lines can be a sensor's signal",
                step="Export each channel as a variable of its own",
            )
        chosen = choose(self.path.name, identifiers, given)
        self._left_out += [label for label in identifiers if label not in chosen]
        return {_key_of(identifiers[label]): ours for label, ours in chosen.items()}

    def _first_time(self) -> int:
        for block in text.blocks(self.path, self._values_at):
            found = re.search(rb"(?:^|\s)#(\d{1,30})(?=\s|$)", block.data.tobytes())
            if found:
                return int(found[1])
        raise FileTrouble(
            f"{self.path.name} has no time in its value section",
            cause="the recording holds no value change, or was cut off after its header",
            step="Record again",
        )


def _key_of(identifier: bytes) -> int:
    raw = np.frombuffer(identifier, np.uint8)
    return int(text.keys(raw, np.zeros(1, np.int64), np.full(1, len(raw)))[0])


class _Values:
    """The value section, block after block: words to rows. now: the last time that was told."""

    def __init__(self, numbers: Mapping[int, int], zero: int, faults: Faults) -> None:
        self._numbers = numbers
        self._zero = zero
        self._faults = faults
        self._skipping = False
        self._vector: int | None = None
        self.now = 0

    def rows(self, block: text.Block) -> Rows:
        data = block.data
        space = data <= text.SPACE
        starts = np.flatnonzero(~space & np.concatenate([[True], space[:-1]]))
        ends = np.flatnonzero(~space & np.concatenate([space[1:], [True]])) + 1
        if not block.complete and len(starts) and not space[-1] and data[starts[-1]] == text.HASH:
            starts, ends = starts[:-1], ends[:-1]
        if not len(starts):
            return Rows.none()
        first = data[starts]
        used = np.ones(len(starts), bool)
        off_rows = self._keywords(data, starts, ends, first, used)
        vectors = self._vectors(data, starts, ends, first, used)

        times = used & (first == text.HASH)
        stamp, is_time = _whole_numbers(data, starts[times] + 1, ends[times], self._zero)
        tick = np.zeros(len(starts), np.int64)
        known = np.zeros(len(starts), bool)
        at_time = np.flatnonzero(times)
        tick[at_time], known[at_time] = stamp, is_time
        # Each word's time is that of the last time word before it.
        at = np.maximum.accumulate(np.where(known, np.arange(len(tick)), -1))
        tick = np.where(at >= 0, tick[np.maximum(at, 0)], self.now)
        self.now = int(tick[-1])

        level = LEVEL_OF[first]
        change = used & ~times & (level < 255) & (ends - starts > 1)
        key = text.keys(data, starts[change] + 1, ends[change])
        channel = np.full(len(starts), -2, np.int16)
        numbers = np.full(len(key), -2, np.int16)
        for known_key, number in self._numbers.items():
            numbers[key == known_key] = number
        channel[change] = numbers
        for i, (number, value) in vectors.items():
            channel[i], level[i] = number, value
        for i in off_rows:
            channel[i], level[i] = ALL, UNKNOWN
        bad = used & ~times & ~change
        bad[at_time[~is_time]] = True
        level[bad] = UNREADABLE
        lines = np.zeros(len(starts), np.int64)
        if bad.any() or known.any():
            newlines = np.flatnonzero(data == text.NEWLINE)
            lines = np.searchsorted(newlines, starts) + block.first_line
        for i in np.flatnonzero(bad)[:20].tolist():
            word = data[starts[i] : min(int(ends[i]), int(starts[i]) + 30)].tobytes().decode("utf-8", "replace")
            self._faults.add(int(lines[i]), f"{word!r} is neither a time nor a value")
        self._faults.count += max(0, int(bad.sum()) - 20)
        kept = (channel > -2) | bad
        return Rows(lines[kept], tick[kept], channel[kept], level[kept])

    def _keywords(
        self,
        data: text.Bytes,
        starts: text.Positions,
        ends: text.Positions,
        first: text.Bytes,
        used: NDArray[np.bool_],
    ) -> list[int]:
        """Take out the words that begin with $ and what stands in a comment; words at which the dump goes off."""
        off: list[int] = []
        from_word = 0 if self._skipping else -1
        for i in np.flatnonzero(first == ord("$")).tolist():
            word = data[starts[i] : ends[i]].tobytes()
            if self._skipping:
                if word == b"$end":
                    used[from_word : i + 1] = False
                    self._skipping = False
                continue
            used[i] = False
            if word in SKIPPED:
                self._skipping, from_word = True, i
            elif word == b"$dumpoff":
                off.append(i)
        if self._skipping:
            used[from_word:] = False
        return off

    def _vectors(
        self,
        data: text.Bytes,
        starts: text.Positions,
        ends: text.Positions,
        first: text.Bytes,
        used: NDArray[np.bool_],
    ) -> dict[int, tuple[int, int]]:
        """Values written as `b1 !` or `r0.5 !`: two words. Returns word → (channel, level) for ours."""
        found: dict[int, tuple[int, int]] = {}
        if self._vector is not None and len(starts):
            self._take_vector(data, starts, ends, 0, self._vector, used, found)
            self._vector = None
        for i in np.flatnonzero(used & np.isin(first, np.frombuffer(b"bBrR", np.uint8))).tolist():
            if not used[i]:
                continue
            used[i] = False
            level = int(LEVEL_OF[data[ends[i] - 1]]) if first[i] in b"bB" else 255
            if i + 1 < len(starts):
                self._take_vector(data, starts, ends, i + 1, level, used, found)
            else:
                self._vector = level
        return found

    def _take_vector(
        self,
        data: text.Bytes,
        starts: text.Positions,
        ends: text.Positions,
        at: int,
        level: int,
        used: NDArray[np.bool_],
        found: dict[int, tuple[int, int]],
    ) -> None:
        used[at] = False
        number = self._numbers.get(int(text.keys(data, starts[at : at + 1], ends[at : at + 1])[0]))
        if number is not None and level < 255:
            found[at] = (number, level)


def _whole_numbers(
    data: text.Bytes, starts: text.Positions, ends: text.Positions, zero: int
) -> tuple[Ticks, NDArray[np.bool_]]:
    """Whole numbers of up to 30 digits less `zero`, and where that could be done."""
    middle = np.maximum(starts, ends - LOW_DIGITS)
    low = text.numbers(data, middle, ends)
    high = text.numbers(data, starts, middle)
    short = starts == middle
    good = low.good & (low.pico == 0) & (low.whole >= 0) & (short | (high.good & (high.whole >= 0)))
    zero_high, zero_low = divmod(zero, 10**LOW_DIGITS)
    above = np.where(short, 0, high.whole) - zero_high
    good &= np.abs(above) < LAST_TIME // 10**LOW_DIGITS
    return np.where(good, above * 10**LOW_DIGITS + low.whole - zero_low, 0), good


def write(path: Path, recording: Recording) -> None:
    """Write a recording as VCD, batch by batch. Raises FileTrouble for a channel of timing edges alone."""
    maker = RowMaker(recording)
    tick_s = Decimal(repr(recording.clock.tick_ns)).scaleb(-9)
    unit, places = next(
        ((u, p) for u, p in (("ns", 9), ("ps", 12), ("fs", 15)) if tick_s.scaleb(p) % 1 == 0), ("ps", 12)
    )
    per_tick = tick_s.scaleb(places)
    base = max(0, int(Decimal(repr(recording.clock.t0_s)).scaleb(places).to_integral_value()))

    def stamps(ticks: NDArray[np.int64]) -> list[int]:
        if per_tick % 1 == 0:
            step = int(per_tick)
            return [base + t * step for t in ticks.tolist()]
        return [base + int((t * per_tick).to_integral_value()) for t in ticks.tolist()]

    last_stamp = -1

    def lines(tick: NDArray[np.int64], channel: NDArray[np.int16], level: NDArray[np.uint8]) -> list[bytes]:
        nonlocal last_stamp
        out = []
        for stamp, number, char in zip(stamps(tick), channel.tolist(), level.tolist(), strict=True):
            change = b"%c%c\n" % (char, FIRST_IDENTIFIER + number)
            out.append(change if stamp == last_stamp else b"#%d\n%s" % (stamp, change))
            last_stamp = stamp
        return out

    with path.open("wb") as file:
        file.write(_header(maker.channels, unit))
        out = RowFile(file, lines, lambda line: len(line) - 3, lambda number: False)
        told = 0
        begun: set[int] = set()
        for rows in maker.rows():
            if maker.timing_only:
                raise FileTrouble(
                    f"{path.name}: channel {min(maker.timing_only)} has timing edges of one level only",
                    cause="VCD holds levels, and has no place for an edge without a change",
                    step="Export as CSV",
                )
            if not begun:
                told = min(0, int(rows.tick.min(initial=0)))
                base = max(base, int(-told * per_tick))
            fresh = [n for n in range(len(maker.channels)) if n not in begun]
            out.write(rows.led_by_levels(told, fresh))
            begun.update(fresh)
            told = rows.until
        file.write(b"#%d\n" % stamps(np.array([told]))[0])
        file.seek(0)
        file.write(_header(maker.channels, unit))


def _header(channels: list[str], unit: str) -> bytes:
    """Always of one length, so that a channel which turns up late can be put in at the end."""
    variables = "".join(f"$var wire 1 {chr(FIRST_IDENTIFIER + n)} {name} $end\n" for n, name in enumerate(channels))
    head = f"$timescale 1 {unit} $end\n$scope module recording $end\n{variables}$upscope $end\n".encode()
    end = b"$enddefinitions $end\n"
    return head.ljust(RESERVED_BYTES - len(end) - 1) + b"\n" + end
