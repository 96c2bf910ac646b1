"""Rows of a file, in the order they stand in, to edges that can be trusted and blind stretches.

What a row may do to its neighbours, and what comes of it:

    a row that cannot be read        blind on every channel, from the row before it to the row after it
    time goes back for a few rows    those rows are left out (the fewest that put time in order again); blind there
    time goes back and stays back    FileTrouble with the row: two recordings in one file
    time jumps more than 10^6 s      blind across the jump
    time stands still: two edges of  blind from there to the channel's next edge, neither is handed on: a pulse of
      one channel at the same tick     no length is below what the file can tell
    the same level twice             an edge between them is lost: blind from the first to the second, and the
                                       second is not handed on; VCD may repeat a value, there it means nothing
    the same level once more, at     the recording ends there: silent up to it, no edge
      the very last tick
    the same row twice               the second is left out
    level unknown (x)                blind until the channel's next row, which then only says the level: no edge
    one level only, on every row     a channel of timing edges alone: handed on as it is, levels constant
    the file's first rows stand at   they tell the levels at the start and are no edges
      one tick, on several channels

A row that is left out is counted in `Faults`, the first ones with their rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.faults import Faults
from toothwise.edges.order import HELD_ROWS, in_order
from toothwise.edges.signal import Batch, Blind, Edges, Levels, Ticks
from toothwise.errors import FileTrouble

UNKNOWN = 2
"""Level of a row that says the channel's state is not known from here on."""
UNREADABLE = 3
"""Level of a row of which not even the time is known."""
ALL = -1
"""Channel number of a row that concerns all channels."""

