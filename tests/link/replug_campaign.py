"""A rig whose cable is pulled, whose bytes are hurt and which goes quiet, at random, while it is watched and recorded.

    python tests/link/replug_campaign.py [--seconds 60] [--seed 1]

Every edge the host shows must be one the rig made; every edge it made and the host does not show must lie in a blind
stretch; ticks never fall; the book holds the same. Prints what was done and ends with 1 if any of this fails.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
from toothwise import link
from toothwise.book import Book
from toothwise.edges.signal import Batch

from tests.link.ports import LiveRig


def trouble_maker(live: LiveRig, chance: random.Random, end: float, done: dict[str, int]) -> None:
    """Hurt the line at random until `end`."""
    while time.monotonic() < end:
        time.sleep(chance.uniform(0.02, 0.5))
        what = chance.choice(["pull", "garbage", "cut frame", "skipped frame", "repeated frame", "quiet"])
        done[what] = done.get(what, 0) + 1
        if what == "pull":
            live.pull()
            time.sleep(chance.uniform(0.0, 0.6))
            live.plug()
        elif what == "garbage":
            live.send(lambda _: chance.randbytes(chance.randint(1, 200)))
        elif what == "cut frame":
            live.send(lambda rig: rig.heartbeat(live.tick())[: chance.randint(1, 40)])
        elif what == "skipped frame":
            live.send(lambda rig: rig.skip() or b"")
        elif what == "repeated frame":
            live.send(lambda rig: (frame := rig.heartbeat(live.tick())) + frame)
        else:
            live.quiet = True
            time.sleep(chance.uniform(0.0, 0.4))
            live.quiet = False


def judge(made: np.ndarray, batches: list[Batch], what: str) -> list[str]:
    """What is wrong with a run, in words."""
    wrong = []
    got = np.concatenate([b.edges["crank"].ticks for b in batches if "crank" in b.edges] or [np.empty(0, np.int64)])
    until = [b.until_tick for b in batches]
    if until != sorted(until) or np.any(np.diff(got) < 0):
        wrong.append(f"{what}: time fell")
    if len(np.setdiff1d(got, made)):
        wrong.append(f"{what}: {len(np.setdiff1d(got, made))} edges were invented")
    lost = np.setdiff1d(made[made < until[-1]], got)
    seen = np.zeros(len(lost), bool)
    for batch in batches:
        for stretch in batch.blind:
            if stretch.channel in (None, "crank"):
                seen |= (lost >= stretch.start_tick) & (lost < stretch.end_tick)
    if not seen.all():
        wrong.append(f"{what}: {int((~seen).sum())} of {len(lost)} lost edges are not blind: {lost[~seen][:5]}")
    return wrong


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--seconds", type=float, default=60.0)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    chance = random.Random(given.seed)
    done: dict[str, int] = {}
    batches: list[Batch] = []
    with tempfile.TemporaryDirectory() as folder, LiveRig(Path(folder) / "ttyRig") as live:
        live.edges_every(500)
        with (
            Book.open(Path(folder) / "book.sqlite") as book,
            link.open_rig(str(live.port.path)) as rig,
            book.start_recording(rig.clock, rig.channels, rig.source) as recorder,
        ):
            end = time.monotonic() + given.seconds
            hurting = threading.Thread(target=trouble_maker, args=(live, chance, end, done))
            hurting.start()
            for batch in rig.batches():
                batches.append(batch)
                recorder.add(batch)
                if not hurting.is_alive() and rig.trouble is None:
                    break
            rig.stop()
            for batch in rig.batches():
                batches.append(batch)
                recorder.add(batch)
            recorder.finish()
            stored = list(book.recording(recorder.id).batches())
            stats = rig.stats
        made = np.array(live.made, np.int64) - live.started_at
    wrong = judge(made, batches, "live") + judge(made, stored, "book")
    shown = sum(len(b.edges["crank"]) for b in batches if "crank" in b.edges)
    print(f"{given.seconds:g} s, seed {given.seed}: {len(made)} edges made, {shown} shown; {done}")
    print(stats)
    print("\n".join(wrong) or "every lost edge is blind, none was invented")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
