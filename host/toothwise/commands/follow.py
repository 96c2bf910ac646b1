"""The loop of every live command: batches from a rig to the book, the examination, and whoever shows it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from toothwise.edges.signal import Batch, Edges
from toothwise.errors import Trouble
from toothwise.examine import Examination, Result
from toothwise.records import Event

TURN_S = 0.04
"""Batches are taken together for so long, so that arrays are worth their call. Shorter than the 50 ms in which a
busy rig's batches come: none of them waits for the next."""


class Watcher(Protocol):
    """Someone who wants to know what was decided."""

    def see(self, examination: Examination, events: Sequence[Event]) -> None: ...


@dataclass(frozen=True, slots=True)
class Followed:
    """What came of it. `broke`: what ended it early, a lost rig or an impatient Ctrl-C; None for a plain
    end."""

    result: Result
    broke: Trouble | KeyboardInterrupt | None


def follow(
    batches: Iterable[Batch],
    examination: Examination,
    watchers: Sequence[Watcher],
    *,
    record: Callable[[Batch], None] = lambda batch: None,
    stop: Callable[[], bool] = lambda: False,
    turn_s: float = TURN_S,
) -> Followed:
    """Until the batches end, `stop()` says so, or something breaks: what came in until then is kept and
    examined."""
    waiting: list[Batch] = []
    due = time.monotonic()
    broke: Trouble | KeyboardInterrupt | None = None

    def tell(events: Sequence[Event]) -> None:
        for watcher in watchers:
            watcher.see(examination, events)

    def take() -> None:
        batch = joined(waiting)
        waiting.clear()
        record(batch)
        tell(examination.feed(batch))

    try:
        for batch in batches:
            waiting.append(batch)
            if time.monotonic() >= due:
                take()
                due = time.monotonic() + turn_s  # after the work: what waits meanwhile is taken at once
            if stop():
                break
    except (Trouble, KeyboardInterrupt) as error:
        broke = error
    if waiting:
        take()
    before = len(examination.events)
    result = examination.finish()
    tell(examination.events[before:])
    return Followed(result, broke)


def joined(batches: Sequence[Batch]) -> Batch:
    """Several batches as one."""
    if len(batches) == 1:
        return batches[0]
    names = dict.fromkeys(name for batch in batches for name in batch.edges)
    return Batch(
        batches[-1].until_tick,
        {name: Edges.join([batch.edges[name] for batch in batches if name in batch.edges]) for name in names},
        tuple(blind for batch in batches for blind in batch.blind),
    )
