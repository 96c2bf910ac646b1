"""How soon the rig sounds after an edge while a wheel turns, and what a long soak costs.

    python -m tests.benchmarks.bench_wiggle [--only sound|soak] [--seconds 40] [--hours 0.25] [--batch 0.1]

Sound: the virtual rig (the board's own firmware, in real time) is fed with a 60-2 wheel at 900 rpm that now and then
lacks a tooth, has an extra pulse, or loses its feed. The rig itself stamps the moment its buzzer begins, by the same
clock as the edges: latency is from the end of the fault (an extra pulse's first edge, the absent tooth's due time, the
feed's fall) to that stamp. Soak: a healthy wheel at 3000 rpm with the swing of an engine and jitter, faster than real
time, watched and kept in a book; memory at each tenth of the time, events, and the book's size.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    ROOT = Path(__file__).resolve().parents[2]
    sys.path[:0] = [str(ROOT), str(ROOT / "host")]

from toothwise.book import Book
from toothwise.commands.wiggle_sound import Alarms, Speaker
from toothwise.edges.signal import Batch, Clock, Edges
from toothwise.link import Happening, open_rig
from toothwise.wheel import catalogue
from toothwise.wiggle import Watching

from tests.examine.signals import turning

CLOCK = Clock(16.0)
WHEEL = catalogue.wheel("60-2")
RPM = 3000.0
SWING, WANDER, WANDER_TURNS, JITTER_TICKS = 0.015, 0.03, 700.0, 20.0
"""Invented: share of the speed within a revolution, and from minute to minute; 0.3 µs are 0.006° at 3000 rpm."""
PIECE = 500


def latency(seconds: float) -> None:
    rpm, turns = 900.0, int(seconds * 15)
    kinds = {r: ("missing", "extra", "feed")[i % 3] for i, r in enumerate(range(30, turns - 5, 13))}
    drop = [(r, 20) for r, kind in kinds.items() if kind == "missing"]
    extra = [(r, 20) for r, kind in kinds.items() if kind == "extra"]
    edges, end = turning(WHEEL, rpm, turns, drop=drop, extra=extra)
    turn = 60 / rpm / 16e-9
    lows = [round(1000 + (r + 0.4) * turn) for r, kind in kinds.items() if kind == "feed"]
    feed = Edges(np.array([t for low in lows for t in (low, low + 62_500)], np.int64), np.resize([0, 1], 2 * len(lows)))
    pitch = turn / 60
    due = {"missing": [round(1000 + r * turn + 19 * pitch) for r, _ in drop],
           "extra": [round(1000 + r * turn + 19.6 * pitch) for r, _ in extra], "feed": lows}  # fmt: skip
    names = ("mark", "missing", "extra", "feed", "contact", "open", "short", "ok")
    sounds: list[Happening] = []
    feed = Edges(feed.ticks, feed.levels.astype(np.uint8))
    with open_rig("virtual", edges=[Batch(end, {"crank": edges, "feed": feed})]) as rig:
        watching = Watching(rig.clock, ("crank", "feed"), mode="turning", wheel=WHEEL)
        speaker = Speaker(rig)
        alarms = Alarms(speaker, lambda: None)
        for batch in rig.batches():
            alarms.hear(watching, batch, watching.feed(batch))
            sounds += [n for n in rig.take_notes() if isinstance(n, Happening) and n.kind == "sound"]
        speaker.close()
    print(f"{'sound':<10}{'faults':>8}{'sounded':>9}{'median ms':>11}{'worst ms':>10}")
    for kind, ticks in due.items():
        starts = np.array([s.tick for s in sounds if names[s.level] == kind])
        late = []
        for tick in ticks:
            after = starts[(starts >= tick) & (starts < tick + CLOCK.ticks(0.8))]
            late += [CLOCK.span_s(int(after[0] - tick)) * 1e3] if len(after) else []
        told = f"{statistics.median(late):>11.1f}{max(late):>10.1f}" if late else ""
        print(f"{kind:<10}{len(ticks):>8}{len(late):>9}{told}")


def engine(turn: int, turns: int, rng: np.random.Generator) -> Edges:
    """A 60-2 wheel at RPM from its `turn`th revolution on: the swing of a four-cylinder, a slow wander, jitter."""
    tooth = np.arange(58) / 60
    places = np.sort(np.concatenate([tooth, tooth + 0.5 / 60]))  # in revolutions
    angle = (turn + np.arange(turns)[:, None] + places[None, :]).ravel()
    swing = SWING / (4 * np.pi) * np.sin(4 * np.pi * angle)
    wander = WANDER * WANDER_TURNS / (2 * np.pi) * np.sin(2 * np.pi * angle / WANDER_TURNS)
    ticks = np.rint((angle + swing + wander) * 60 / RPM / 16e-9 + rng.normal(0, JITTER_TICKS, len(angle)))
    levels = np.resize(np.array([1, 0], np.uint8), len(ticks))
    return Edges(np.maximum.accumulate(ticks.astype(np.int64)) + 2000, levels)


def soak(hours: float, batch_s: float) -> None:
    rng = np.random.default_rng(1)
    watching = Watching(CLOCK, ("crank",), mode="turning", wheel=WHEEL)
    step, pieces, edges = CLOCK.ticks(batch_s), round(hours * 3600 * RPM / 60 / PIECE), 0
    memory: list[float] = []
    began, until = time.perf_counter(), 0
    with tempfile.TemporaryDirectory() as folder, Book.open(Path(folder) / "book.sqlite") as book:
        recorder = book.start_recording(CLOCK, ("crank",), {"made": "bench_wiggle"})
        waiting = Edges.none()
        for n in range(pieces):
            waiting = Edges.join([waiting, engine(n * PIECE, PIECE, rng)])
            last = int(waiting.ticks[-1])
            while until + step < last:
                until += step
                cut = int(np.searchsorted(waiting.ticks, until))
                now = Edges(waiting.ticks[:cut], waiting.levels[:cut])
                waiting = Edges(waiting.ticks[cut:], waiting.levels[cut:])
                edges += cut
                batch = Batch(until, {"crank": now} if cut else {})
                recorder.add(batch)
                watching.feed(batch)
            if n % max(pieces // 10, 1) == 0:
                memory.append(_resident_mb())
        recorder.finish()
        watching.finish()
        size = sum(f.stat().st_size for f in Path(folder).iterdir()) / 1e6
    took = time.perf_counter() - began
    turns = watching.examination.tally().revolutions
    print(f"soak of {hours:g} h at {RPM:.0f} rpm, swing {SWING:.1%}, jitter {JITTER_TICKS * 16e-3:.2g} µs")
    print(f"  {edges:,} edges, {turns:,} revolutions in {took:.0f} s ({hours * 3600 / took:.0f} times real time)")
    print(
        f"  {len(watching.events)} events; book {size:.0f} MB, {1e6 * size / edges:.2f} bytes an edge; "
        f"{recorder.dropped_batches} batches too many for it"
    )
    print(f"  resident MB at each tenth: {' '.join(f'{mb:.0f}' for mb in memory)}, at the end {_resident_mb():.0f}")


def _resident_mb() -> float:
    """Now, not at its highest."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6
    except OSError:  # no /proc here: the highest so far
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--seconds", type=float, default=40.0)
    parser.add_argument("--hours", type=float, default=0.25)
    parser.add_argument("--only", choices=("sound", "soak"))
    parser.add_argument("--batch", type=float, default=0.1, help="soak: seconds of signal a batch")
    args = parser.parse_args()
    if args.only != "soak":
        latency(args.seconds)
    if args.only != "sound":
        soak(args.hours, args.batch)


if __name__ == "__main__":
    main()
