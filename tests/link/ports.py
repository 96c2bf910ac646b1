"""A serial port that can be plugged in, pulled and plugged in again: a pseudo-terminal behind a fixed name."""

from __future__ import annotations

import os
import pty
import threading
import time
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from tests.link.fakerig import TICK_HZ, FakeRig


class PtyPort:
    """`path` names it, whichever pseudo-terminal is behind it at the moment."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.near = -1

    def plug(self) -> None:
        self.near, far = pty.openpty()
        tty.setraw(far)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(far))
        os.close(far)

    def pull(self) -> None:
        near, self.near = self.near, -1
        os.close(near)
        self.path.unlink()


class LiveRig:
    """A FakeRig on a PtyPort, in real time: answers hello and start, sends heartbeats, and edges if asked to."""

    def __init__(self, path: Path, boot: int = 7) -> None:
        self.port = PtyPort(path)
        self.rig = FakeRig(boot)
        self.written = b""  # all that the host wrote
        self.quiet = False
        self.refuses = ""
        self._edge_ticks = 0
        self._last_edge = 0
        self.made: list[int] = []  # all edges' ticks, sent or not
        self.started_at = 0
        self._start_s = time.monotonic()
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> LiveRig:
        self.port.plug()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        if self.port.near >= 0:
            self.port.pull()

    def tick(self) -> int:
        return int((time.monotonic() - self._start_s) * TICK_HZ)

    def edges_every(self, ticks: int) -> None:
        self._edge_ticks = ticks

    def pull(self) -> None:
        with self._lock:
            self.port.pull()

    def plug(self, boot: int | None = None) -> None:
        """The same board, still running; or, with another boot number, one that began anew."""
        with self._lock:
            if boot is not None:
                self.restart(boot)
            self.port.plug()

    def restart(self, boot: int) -> None:
        self.rig = FakeRig(boot)
        self._start_s = time.monotonic()

    def send(self, make: Callable[[FakeRig], bytes]) -> None:
        with self._lock:
            self._write(make(self.rig))

    def _write(self, data: bytes) -> None:
        if self.port.near >= 0:
            with suppress(OSError):  # nobody has it open
                os.write(self.port.near, data)

    def _run(self) -> None:
        while not self._stop.wait(0.01):
            with self._lock:
                self._listen()
                if self.quiet:
                    continue
                now = self.tick()
                if self.rig.capturing and self._edge_ticks:
                    if self._last_edge > now:
                        self._last_edge = now - now % self._edge_ticks
                    due = list(range(self._last_edge + self._edge_ticks, now, self._edge_ticks))
                    for ticks in (due[at : at + 50] for at in range(0, len(due), 50)):
                        self._last_edge = ticks[-1]
                        self._write(self.rig.edges(ticks, first_level=1 - len(self.made) % 2, base=ticks[0]))
                        self.made += ticks
                self._write(self.rig.heartbeat(now))

    def _listen(self) -> None:
        if self.port.near < 0:
            return
        os.set_blocking(self.port.near, False)
        try:
            data = os.read(self.port.near, 4096)
        except OSError:  # nothing there, or nobody has it open
            return
        self.written += data
        for line in data.decode().split():
            if line == "hello" and not self.quiet:
                self._write(self.rig.hello())
            elif line == "start":
                if self.refuses:
                    self._write(self.rig.answer(f"start error {self.refuses}"))
                    continue
                self._last_edge = self.tick()
                self.started_at = self._last_edge
                self._write(self.rig.started(self._last_edge))
            elif line == "stop":
                self._write(self.rig.answer("stop ok"))
