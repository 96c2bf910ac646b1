"""How soon the rig sounds after an edge while a wheel turns, and what a long soak costs.

    python -m tests.benchmarks.bench_wiggle [--seconds 40] [--hours 0.25]

Sound: the virtual rig (the board's own firmware, in real time) is fed with a 60-2 wheel at 900 rpm that now and then
lacks a tooth, has an extra pulse, or loses its feed. The rig itself stamps the moment its buzzer begins, by the same
clock as the edges: latency is from the end of the fault (an extra pulse's first edge, the absent tooth's due time, the
feed's fall) to that stamp. Soak: a healthy wheel at 3000 rpm, faster than real time, fed in batches of 0.1 s; memory
after a tenth of the time and at its end.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import sys
import time
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    ROOT = Path(__file__).resolve().parents[2]
    sys.path[:0] = [str(ROOT), str(ROOT / "host")]

from toothwise.commands.wiggle_sound import Alarms, Speaker
from toothwise.edges.signal import Batch, Clock, Edges
from toothwise.link import Happening, open_rig
from toothwise.wheel import catalogue
from toothwise.wiggle import Watching

from tests.examine.signals import turning

CLOCK = Clock(16.0)
WHEEL = catalogue.wheel("60-2")


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


def soak(hours: float) -> None:
    rpm, piece = 3000.0, 500
    edges, _ = turning(WHEEL, rpm, piece, start_tick=2000)
    turn = round(60 / rpm / 16e-9)
    rng = np.random.default_rng(1)
    watching = Watching(CLOCK, ("crank",), mode="turning", wheel=WHEEL)
    step = CLOCK.ticks(0.1)
    pieces = int(hours * 3600 * rpm / 60 / piece)
    early = 0
    began = time.perf_counter()
    for n in range(pieces):
        base = n * piece * turn
        ticks = edges.ticks + base + np.rint(rng.normal(0, 40, len(edges))).astype(np.int64)
        ticks = np.maximum.accumulate(ticks)
        for begin in range(0, piece * turn, step):
            part = slice(*np.searchsorted(ticks, (base + begin, base + begin + step)))
            until = base + min(begin + step, piece * turn) - 500
            watching.feed(Batch(until, {"crank": Edges(ticks[part], edges.levels[part])}))
        if n == pieces // 10:
            early = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    watching.finish()
    late = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    took = time.perf_counter() - began
    turns = watching.examination.tally().revolutions
    print(f"soak of {hours:g} h at {rpm:.0f} rpm: {turns:,} revolutions in {took:.0f} s"
          f" ({hours * 3600 / took:.0f} times real time), {len(watching.events)} events,"
          f" memory {early / 1024:.1f} MB after a tenth, {late / 1024:.1f} MB at the end")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--seconds", type=float, default=40.0)
    parser.add_argument("--hours", type=float, default=0.25)
    args = parser.parse_args()
    latency(args.seconds)
    soak(args.hours)


if __name__ == "__main__":
    main()
