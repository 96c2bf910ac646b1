"""Whole commands on a rig that is pulled out, restarted, floods and garbles, and on a computer that stands still.

Whatever happens: the command goes on and ends when it is told to, says no traceback, and in the book every edge that
the rig made is there or lies in a blind stretch.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from toothwise.book import Book
from toothwise.edges.signal import Batch, Blind

from tests.link.ports import LiveRig
from tests.link.replug_campaign import judge

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
HALF_TOOTH = 500
"""Ticks of a microsecond: 24 teeth at 2500 rpm."""


class Command:
    """A command of ours in a process, on a live rig and a book of its own. typed: lines for its standard input."""

    def __init__(self, live: LiveRig, book: Path, *words: str, typed: str = "") -> None:
        self.live, self.book = live, book
        self._process = subprocess.Popen(
            [sys.executable, "-m", "toothwise", *words, "--rig", str(live.port.path), "--book", str(book)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        assert self._process.stdin is not None
        self._process.stdin.write(typed)
        self._process.stdin.flush()
        self.goes_on(0)

    @property
    def shown(self) -> int:
        """How far the book's recording reaches, in ticks; 0 where there is none yet."""
        if not self.book.exists():
            return 0
        with Book.open(self.book) as book:
            recordings = book.recordings()
            return (
                max((batch.until_tick for batch in book.recording(recordings[0].id).batches()), default=0)
                if recordings
                else 0
            )

    def goes_on(self, after: int | None = None) -> None:
        """Wait until the recording reaches half a second further than it does, or than `after`."""
        after = self.shown if after is None else after
        end = time.monotonic() + 60.0
        while self.shown <= after + 500_000:
            assert self._process.poll() is None, self._process.communicate()[0]
            assert time.monotonic() < end, "the recording stands still"
            time.sleep(0.1)

    def signal(self, number: int) -> None:
        os.killpg(self._process.pid, number)

    def end(self) -> str:
        """Ctrl-C, and what it said; the last edges' moments are over by then."""
        self.live.quiet = True
        time.sleep(0.05)
        self.signal(signal.SIGINT)
        return self.ended()

    def ended(self, typed: str = "") -> str:
        """What it said, once it has ended by this key or by itself."""
        said, _ = self._process.communicate(typed, timeout=60)
        assert self._process.returncode in (0, 1, 130), said
        assert "Traceback" not in said, said
        return said

    def kept(self) -> list[Batch]:
        with Book.open(self.book) as book:
            return list(book.recording(book.recordings()[0].id).batches())

    def kill(self) -> None:
        if self._process.poll() is None:
            self.signal(signal.SIGKILL)
            self._process.communicate()


@pytest.fixture
def live(tmp_path: Path) -> Iterator[LiveRig]:
    with LiveRig(tmp_path / "ttyRig") as live:
        live.edges_every(HALF_TOOTH)
        yield live


@pytest.fixture
def run(live: LiveRig, tmp_path: Path) -> Iterator[Callable[..., Command]]:
    begun: list[Command] = []

    def start(*words: str, typed: str = "") -> Command:
        begun.append(Command(live, tmp_path / f"book{len(begun)}.sqlite", *words, typed=typed))
        return begun[-1]

    yield start
    for command in begun:
        command.kill()


def blind_of(batches: list[Batch]) -> list[Blind]:
    return [stretch for batch in batches for stretch in batch.blind]


def nothing_hidden(live: LiveRig, batches: list[Batch]) -> None:
    assert judge(np.array(live.made, np.int64) - live.started_at, batches, "the book") == []


def pulled(live: LiveRig, _: Command) -> None:
    live.pull()
    time.sleep(0.3)
    live.plug()


def garbled(live: LiveRig, _: Command) -> None:
    live.send(lambda rig: bytes(range(256)) * 3 + rig.heartbeat(live.tick())[:20])


def skipped_and_repeated(live: LiveRig, _: Command) -> None:
    live.send(lambda rig: rig.skip() or (frame := rig.heartbeat(live.tick())) + frame + frame)


def stalled(live: LiveRig, _: Command) -> None:
    """Half a frame, a second of nothing, and then the other half."""
    half: list[bytes] = []

    def first(rig: object) -> bytes:
        whole = live.rig.heartbeat(live.tick())
        half.append(whole[20:])
        return whole[:20]

    live.send(first)
    live.quiet = True
    time.sleep(1.0)
    live.send(lambda _: half[0])
    live.quiet = False


def flooded(live: LiveRig, _: Command) -> None:
    """Far more than the line holds, as fast as it goes: true frames, then noise."""
    for _ in range(300):
        live.send(lambda rig: b"".join(rig.heartbeat(live.tick()) for _ in range(20)))
    noise = np.random.default_rng(1).bytes(4096)
    for _ in range(200):
        live.send(lambda _: noise)


def stopped(_: LiveRig, command: Command) -> None:
    """The computer stands still for five seconds."""
    command.signal(signal.SIGSTOP)
    time.sleep(5.0)
    command.signal(signal.SIGCONT)


