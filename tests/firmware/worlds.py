"""One body of rig tests, several worlds: the firmware on the unix port behind a pseudo-terminal, or a real board.

A world has `send(text)`, `frames(seconds)`, `wait(condition, seconds)` and `close()`. Everything a rig sent is kept in
`seen`, decoded by the shipped decoder.
"""

from __future__ import annotations

import os
import pty
import select
import shutil
import subprocess
import sys
import time
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Any

from toothwise.firmware import FOLDER, wire

Frame = tuple[int, int, int, bytes]


def micropython() -> str | None:
    """The unix port's interpreter: beside this Python, or on the path."""
    beside = Path(sys.executable).parent / "micropython"
    return str(beside) if beside.is_file() else shutil.which("micropython")


class World:
    """What both kinds share: sending lines, collecting frames."""

    def __init__(self) -> None:
        self.decoder = wire.Decoder()
        self.seen: list[Frame] = []
        self._behind: list[Frame] = []  # came in one piece with the frame last waited for, and behind it

    def write(self, data: bytes) -> None:
        raise NotImplementedError

    def read(self, timeout_s: float) -> bytes:
        """What has come within a moment; b"" if nothing."""
        raise NotImplementedError

    def close(self) -> None:
        raise NotImplementedError

    def send(self, line: str) -> None:
        self.write(line.encode() + b"\n")

    def collect(self, seconds: float) -> list[Frame]:
        """Frames of the next so many seconds."""
        self._behind = []
        first = len(self.seen)
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            self.seen += self.decoder.feed(self.read(min(left, 0.05)))
        return self.seen[first:]

    def wait(self, condition: Callable[[Frame], bool], seconds: float = 20.0) -> Frame:
        """The first frame from now on, or behind the one last waited for, that meets the condition.

        AssertionError when none came in time.
        """
        end = time.monotonic() + seconds
        new = self._behind
        while time.monotonic() < end:
            for at, frame in enumerate(new):
                if condition(frame):
                    self._behind = new[at + 1 :]
                    return frame
            new = self.decoder.feed(self.read(0.05))
            self.seen += new
        kinds = [f[1] for f in self.seen[-10:]]
        raise AssertionError(f"no such frame within {seconds} s; the last ones were of types {kinds}")

    def ask(self, line: str, seconds: float = 20.0) -> str:
        """Send a command and return its answer's text without the command's name."""
        name = line.split()[0]
        self.send(line)
        frame = self.wait(lambda f: f[1] == wire.ANSWER and f[3].decode().split()[0] == name, seconds)
        return frame[3].decode().split(" ", 1)[1]

    def hello(self) -> dict[str, Any]:
        self.send("hello")
        return wire.read_hello(self.wait(lambda f: f[1] == wire.HELLO)[3])

    def of(self, kind: int, frames: list[Frame] | None = None) -> list[bytes]:
        """Payloads of one type among all frames seen."""
        return [f[3] for f in (self.seen if frames is None else frames) if f[1] == kind]

    def edges(self, channel: int, frames: list[Frame] | None = None) -> list[tuple[int, int]]:
        """(wide tick, level) of every edge of a channel, widened the plain way."""
        found = []
        for payload in self.of(wire.EDGES, frames):
            number, flags, base, phase, _, words = wire.read_edges(payload)
            if number == channel:
                for at in range(0, len(words), 4):
                    word = int.from_bytes(words[at : at + 4], "little")
                    found.append((wire.widen(word, flags, base, phase), word & 1))
        return found

    def blinds(self, channel: int | None = None) -> list[tuple[int, int, int, int, int]]:
        rows = [wire.read_blind(p) for p in self.of(wire.BLIND)]
        return [row for row in rows if channel is None or row[0] == channel]


class UnixPort(World):
    """The firmware's own main.py on MicroPython's unix port, behind a real pseudo-terminal."""

    def __init__(self, stream: Path, *options: str, heap: str = "4m") -> None:
        super().__init__()
        interpreter = micropython()
        assert interpreter is not None
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(slave, False)
        command = [interpreter, "-X", f"heapsize={heap}", str(FOLDER / "main.py"), "--stream", str(stream), *options]
        self.process = subprocess.Popen(
            command, stdin=slave, stdout=slave, stderr=subprocess.PIPE, start_new_session=True
        )
        os.close(slave)

    def write(self, data: bytes) -> None:
        os.write(self.master, data)

    def read(self, timeout_s: float) -> bytes:
        if not select.select([self.master], [], [], timeout_s)[0]:
            return b""
        try:
            return os.read(self.master, 65536)
        except OSError:  # the rig has ended
            return b""

    def close(self) -> None:
        os.close(self.master)
        try:
            _, said = self.process.communicate(timeout=10)
        except subprocess.TimeoutExpired:
            self.process.kill()
            _, said = self.process.communicate()
            raise AssertionError("the rig did not end when its line was closed") from None
        assert said == b"", said.decode()
        assert self.process.returncode == 0


class Board(World):
    """A real board on a serial port, its jumpers declared in a file of tests/firmware/boards/."""

    def __init__(self, port: str) -> None:
        super().__init__()
        import serial

        self.port = serial.Serial(port, 115200, timeout=0, exclusive=True)

    def write(self, data: bytes) -> None:
        self.port.write(data)

    def read(self, timeout_s: float) -> bytes:
        self.port.timeout = timeout_s
        return bytes(self.port.read(max(1, self.port.in_waiting)))

    def close(self) -> None:
        self.port.write(b"stop\n")
        self.port.close()
