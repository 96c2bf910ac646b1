"""Several streams of batches, each in order of time, as one."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from toothwise.edges.signal import Batch, Blind, Edges


class _Stream:
    def __init__(self, batches: Iterator[Batch]) -> None:
        self.batches = batches
        self.until = -(2**62)
        self.done = False
        self.edges: dict[str, list[Edges]] = {}
        self.blind: list[Blind] = []

    def advance(self) -> None:
        batch = next(self.batches, None)
        if batch is None:
            self.done = True
            return
        self.until = batch.until_tick
        for name, part in batch.edges.items():
            self.edges.setdefault(name, []).append(part)
        self.blind += batch.blind

    def take(self, until: int) -> tuple[dict[str, Edges], list[Blind]]:
        """What lies before `until`."""
        taken: dict[str, Edges] = {}
        for name, parts in self.edges.items():
            joined = Edges.join(parts)
            cut = int(np.searchsorted(joined.ticks, until))
            if cut:
                taken[name] = Edges(joined.ticks[:cut], joined.levels[:cut])
            self.edges[name] = [Edges(joined.ticks[cut:], joined.levels[cut:])] if cut < len(joined) else []
        blind, self.blind = split_at(self.blind, until)
        return taken, blind


def split_at(blind: list[Blind], until: int) -> tuple[list[Blind], list[Blind]]:
    """The stretches before a tick and those from it on; one across it is in both, in two parts."""
    before = [Blind(b.start_tick, min(b.end_tick, until), b.reason, b.channel) for b in blind if b.start_tick < until]
    after = [Blind(max(b.start_tick, until), b.end_tick, b.reason, b.channel) for b in blind if b.end_tick > until]
    return before, after


def merge(sources: list[Iterator[Batch]]) -> Iterator[Batch]:
    """One stream of batches; memory holds what the others have brought beyond the slowest.

    A stream that has ended has nothing more to say: silence to the end of the others.
    """
    if len(sources) == 1:
        yield from sources[0]
        return
    streams = [_Stream(source) for source in sources]
    told = -(2**62)
    while running := [s for s in streams if not s.done]:
        min(running, key=lambda s: s.until).advance()
        running = [s for s in streams if not s.done]
        until = min(s.until for s in running) if running else max(s.until for s in streams)
        if until <= told:
            continue
        told = until
        edges: dict[str, Edges] = {}
        blind: list[Blind] = []
        for stream in streams:
            part, stretches = stream.take(until)
            edges.update(part)
            blind += stretches
        blind.sort(key=lambda b: b.start_tick)
        yield Batch(until, edges, tuple(blind))
