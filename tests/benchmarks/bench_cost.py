"""What an edge costs on its way, stage by stage, and beside each stage the floor that no program gets below.

    python -m tests.benchmarks.bench_cost [--edges 1000000] [--runs 5]

CPU seconds a million edges, median and spread. The signal is a 60-2 wheel with both edges of every tooth at some
10,000 rpm, 20,000 edges a second, healthy. What the checks do at a recording's end costs the same for any length: it
has a row of its own. Floors: `numpy.diff` over the same ticks for what judges edges; crc32 of
the same bytes and one copy of them for decoding; those bytes through a bare pseudo-terminal for the capture, which is
the firmware on the unix port, not a board. Show is the live screen as `watch` draws it, every 90 ms of signal. Starting
is the wall clock of a new process. Needs a quiet computer: the load is printed with it.
"""

from __future__ import annotations

import argparse
import io
import os
import pty
import resource
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import tty
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
from toothwise.checks.measures import Measures
from toothwise.edges.files import write_recording
from toothwise.edges.signal import Batch, Clock, Edges, Held
from toothwise.examine import Examination
from toothwise.link import open_rig
from toothwise.show.live import LiveView
from toothwise.show.screen import Look, Screen
from toothwise.track.tracker import Tracker
from toothwise.wheel import catalogue

from tests.benchmarks import bench_book, bench_decode

WHEEL = catalogue.wheel("60-2")
CLOCK = Clock(16.0)
PIECE = 65_536
RPM = 10_345.0
FAST_TICKS = 62_500_000


def cut(edges: Edges) -> list[Edges]:
    return [Edges(edges.ticks[at : at + PIECE], edges.levels[at : at + PIECE]) for at in range(0, len(edges), PIECE)]


class Cost:
    """Rows of the table: CPU seconds a million edges."""

    def __init__(self, runs: int) -> None:
        self._runs = runs

    def row(self, name: str, edges: int, work: Callable[[], float | None], runs: int = 0) -> float:
        """work: does it, and says what it cost where that is not simply this process's CPU. Returns the median."""
        found = []
        for _ in range(runs or self._runs):
            before = time.process_time()
            told = work()
            found.append((time.process_time() - before if told is None else told) / edges * 1e6)
        middle = statistics.median(found)
        print(f"{name:44}{middle:12.4f}{min(found):10.4f}{max(found):10.4f}", flush=True)
        return middle


