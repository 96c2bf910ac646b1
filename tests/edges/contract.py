"""What every recording promises, checked as it is read."""

from __future__ import annotations

from toothwise.edges.signal import Batch, Blind, Edges, Held, Recording


def read_all(recording: Recording) -> Held:
    """Read a recording to its end and hold it, checking the promises of `signal` on the way."""
    parts: dict[str, list[Edges]] = {}
    blind: list[Blind] = []
    until: int | None = None
    for batch in recording.batches():
        check_batch(batch, until)
        until = batch.until_tick
        for name, edges in batch.edges.items():
            parts.setdefault(name, []).append(edges)
        blind += batch.blind
    edges = {name: Edges.join(parts.get(name, [])) for name in recording.channels}
    assert set(parts) <= set(recording.channels)
    for name, found in edges.items():
        assert (found.ticks[1:] >= found.ticks[:-1]).all()
        assert set(found.levels.tolist()) <= {0, 1}
        for stretch in blind:
            if stretch.channel in (None, name):
                inside = (found.ticks >= stretch.start_tick) & (found.ticks < stretch.end_tick)
                assert not inside.any(), (name, stretch)
    return Held(recording.clock, edges, until or 0, tuple(blind), dict(recording.source))


def check_batch(batch: Batch, before: int | None, *, ahead: bool = False) -> None:
    """ahead: a blind stretch may reach beyond what the batch vouches for, as a live one's may."""
    for edges in batch.edges.values():
        assert len(edges) and len(edges.ticks) == len(edges.levels)
        assert edges.ticks[-1] < batch.until_tick
        assert before is None or edges.ticks[0] >= before
    assert before is None or batch.until_tick >= before
    for stretch in batch.blind:
        assert stretch.start_tick < stretch.end_tick
        assert ahead or stretch.end_tick <= batch.until_tick


def alternates(held: Held, name: str) -> bool:
    """True where every two equal levels in a row have a blind stretch between them."""
    edges = held.edges[name]
    for i in range(1, len(edges)):
        if edges.levels[i] == edges.levels[i - 1]:
            low, high = int(edges.ticks[i - 1]), int(edges.ticks[i])
            if not any(b.start_tick <= high and b.end_tick > low for b in held.blind if b.channel in (None, name)):
                return False
    return True