def begun_anew(live: LiveRig, _: Command) -> None:
    """A reset: some noise, and a rig whose clock and counts start at 0."""
    with live._lock:
        live.restart(boot=live.rig.boot + 1)
        live._write(b"\0\xff" * 40 + live.rig.hello())


FAULTS = (pulled, garbled, skipped_and_repeated, stalled, flooded, stopped)
ON_24 = ("--wheel", "24", "--plain")


@pytest.mark.parametrize("words", [("watch",), ("wiggle", "--mode", "turning", "--mute")], ids=["watch", "wiggle"])
def test_a_hurt_line_costs_blind_time_and_nothing_else(
    live: LiveRig, run: Callable[..., Command], words: tuple[str, ...]
) -> None:
    command = run(*words, *ON_24)
    for fault in FAULTS:
        fault(live, command)
        command.goes_on()
    command.end()
    batches = command.kept()
    nothing_hidden(live, batches)
    assert {stretch.reason for stretch in blind_of(batches)} >= {"link_lost", "frames_lost"}


@pytest.mark.parametrize("words", [("watch",), ("wiggle", "--mode", "turning", "--mute")], ids=["watch", "wiggle"])
def test_a_rig_that_begins_anew_is_blind_until_it_captures_again(
    live: LiveRig, run: Callable[..., Command], words: tuple[str, ...]
) -> None:
    command = run(*words, *ON_24)
    begun_anew(live, command)
    command.goes_on()
    command.end()
    assert "rig_reset" in {stretch.reason for stretch in blind_of(command.kept())}


LIMITS = """name = "a good one"
status = "set"
kind = "hall"
wheel = "24"
timing_edge = "rising"
source = "made for a test"
[sequence]
dwell_rpm = [2500]
flex = false
fault_rate = 0.0001
[measure.missing]
high = 0
unit = "teeth"
source = "made for a test"
[measure.extra]
high = 0
unit = "edges"
source = "made for a test"
"""


def test_no_sensor_on_the_bench_fails_by_a_hurt_line(
    live: LiveRig, run: Callable[..., Command], tmp_path: Path
) -> None:
    """All of it happens while teeth are counted. A tooth too few would be a fail at once; left off before its turns are
    full, a count without one is to be done again."""
    limits = tmp_path / "limits.toml"
    limits.write_text(LIMITS, encoding="utf-8")
    command = run("bench", "run", "L1", "--limits", str(limits), "--sensors", "1", typed="S-1\n\n")
    for fault in (begun_anew, *FAULTS):
        fault(live, command)
        command.goes_on()
    said = command.ended("s")
    assert "S-1: RETEST" in said, said
    blind = blind_of(command.kept())
    assert {stretch.reason for stretch in blind} >= {"link_lost", "frames_lost", "rig_reset"}


def test_a_second_tool_is_sent_away_and_the_first_loses_nothing(
    live: LiveRig, run: Callable[..., Command], tmp_path: Path
) -> None:
    first = run("watch", *ON_24)
    for words in (["watch", "--plain"], ["wiggle", "--plain"]):
        second = subprocess.run(
            [sys.executable, "-m", "toothwise", *words, "--rig", str(live.port.path)],
            env={**os.environ, "TOOTHWISE_BOOK": str(tmp_path / "second.sqlite")},
            stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60,
        )  # fmt: skip
        assert second.returncode == 4 and second.stderr.count("\n") == 1, second.stderr
        assert "Another program" in second.stderr
    first.goes_on()
    first.end()
    batches = first.kept()
    assert blind_of(batches) == []
    nothing_hidden(live, batches)


def test_a_bench_outlives_a_pulled_rig(live: LiveRig, tmp_path: Path) -> None:
    """On a terminal, between two sensors: the screen says that the rig is gone, and no longer once it is back."""
    from toothwise.bench.limits import template

    (tmp_path / "hall.toml").write_text(template("hall"), encoding="utf-8")
    near, far = os.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "toothwise", "bench", "run", "L1", "--limits", "hall.toml", "--rig", str(live.port.path),
         "--book", str(tmp_path / "book.sqlite")],
        stdin=far, stdout=far, stderr=far, cwd=tmp_path, start_new_session=True,
        env={**os.environ, "TERM": "xterm-256color", "COLUMNS": "100", "LINES": "30"},
    )  # fmt: skip
    os.close(far)
    said = b""

    def wait(*words: bytes) -> None:
        """Until one of the words was drawn since the last call."""
        nonlocal said
        end = time.monotonic() + 30.0
        while not any(word in said for word in words):
            assert process.poll() is None and time.monotonic() < end, said[-1500:]
            if select.select([near], [], [], 0.1)[0]:
                said += os.read(near, 65536)
        said = b""

    try:
        wait(b"L1")
        live.pull()
        wait(b"The rig on")
        live.plug()
        end = time.monotonic() + 1.0
        while time.monotonic() < end:
            if select.select([near], [], [], 0.1)[0]:
                said += os.read(near, 65536)
        os.killpg(process.pid, signal.SIGINT)
        while True:
            try:
                said += os.read(near, 65536)
            except OSError:
                break
        assert process.wait(30) in (0, 1, 130), said[-1500:]
        assert b"Traceback" not in said
    finally:
        process.kill()
        process.wait()
        os.close(near)