def through_firmware(edges: Edges) -> tuple[float, float, int]:
    """CPU of the board's process and of this one, and the bytes that came, with the edges as fast as they are taken."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    before = time.process_time()
    with open_rig("virtual", edges=[Batch(int(edges.ticks[-1]) + 1, {"crank": edges})], fast=True) as rig:
        arrived = sum(len(batch.edges.get("crank", ())) for batch in rig.batches())
        size = rig.stats.bytes
    assert arrived == len(edges)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    board = after.ru_utime + after.ru_stime - children.ru_utime - children.ru_stime
    return board, time.process_time() - before, size


def bare_line(size: int) -> float:
    """CPU of both ends of a pseudo-terminal that so many bytes go through, a frame's worth a write."""
    near, far = pty.openpty()
    tty.setraw(far)
    frame = bytes(1000)

    def send() -> None:
        for _ in range(size // len(frame)):
            left = memoryview(frame)
            while left:
                left = left[os.write(far, left) :]

    before = time.process_time()
    sender = threading.Thread(target=send)
    sender.start()
    left = size // len(frame) * len(frame)
    while left:
        left -= len(os.read(near, 4096))
    sender.join()
    spent = time.process_time() - before
    os.close(near)
    os.close(far)
    return spent


def shown(edges: Edges) -> float:
    """CPU of the live screen alone, while an examination goes on in batches of 40 ms as `watch` makes them."""
    stream = io.StringIO()
    look = Look(stream)
    examination = Examination(CLOCK, ("crank",), WHEEL)
    spent, drawn = 0.0, 0
    view = LiveView(Screen(stream, look), look, CLOCK, name="rig", title="60-2", keys="q ends")
    for batch in bench_book.batches(edges, 0.04):
        events = examination.feed(batch)
        before = time.process_time()
        view.add(examination.wheel, examination.crank, examination.latest, events)
        if batch.until_tick - drawn >= CLOCK.ticks(0.09):
            drawn = batch.until_tick
            view.draw(examination.tally())
        spent += time.process_time() - before
    assert stream.tell(), "nothing was drawn"
    return spent


def started(*words: str) -> list[float]:
    """Seconds until a new process of `toothwise` has ended, five times, the first one left out."""
    found = []
    for _ in range(6):
        before = time.perf_counter()
        subprocess.run([sys.executable, "-m", "toothwise", *words], stdout=subprocess.DEVNULL, check=False)
        found.append(time.perf_counter() - before)
    return found[1:]


CARD = """complaint = ["stall"]
codes = ["P0335"]
[vehicle]
cylinders = 4
firing_order = [1, 3, 4, 2]
[sensor]
kind = "hall"
wheel = "60-2"
[reference]
cam_edges_deg = [40.0, 100.0, 250.0, 300.0, 420.0, 500.0]
"""


def with_cam(seconds: float) -> Held:
    """Idle at 800 rpm, crank and a cam of six edges."""
    crank = bench_book.idle(seconds / 60, 800.0)
    turns = len(crank) // (2 * WHEEL.teeth)
    first = np.arange(turns) * 2 * WHEEL.teeth
    places = np.array([40.0, 100.0, 250.0, 300.0, 420.0, 500.0]) / 360.0
    angle = (2 * np.arange((turns - 1) // 2)[:, None] + places).ravel()
    ticks = np.rint(np.interp(angle, np.arange(turns), crank.ticks[first])).astype(np.int64)
    cam = Edges(ticks, np.tile(np.array([1, 0], np.uint8), len(ticks) // 2))
    return Held(CLOCK, {"crank": crank, "cam": cam}, int(crank.ticks[-1]) + 1)


def verdict(name: str, value: float, most: float, unit: str) -> None:
    print(f"{name:44}{value:12.2f} {unit:9}wanted at most {most:g}: {'met' if value <= most else 'NOT MET'}")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--edges", type=int, default=1_000_000)
    options.add_argument("--runs", type=int, default=5)
    given = options.parse_args()
    edges = bench_book.idle(given.edges / 20_000 / 60, RPM, jitter_us=0.1)
    many, pieces = len(edges), cut(edges)
    tracker = Tracker(WHEEL, CLOCK)
    taught = [tracker.feed(piece, int(piece.ticks[-1]) + 1) for piece in pieces]

    def track() -> None:
        tracker = Tracker(WHEEL, CLOCK)
        for piece in pieces:
            tracker.feed(piece, int(piece.ticks[-1]) + 1)

    def check() -> Measures:
        measures = Measures(WHEEL, CLOCK, cam=False)
        for piece, teeth in zip(pieces, taught, strict=True):
            measures.feed_edges("crank", piece)
            measures.feed("crank", teeth)
        return measures

    def conclude() -> float:
        measures = check()
        before = time.process_time()
        measures.finish()
        return time.process_time() - before

    def store() -> float:
        with tempfile.TemporaryDirectory() as folder:
            return bench_book.one_run(Path(folder), stored)[1]

    stored = bench_book.batches(edges)
    load = os.getloadavg()[0]
    print(
        f"{many} edges, {given.runs} runs; load {load:.1f} on {os.cpu_count()} cores" + (": BUSY" if load > 1 else "")
    )
    print(f"{'CPU s a million edges':44}{'median':>12}{'least':>10}{'most':>10}")
    cost = Cost(given.runs)
    _, _, size = through_firmware(edges)
    cost.row("capture: firmware, unix port", many, lambda: through_firmware(edges)[0], runs=2)
    cost.row("capture: host's end, feeding included", many, lambda: through_firmware(edges)[1], runs=2)
    cost.row("  floor: the bytes through a bare pty", many, lambda: bare_line(size))
    data = bench_decode.pieces(bench_decode.traffic(many, 240))
    decode = cost.row("decode: bytes to batches", many, lambda: bench_decode.to_batches(data))
    crc = cost.row("  floor: crc32 and a copy", many, lambda: bench_decode.floor(data))
    tracked = cost.row("track: edges to teeth, healthy", many, track)
    checked = cost.row("checks: all measures, as edges come", many, lambda: check() and None)
    concluded = cost.row("checks: at the end, once a recording", many, conclude)
    diff = cost.row("  floor: numpy.diff", many, lambda: [np.diff(piece.ticks) for piece in pieces] and None, runs=15)
    cost.row("store: packed and committed", many, store, runs=3)
    whole = b"".join(data)
    cost.row("  floor: zlib, level 1, of the frames", many, lambda: zlib.compress(whole, 1) and None, runs=3)
    cost.row("show: the live screen", many, lambda: shown(edges), runs=3)
    print()
    verdict("track over numpy.diff", tracked / diff, 60, "times")
    verdict("track and checks over numpy.diff", (tracked + checked + concluded) / diff, 60, "times")
    verdict("  the same without the end", (tracked + checked) / diff, 60, "times")
    verdict("decode over crc32 and a copy", decode / crc, 3, "times")
    verdict("toothwise --help", 1e3 * statistics.median(started("--help")), 150, "ms")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "small.csv"
        small = Edges(edges.ticks[:4640], edges.levels[:4640])
        write_recording(path, Held(CLOCK, {"crank": small}, int(small.ticks[-1]) + 1))
        verdict("examine, 40 turns", statistics.median(started("examine", str(path), "--wheel", "60-2")), 1, "s")
        path = Path(folder) / "long.csv"
        write_recording(path, with_cam(300.0))
        card = Path(folder) / "job.toml"
        card.write_text(CARD)
        took = started("examine", str(path), "--wheel", "60-2", "--job", str(card), "--json")
        verdict("examine, 5 minutes, cam, causes", statistics.median(took), 3, "s")


if __name__ == "__main__":
    main()
