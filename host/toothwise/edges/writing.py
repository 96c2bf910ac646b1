"""A recording as rows of a text file: edges, and blind stretches as a level x with the level that held at their end.

The level at the end of a blind stretch follows from the channel's next edge, which may be far away: the row is
written with a stand-in and put right when that edge comes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.clean import UNKNOWN
from toothwise.edges.signal import Batch, Blind, Edges, Recording

FOLLOWS = 3
"""Code of a row whose level follows from the channel's next edge."""
LEVEL_BYTES = b"01x0"
"""Written for each code; a level that follows stands in as 0, which also holds where no edge ever comes."""


@dataclass(frozen=True, slots=True, eq=False)
class OutRows:
    """Rows to write, in order of time. code: 0, 1, UNKNOWN or FOLLOWS. until: as in Batch."""

    tick: NDArray[np.int64]
    channel: NDArray[np.int16]
    code: NDArray[np.uint8]
    until: int

    def led_by_levels(self, tick: int, channels: list[int]) -> OutRows:
        """The same, after a row for each of these channels that tells its level at `tick`."""
        more = len(channels)
        return OutRows(
            np.concatenate([np.full(more, tick, np.int64), self.tick]),
            np.concatenate([np.array(channels, np.int16), self.channel]),
            np.concatenate([np.full(more, FOLLOWS, np.uint8), self.code]),
            self.until,
        )


class RowMaker:
    """Batches to rows. Channels are numbered as they turn up.

    timing_only: channels whose edges all had one level so far, and more than one.
    """

    def __init__(self, recording: Recording) -> None:
        self.channels = list(recording.channels)
        self.timing_only: set[str] = set()
        self._recording = recording
        self._last: dict[str, tuple[int, int]] = {}
        self._two_levels: set[str] = set()
        self._blind_to: dict[str, int] = {}

    def one_level(self, channel: str) -> bool:
        """True while a channel's edges have all had one level."""
        return channel not in self._two_levels

    def rows(self) -> Iterator[OutRows]:
        for batch in self._recording.batches():
            self.channels += [name for name in batch.edges if name not in self.channels]
            parts = [self._channel(number, name, batch) for number, name in enumerate(self.channels)]
            tick, rank, code, channel = (
                np.concatenate([part[k] for part in parts]) if parts else np.empty(0, np.int64) for k in range(4)
            )
            order = np.lexsort((rank, tick))
            yield OutRows(tick[order], channel[order].astype(np.int16), code[order].astype(np.uint8), batch.until_tick)

    def _channel(self, number: int, name: str, batch: Batch) -> tuple[NDArray[np.int64], ...]:
        """Tick, rank among rows of one tick, code and channel of each row of one channel."""
        edges = batch.edges.get(name, Edges.none())
        last_tick, last_level = self._last.get(name, (-(2**62), -1))
        levels = np.concatenate([[last_level], edges.levels])
        same = np.flatnonzero(levels[1:] == levels[:-1])
        if (levels[1:][levels[:-1] >= 0] != levels[:-1][levels[:-1] >= 0]).any():
            self._two_levels.add(name)
            self.timing_only.discard(name)
        blind = [b for b in batch.blind if b.channel in (None, name)]
        if name not in self._two_levels:
            self.timing_only |= {name} if len(same) else set()
        else:
            before = np.concatenate([[last_tick], edges.ticks])
            blind += [Blind(int(before[i]) + 1, int(edges.ticks[i]), "edge lost") for i in same.tolist()]
        if len(edges):
            self._last[name] = int(edges.ticks[-1]), int(edges.levels[-1])
        spans = self._joined(name, blind, edges)
        begin = np.array([a for a, _ in spans], np.int64)
        end = np.array([b for _, b in spans], np.int64)
        tick = np.concatenate([end, edges.ticks, begin])
        # At one tick: a blind stretch ends, then an edge, then another stretch begins.
        rank = np.repeat(np.array([0, 1, 2], np.uint8), [len(end), len(edges), len(begin)])
        code = np.concatenate(
            [np.full(len(end), FOLLOWS, np.uint8), edges.levels, np.full(len(begin), UNKNOWN, np.uint8)]
        )
        return tick, rank.astype(np.int64), code.astype(np.int64), np.full(len(tick), number, np.int64)

    def _joined(self, name: str, blind: list[Blind], edges: Edges) -> list[tuple[int, int]]:
        """Blind stretches of one channel, none overlapping another or one that is written already."""
        out: list[tuple[int, int]] = []
        floor = self._blind_to.get(name, -(2**62))
        for stretch in sorted(blind, key=lambda b: b.start_tick):
            start, end = max(stretch.start_tick, floor), stretch.end_tick
            if end <= start:
                continue
            if out and start <= out[-1][1]:
                out[-1] = (out[-1][0], max(end, out[-1][1]))
            else:
                out.append((start, end))
        if out:
            self._blind_to[name] = out[-1][1]
        return out


class RowFile:
    """Writes rows and comes back to those whose level follows from a later edge.

    as_lines: (ticks, channels, level characters) → the rows as bytes, one each.
    level_at: from a row's start (≥ 0) or end (< 0) to its level character.
    """

    def __init__(
        self,
        file: BinaryIO,
        as_lines: Callable[[NDArray[np.int64], NDArray[np.int16], NDArray[np.uint8]], list[bytes]],
        level_at: Callable[[bytes], int],
        one_level: Callable[[int], bool],
    ) -> None:
        self._file = file
        self._as_lines = as_lines
        self._level_at = level_at
        self._one_level = one_level
        self._open: dict[int, list[int]] = {}

    def write(self, rows: OutRows) -> None:
        code = rows.code.copy()
        waiting = np.flatnonzero(code == FOLLOWS)
        late: list[int] = []
        for channel in np.unique(rows.channel).tolist():
            at = np.flatnonzero((rows.channel == channel) & (rows.code < UNKNOWN))
            if len(at) and self._open.get(channel):
                self._patch(channel, self._before(channel, int(rows.code[at[0]])))
            mine = waiting[rows.channel[waiting] == channel]
            following = np.searchsorted(at, mine)
            for row, k in zip(mine.tolist(), following.tolist(), strict=True):
                if k < len(at):
                    code[row] = self._before(channel, int(rows.code[at[k]]))
                else:
                    late.append(row)
        lines = self._as_lines(rows.tick, rows.channel, np.frombuffer(LEVEL_BYTES, np.uint8)[code])
        if late:
            starts = self._file.tell() + np.concatenate([[0], np.cumsum([len(line) for line in lines])])
            for row in late:
                place = int(starts[row]) + self._level_at(lines[row])
                self._open.setdefault(int(rows.channel[row]), []).append(place)
        self._file.write(b"".join(lines))

    def _before(self, channel: int, next_level: int) -> int:
        return next_level if self._one_level(channel) else 1 - next_level

    def _patch(self, channel: int, level: int) -> None:
        end = self._file.tell()
        for place in self._open.pop(channel):
            self._file.seek(place)
            self._file.write(LEVEL_BYTES[level : level + 1])
        self._file.seek(end)