JUMP_S = 1e6
STUCK_ROWS = 1 << 20


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Rows of a file. line: for messages. tick: relative to the clock's zero. channel: number, or ALL.
    level: 0, 1, UNKNOWN or UNREADABLE (then tick and channel mean nothing)."""

    line: NDArray[np.int64]
    tick: Ticks
    channel: NDArray[np.int16]
    level: Levels

    def __len__(self) -> int:
        return len(self.tick)

    def pick(self, which: NDArray[np.bool_] | NDArray[np.int64] | slice) -> Rows:
        return Rows(self.line[which], self.tick[which], self.channel[which], self.level[which])

    def then(self, other: Rows) -> Rows:
        return Rows(
            np.concatenate([self.line, other.line]),
            np.concatenate([self.tick, other.tick]),
            np.concatenate([self.channel, other.channel]),
            np.concatenate([self.level, other.level]),
        )

    @staticmethod
    def none() -> Rows:
        return Rows(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.int16), np.empty(0, np.uint8))


@dataclass(slots=True)
class _Channel:
    """What is known of one channel between two stretches of rows.

    level: after its last row; UNKNOWN after x, None before its first row. tick: of the last row, or as far as
    blindness has been told. still: blind until the next row, because time stood still.
    """

    level: int | None = None
    tick: int = 0
    one_level: bool | None = None
    still: bool = False


Stretches = list[tuple[int, int, str]]


class Cleaner:
    """Feed rows, get batches. One cleaner reads one file, or one channel of it.

    names: channels by number; may grow while the file is read.
    repeats_mean_loss: the same level twice means a lost edge (CSV), or nothing (VCD).
    starts_known: a channel's first row is an edge (CSV), or tells its state only (VCD).
    """

    def __init__(
        self,
        file: str,
        names: list[str],
        faults: Faults,
        tick_s: float,
        *,
        repeats_mean_loss: bool = True,
        starts_known: bool = True,
    ) -> None:
        self.file = file
        self.names = names
        self.faults = faults
        self.repeats_mean_loss = repeats_mean_loss
        self.starts_known = starts_known
        self.delivered = 0
        self.end_told = False
        """Whether a row said when the recording ended."""
        self._jump = round(JUMP_S / tick_s)
        self._carry = Rows.none()
        self._states: dict[int, _Channel] = {}
        self._until: int | None = None
        self._last_tick: int | None = None

    def one_level_channels(self) -> list[str]:
        return [self.names[c] for c, state in self._states.items() if state.one_level]

    def feed(self, rows: Rows, *, final: bool = False, end_tick: int | None = None) -> Batch | None:
        """Take more rows; hand on what is certain now, or None.

        final: no more will come. end_tick: how far the file vouches for silence, where it says so.
        """
        rows = _one_of_each_bad_run(self._carry.then(rows))
        keep, falls = in_order(self.file, rows.tick, rows.line, rows.level != UNREADABLE, self._until)
        cut = len(rows) if final else self._safe_cut(rows, keep)
        self._carry, held = rows.pick(slice(cut, None)), keep[cut:]
        rows, keep = rows.pick(slice(0, cut)), keep[:cut]
        for line, dropped in falls:
            if not len(self._carry) or line < int(self._carry.line[0]):
                self.faults.add(line, "time goes back", dropped)
        if not keep.any():
            return None
        until = max(int(rows.tick[keep][-1]) + 1, end_tick or 0) if final else int(self._carry.tick[held][0])
        blind = self._lost_to_all(rows, keep, until)
        rows = rows.pick(keep)
        last = int(rows.tick[-1])
        if self._until is None:
            rows = self._without_start_levels(rows)
        self._until, self._last_tick = until, last
        edges: dict[str, Edges] = {}
        for number, name in enumerate(self.names):
            state = self._states.setdefault(number, _Channel(None if self.starts_known else UNKNOWN, last))
            mine, ahead = (r.pick((r.channel == number) | (r.channel == ALL)) for r in (rows, self._carry))
            stretches: Stretches = []
            part = self._channel(state, mine, ahead, until, stretches, last if final else None)
            if len(part):
                edges[name] = part
                self.delivered += len(part)
            blind += [Blind(a, b, why, name) for a, b, why in stretches if b > a]
        blind.sort(key=lambda stretch: stretch.start_tick)
        return Batch(until, edges, tuple(blind))

    # Time in order ------------------------------------------------------------------------------

    def _safe_cut(self, rows: Rows, keep: NDArray[np.bool_]) -> int:
        """How many rows can be decided now: not the last ones, and never between two of one tick."""
        used = np.flatnonzero(keep)
        if len(used) <= HELD_ROWS:
            return 0
        tick = rows.tick[used]
        at = int(np.searchsorted(tick, tick[-HELD_ROWS]))
        if at == 0 and len(used) > STUCK_ROWS:
            raise FileTrouble(
                f"{self.file}, row {int(rows.line[0])}: time stands still from here on",
                cause="the time column has too few digits, or its clock had stopped",
                step="Write times with at least six decimals",
            )
        return int(used[at]) if at else 0

    def _lost_to_all(self, rows: Rows, keep: NDArray[np.bool_], until: int) -> list[Blind]:
        """Stretches in which a row of unknown time or channel was lost, and jumps of the clock."""
        tick = rows.tick[keep]
        before = np.concatenate([[tick[0] if self._last_tick is None else self._last_tick], tick])
        after = np.append(tick, until)
        next_kept = np.cumsum(keep)[~keep]
        unreadable = rows.level[~keep] == UNREADABLE
        out = []
        for i in np.unique(next_kept).tolist():
            why = "unreadable row" if unreadable[next_kept == i].any() else "time goes back"
            out.append(Blind(int(before[i]) + 1, int(after[i]), why))
        for i in np.flatnonzero(tick - before[:-1] > self._jump).tolist():
            self.faults.add(int(rows.line[keep][i]), "time jumps far ahead")
            out.append(Blind(int(before[i]) + 1, int(tick[i]), "time jumps ahead"))
        return [stretch for stretch in out if stretch.end_tick > stretch.start_tick]

    # One channel ----------------------------------------------------------------------------------

    def _without_start_levels(self, rows: Rows) -> Rows:
        """Take the first rows as states where several channels begin at the very same tick."""
        first = (rows.tick == rows.tick[0]) & (rows.level < UNKNOWN) & (rows.channel != ALL)
        if not self.starts_known or len(np.unique(rows.channel[first])) < 2:
            return rows
        for i in np.flatnonzero(first).tolist():
            self._states[int(rows.channel[i])] = _Channel(int(rows.level[i]), int(rows.tick[i]))
        return rows.pick(~first)

    def _channel(
        self, state: _Channel, rows: Rows, ahead: Rows, until: int, stretches: Stretches, closing: int | None
    ) -> Edges:
        """ahead: rows that are known and not decided yet. closing: the last tick of all rows, once it is known."""
        if state.level == UNKNOWN or state.still:
            end = int(rows.tick[0]) if len(rows) else until
            stretches.append((state.tick, end, "level unknown" if state.level == UNKNOWN else "time stands still"))
            state.tick = end
        if not len(rows):
            return Edges.none()
        state.still = False
        if state.one_level is None and self.starts_known:
            self._judge_one_level(state, rows.then(ahead) if closing is None else rows.pick(rows.tick != closing))
        elif state.one_level and not (rows.level[rows.level < UNKNOWN] == _known(rows.level, state)).all():
            # From here on the levels are what counts; what was handed on before looked like timing edges.
            state.one_level = False
        tick, level = rows.tick, rows.level
        before_level = np.concatenate([[level[0] ^ 1 if state.level is None else state.level], level[:-1]])
        before_tick = np.concatenate([[tick[0] if state.level is None else state.tick], tick[:-1]])

        known = level < UNKNOWN
        after_unknown = before_level == UNKNOWN
        for i in np.flatnonzero(after_unknown[1:]).tolist():
            stretches.append((int(tick[i]), max(int(tick[i + 1]), int(tick[i]) + 1), "level unknown"))
        repeated = known & (level == before_level)
        closes = np.zeros(len(rows), bool)
        if state.one_level:
            repeated &= tick == before_tick
        elif closing is not None:
            closes = repeated & (tick == closing) & (before_tick != closing)
            repeated &= ~closes
            self.end_told |= bool(closes.any())
        if self.repeats_mean_loss:
            for i in np.flatnonzero(repeated).tolist():
                self._note_repeat(int(rows.line[i]), int(before_tick[i]), int(tick[i]), stretches)
        state.level, state.tick = int(level[-1]), int(tick[-1])
        if state.level == UNKNOWN:
            stretches.append((state.tick, until, "level unknown"))
            state.tick = until
        at = np.flatnonzero(known & ~after_unknown & ~repeated & ~closes)
        edges = Edges(tick[at], level[at])
        if (edges.ticks[1:] == edges.ticks[:-1]).any():
            edges = self._without_standstill(state, edges, rows.line[at], until, stretches)
        return _outside(edges, stretches)

    def _note_repeat(self, line: int, before: int, tick: int, stretches: Stretches) -> None:
        if before == tick:
            self.faults.add(line, "the same row twice")
        else:
            self.faults.add(line, "the same level twice, an edge before it is lost")
            stretches.append((before + 1, tick + 1, "edge lost"))

    def _without_standstill(
        self, state: _Channel, edges: Edges, line: NDArray[np.int64], until: int, stretches: Stretches
    ) -> Edges:
        tick = edges.ticks
        like_next = np.append(tick[1:] == tick[:-1], False)
        like_last = np.concatenate([[False], like_next[:-1]])
        begins = np.flatnonzero(like_next & ~like_last)
        ends = np.flatnonzero(like_last & ~like_next)
        for first, i in zip(begins.tolist(), ends.tolist(), strict=True):
            self.faults.add(int(line[first + 1]), "time stands still between two edges", i - first)
            end = int(tick[i + 1]) if i + 1 < len(tick) else until
            stretches.append((int(tick[i]), end, "time stands still"))
            if i + 1 == len(tick) and state.level != UNKNOWN:
                state.still, state.tick = True, until
        stays = ~(like_next | like_last)
        return Edges(tick[stays], edges.levels[stays])

    def _judge_one_level(self, state: _Channel, rows: Rows) -> None:
        levels = rows.level[rows.level < UNKNOWN].tolist()
        if state.level is not None and state.level != UNKNOWN:
            levels.append(state.level)
        if len(levels) > 1:
            state.one_level = len(set(levels)) == 1


def _outside(edges: Edges, stretches: Stretches) -> Edges:
    """Without those that share the tick of a loss: nobody can tell which of the two came first."""
    inside = np.zeros(len(edges), bool)
    for start, end, _ in stretches:
        inside[np.searchsorted(edges.ticks, start) : np.searchsorted(edges.ticks, end)] = True
    return Edges(edges.ticks[~inside], edges.levels[~inside]) if inside.any() else edges


def _known(level: Levels, state: _Channel) -> int:
    """The level a channel of one level has."""
    if state.level is not None and state.level != UNKNOWN:
        return state.level
    known = level[level < UNKNOWN]
    return int(known[0]) if len(known) else 0


def _one_of_each_bad_run(rows: Rows) -> Rows:
    """Many unreadable rows in a row say no more than one."""
    bad = rows.level == UNREADABLE
    again = np.concatenate([[False], bad[1:] & bad[:-1]]) if len(bad) else bad
    return rows.pick(~again) if again.any() else rows
