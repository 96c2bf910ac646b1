"""Decoding against its floor: CRC-32 of the same bytes plus one copy of them.

    python -m tests.benchmarks.bench_decode [--edges 2000000] [--runs 9]

Two kinds of traffic: full edges frames (240 edges, as at 100,000 edges a second) and sparse ones (a few
edges, as at idle). For each: bytes to frames (and the same by `wire.Decoder`), bytes to batches
(`Assembler`), and the floor, which knows nothing of frames: crc32 over the whole, and a copy.
"""

from __future__ import annotations

import argparse
import statistics
import time
import zlib
from collections.abc import Callable

from toothwise.link.assemble import Assembler
from toothwise.link.decode import Decoder
from toothwise.link.frames import wire

from tests.link.fakerig import FakeRig

READ = 4096
"""Bytes a read of a pseudo-terminal gives at most."""


def traffic(edges: int, per_frame: int) -> bytes:
    """A session's bytes: edges frames, a heartbeat after every so many as 50 ms hold."""
    rig = FakeRig(tick_hz=62_500_000)
    parts = [rig.hello(), rig.started(0)]
    pitch = 625
    every = max(1, 5000 // per_frame) if per_frame >= 100 else 5
    tick = 0
    for n in range(edges // per_frame):
        parts.append(rig.edges(range(tick + 1, tick + 1 + pitch * per_frame, pitch), first_level=n * per_frame % 2))
        tick += pitch * per_frame
        if n % every == every - 1:
            parts.append(rig.heartbeat(tick))
    return b"".join([*parts, rig.heartbeat(tick)])


def pieces(data: bytes) -> list[bytes]:
    return [data[at : at + READ] for at in range(0, len(data), READ)]


def floor(parts: list[bytes]) -> None:
    for part in parts:
        zlib.crc32(part)
        bytes(bytearray(part))


def to_frames(parts: list[bytes]) -> None:
    decoder = Decoder()
    for part in parts:
        decoder.feed(part)


def to_frames_plainly(parts: list[bytes]) -> None:
    decoder = wire.Decoder()
    for part in parts:
        decoder.feed(part)


def to_batches(parts: list[bytes]) -> None:
    assembler = Assembler()
    assembler.may_begin = True
    for part in parts:
        assembler.feed(part, 0.0)
        assembler.take()


def timed(work: Callable[[list[bytes]], None], parts: list[bytes], runs: int) -> list[float]:
    out = []
    for _ in range(runs):
        start = time.process_time()
        work(parts)
        out.append(time.process_time() - start)
    return out


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--edges", type=int, default=2_000_000)
    options.add_argument("--runs", type=int, default=9)
    given = options.parse_args()
    for per_frame in (240, 8):
        edges = given.edges if per_frame == 240 else given.edges // 10
        data = traffic(edges, per_frame)
        parts = pieces(data)
        print(f"{edges} edges, {per_frame} a frame, {len(data) / 1e6:.1f} MB, {given.runs} runs")
        print(f"{'':24}{'ms median':>12}{'least':>10}{'most':>10}{'CPU s/1e6 edges':>18}{'x floor':>10}")
        base = 0.0
        for name, work in (
            ("crc32 and a copy", floor),
            ("to frames", to_frames),
            ("the same, plain form", to_frames_plainly),
            ("to batches", to_batches),
        ):
            took = timed(work, parts, given.runs)
            middle = statistics.median(took)
            base = base or middle
            print(
                f"{name:24}{1e3 * middle:12.2f}{1e3 * min(took):10.2f}{1e3 * max(took):10.2f}"
                f"{middle / edges * 1e6:18.4f}{middle / base:10.1f}"
            )


if __name__ == "__main__":
    main()
