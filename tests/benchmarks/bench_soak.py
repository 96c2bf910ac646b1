"""A long made running through firmware, pseudo-terminal, link, examination and book: memory and lag over the time.

    python -m tests.benchmarks.bench_soak [--hours 8] [--minutes-at-most 0] [--edges 20000] [--faults 3600] [--plot P]

A 60-2 wheel with both edges of every tooth, as many edges a second as wanted, a tooth left out so often a made hour.
The virtual rig, which is the board's firmware on MicroPython's unix port, hands edges on as fast as the host takes
them: eight made hours take as long as the computer needs, and --minutes-at-most ends it before. A row every twentieth
of that, or every minute: made time, real time, memory of this process and of the firmware, size of the book, and the
lag, which is how much made time has left the maker and is not examined yet. At this pace the lag is the bounded queues
between them, full: it must not grow. What came out is held against what was put in. --plot draws memory, lag and the
book's size over made time into a PNG or SVG (needs matplotlib).
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from toothwise.book import Book
from toothwise.causes.job import Job
from toothwise.edges.signal import Batch, Edges
from toothwise.examine import Examination
from toothwise.examine.explain import measures_for
from toothwise.link import open_rig
from toothwise.wheel import catalogue

TICK_HZ = 62_500_000
WHEEL = catalogue.wheel("60-2")
BATCH_TURNS = 20


class Maker:
    """Batches of whole turns. ticks: how far it has come; left_out: teeth it left out; edges: how many it made."""

    def __init__(self, hours: float, edges_a_second: float, faults_an_hour: float) -> None:
        self.ticks = self.left_out = self.edges = 0
        self.stop = False
        self._turn = round(TICK_HZ * 2 * WHEEL.teeth / edges_a_second)
        self._turns = int(hours * 3600 * TICK_HZ / self._turn)
        self._every = max(1, round(3600 / faults_an_hour * TICK_HZ / self._turn)) if faults_an_hour else 0

    def batches(self) -> Iterator[Batch]:
        places = (np.array(WHEEL.angles_deg)[:, None] + np.array([0.0, 2.7])[None, :]).ravel() / 360
        levels = np.tile(np.array([1, 0], np.uint8), WHEEL.teeth)
        rng = np.random.default_rng(8)
        for first in range(0, self._turns, BATCH_TURNS):
            if self.stop:
                return
            turns = np.arange(first, min(first + BATCH_TURNS, self._turns))
            noise = rng.normal(0, 2e-5, (len(turns), len(places)))
            ticks = np.rint((turns[:, None] + places[None, :] + noise) * self._turn).astype(np.int64) + 1000
            keep = np.ones(ticks.shape, bool)
            for row in np.flatnonzero(turns % self._every == self._every // 2) if self._every else ():
                tooth = 3 + int(turns[row]) // self._every % 50
                keep[row, 2 * tooth : 2 * tooth + 2] = False
                self.left_out += 1
            self.edges += int(keep.sum())
            self.ticks = (int(turns[-1]) + 1) * self._turn
            yield Batch(self.ticks, {"crank": Edges(ticks[keep], np.broadcast_to(levels, ticks.shape)[keep])})


def memory_mb(process: int | str) -> float:
    """Resident memory of a process; 0 where it cannot be told."""
    try:
        pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    except (OSError, IndexError):
        return 0.0
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def firmware_process() -> int:
    """The one child of this process that runs the firmware."""
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            if int(path.read_text().rsplit(")", 1)[1].split()[1]) == os.getpid():
                return int(path.parent.name)
        except (OSError, IndexError):
            continue
    return 0


def plot(rows: list[tuple[float, ...]], title: str, path: Path) -> None:
    """Memory, lag and the book's size over made hours, one above the other."""
    from matplotlib.figure import Figure

    made_h, _, host, board, book, lag, _ = np.array(rows).T
    made_h = made_h / 3600
    figure = Figure(figsize=(7.5, 6.5), layout="constrained")
    panels = figure.subplots(3, 1, sharex=True)
    for axes, lines, unit in (
        (panels[0], {"host": host, "firmware, unix port": board}, "memory, MB"),
        (panels[1], {"made and not examined yet": lag}, "lag, made s"),
        (panels[2], {"book on disk": book}, "book, MB"),
    ):
        for name, values in lines.items():
            axes.plot(made_h, values, label=name, marker=".", markersize=4, linewidth=1.2)
        axes.legend(loc="best", frameon=False, fontsize=9)
        axes.set_ylabel(unit)
        axes.set_ylim(0, 1.25 * max(max(values) for values in lines.values()) or 1)
        axes.set_xlim(0, made_h[-1])
        axes.grid(alpha=0.3, linewidth=0.6)
        axes.spines[["top", "right"]].set_visible(False)
    panels[0].set_title(title, loc="left", fontsize=10)
    panels[-1].set_xlabel("made hours of running")
    figure.savefig(path, dpi=110)


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--hours", type=float, default=8.0, help="made time")
    options.add_argument("--minutes-at-most", type=float, default=0.0, help="real time; 0: until it is done")
    options.add_argument("--edges", type=float, default=20_000.0, help="a second")
    options.add_argument("--faults", type=float, default=3600.0, help="teeth left out in a made hour")
    options.add_argument("--plot", type=Path, metavar="P", help="a PNG or SVG to draw")
    given = options.parse_args()
    maker = Maker(given.hours, given.edges, given.faults)
    wanted_s = given.minutes_at_most * 60 or float("inf")
    rows: list[tuple[float, ...]] = []
    print(f"{given.hours:g} made hours, {given.edges:,.0f} edges/s, load {os.getloadavg()[0]:.1f}")
    print(f"{'made s':>9}{'real s':>8}{'host MB':>9}{'rig MB':>8}{'book MB':>9}{'lag s':>8}{'events':>8}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "book.sqlite"
        with (
            Book.open(path) as book,
            open_rig("virtual", edges=maker.batches(), tick_hz=TICK_HZ, fast=True) as rig,
            book.start_recording(rig.clock, rig.channels, rig.source) as recorder,
        ):
            examination = Examination(rig.clock, rig.channels, WHEEL, source=rig.source, checks=measures_for(Job()))
            board = firmware_process()
            begun = shown = time.monotonic()
            step_s = min(wanted_s / 20, 60.0)
            arrived = 0
            for batch in rig.batches():
                recorder.add(batch)
                examination.feed(batch)
                arrived += len(batch.edges["crank"]) if "crank" in batch.edges else 0
                now = time.monotonic()
                if now - shown >= step_s:
                    shown = now
                    size = sum(file.stat().st_size for file in Path(folder).iterdir()) / 1e6
                    made_s = batch.until_tick / TICK_HZ
                    lag = maker.ticks / TICK_HZ - made_s
                    row = (made_s, now - begun, memory_mb("self"), memory_mb(board), size, lag, len(examination.events))
                    rows.append(row)
                    print("{:9.0f}{:8.0f}{:9.1f}{:8.1f}{:9.1f}{:8.2f}{:8.0f}".format(*row), flush=True)
                if now - begun > wanted_s:
                    maker.stop = True
            took = time.monotonic() - begun
            result = examination.finish()
            recorder.finish()
            kept = sum(len(b.edges["crank"]) for b in book.recording(recorder.id).batches() if "crank" in b.edges)
    made_s = maker.ticks / TICK_HZ
    found = sum(event.count for event in result.events if event.kind == "missing")
    print(f"{made_s:.0f} s of running in {took:.0f} s: {made_s / took:.1f} times as fast as real time")
    print(f"{maker.edges} edges made, {arrived} arrived, {kept} in the book; {result.blind_s:.3f} s blind")
    kinds = dict(Counter(event.kind for event in result.events))
    print(f"{maker.left_out} teeth left out, {found} found missing; events: {kinds}")
    if given.plot is not None and rows:
        speed = f"{made_s / took:.0f} times as fast as real time"
        plot(rows, f"{made_s / 3600:.1f} h at {given.edges:,.0f} edges a second, {speed}", given.plot)
    half = len(rows) // 2
    if half > 2:
        grown = np.polyfit([r[0] / 3600 for r in rows[half:]], [r[2] for r in rows[half:]], 1)[0]
        print(f"memory of the second half: {rows[half][2]:.1f} to {rows[-1][2]:.1f} MB, {grown:+.2f} MB a made hour")
    return int(not (maker.edges == arrived == kept and found == maker.left_out == len(result.events)))


if __name__ == "__main__":
    sys.exit(main())
