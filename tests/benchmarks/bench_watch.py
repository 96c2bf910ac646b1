"""What `watch` costs at 20,000 edges a second, and how long an edge takes to the screen.

    python -m tests.benchmarks.bench_watch [--seconds 20] [--runs 3] [--edges 20000]

`watch` runs in a process of its own on a pseudo-terminal of 80 by 24, on the virtual rig: the board's firmware in
another process, paced in real time, sending the frames it would send over USB. The wheel is a 60-2 with an extra
pulse every third of a second or so. CPU is that of the `watch` process with all its threads (reading the port,
decoding, tracking, the book, the screen), from the first batch to the last, as a share of one core; handing the
made edges to the virtual rig is in it too, as ready bytes. Latency is from the moment a pulse's first edge was due
at the pin to the moment its line of text came out of the terminal. The pin's clock is taken to start when the host
wrote `start`, which is before the rig can have read it: the latency shown is if anything too long.
"""

from __future__ import annotations

import argparse
import json
import os
import pty
import re
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

TICK_NS = 16.0
TEETH, SLOTS = 58, 60


def signal(seconds: float, edges_a_second: float) -> tuple[np.ndarray, np.ndarray, list[float]]:
    """Ticks and levels of a 60-2 wheel with extra pulses, and when the pulses were."""
    turn_s = 2 * TEETH / edges_a_second
    turns = int(seconds / turn_s)
    rising = (np.arange(turns)[:, None] + np.arange(TEETH)[None, :] / SLOTS).ravel()
    times = np.sort(np.concatenate([rising, rising + 0.4 / SLOTS])) * turn_s
    levels = np.resize(np.array([1, 0], np.uint8), len(times))
    rng = np.random.default_rng(7)
    at = rising[np.cumsum(rng.integers(2500, 4200, int(seconds * 4)))[: int(seconds * 2)] % len(rising)]
    pulses = np.unique(at) * turn_s + 0.7 / SLOTS * turn_s
    width_s = 0.05 / SLOTS * turn_s
    all_times = np.concatenate([times, pulses, pulses + width_s])
    all_levels = np.concatenate([levels, np.ones(len(pulses), np.uint8), np.zeros(len(pulses), np.uint8)])
    order = np.argsort(all_times, kind="stable")
    ticks = np.round(all_times[order] / (TICK_NS * 1e-9)).astype(np.int64) + 1000
    return ticks, all_levels[order], (pulses + 1000 * TICK_NS * 1e-9).tolist()


def child(seconds: float, edges_a_second: float, out: str, arguments: list[str]) -> None:
    """`watch` itself, on a virtual rig that is given the signal; writes what it cost to a file."""
    from toothwise import link
    from toothwise.cli import main
    from toothwise.edges.signal import Batch, Edges
    from toothwise.link import virtual
    from toothwise.link.line import StreamLine

    ticks, levels, _ = signal(seconds, edges_a_second)
    batch = Batch(int(ticks[-1]) + 1, {"crank": Edges(ticks, levels)})
    ready = list(virtual.stream([batch], 62_500_000))
    virtual.stream = lambda *_: iter(ready)
    told = {"start": 0.0, "cpu": 0.0, "wall": 0.0}
    plain_write = StreamLine.write

    def write(self: StreamLine, data: bytes) -> None:
        if data == b"start\n":
            told["start"] = time.monotonic()
        plain_write(self, data)

    StreamLine.write = write
    open_rig = link.open_rig

    def opened(*_: object, **__: object) -> link.Rig:
        rig = open_rig("virtual", edges=[batch])
        batches = rig.batches

        def counted() -> Iterator[Batch]:
            cpu, wall = time.process_time(), time.monotonic()
            for one in batches():
                yield one
                told["cpu"], told["wall"] = time.process_time() - cpu, time.monotonic() - wall

        rig.batches = counted
        return rig

    link.open_rig = opened
    code = main(["watch", "--rig", "virtual", "--wheel", "60-2", *arguments])
    Path(out).write_text(json.dumps({**told, "code": code}))


def one_run(seconds: float, edges_a_second: float, arguments: list[str]) -> tuple[float, list[float], int]:
    """CPU share, latencies in ms, pulses that never came to the screen."""
    import fcntl
    import termios

    _, _, pulses = signal(seconds, edges_a_second)
    with tempfile.TemporaryDirectory() as folder:
        out = str(Path(folder) / "told.json")
        near, far = pty.openpty()
        fcntl.ioctl(far, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        environment = {**os.environ, "TERM": "xterm-256color", "TOOTHWISE_BOOK": str(Path(folder) / "b.sqlite")}
        command = [sys.executable, __file__, "--child", out, "--seconds", str(seconds), "--edges"]
        command += [str(edges_a_second), "--", *arguments]
        process = subprocess.Popen(command, stdin=far, stdout=far, stderr=far, env=environment)
        os.close(far)
        seen: dict[str, float] = {}
        text = ""
        while True:
            try:
                piece = os.read(near, 65536)
            except OSError:
                break
            now = time.monotonic()
            text = (text + piece.decode(errors="replace"))[-8192:]
            if "\x1b[?1049l" in text:  # the summary that follows lists everything once more
                break
            for match in re.finditer(r"(\d+\.\d{3}) s  revolution", text):
                seen.setdefault(match[1], now)
        while True:
            try:
                if not os.read(near, 65536):
                    break
            except OSError:
                break
        process.wait()
        told = json.loads(Path(out).read_text())
    latencies = [
        1e3 * (seen[name] - told["start"] - pulse)
        for pulse in pulses
        if (name := next((n for n in (f"{pulse:.3f}", f"{pulse - 5e-4:.3f}", f"{pulse + 5e-4:.3f}") if n in seen), ""))
    ]
    return told["cpu"] / told["wall"], latencies, len(pulses) - len(latencies)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--edges", type=float, default=20_000.0, help="a second, on one channel")
    parser.add_argument("--child", help=argparse.SUPPRESS)
    parser.add_argument("arguments", nargs="*", help="further arguments for watch, after --")
    args = parser.parse_args()
    if args.child:
        child(args.seconds, args.edges, args.child, args.arguments)
        return
    shares, late, lost = [], [], 0
    for _ in range(args.runs):
        share, latencies, unseen = one_run(args.seconds, args.edges, args.arguments)
        shares.append(100 * share)
        late += latencies
        lost += unseen
    late.sort()
    print(f"watch, virtual rig, 60-2, {args.edges:,.0f} edges/s, {args.runs} runs of {args.seconds:g} s")
    print(f"  CPU of one core   median {statistics.median(shares):5.1f} %, {min(shares):.1f} to {max(shares):.1f} %")
    print(
        f"  edge to screen    p50 {statistics.median(late):6.0f} ms   p99 {late[int(0.99 * (len(late) - 1))]:.0f} ms   "
        f"longest {late[-1]:.0f} ms   of {len(late)} pulses, {lost} not seen on the screen"
    )


if __name__ == "__main__":
    main()
