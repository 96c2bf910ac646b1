"""The capture's end of the page: hands the news to the server's process, and takes from it what was pressed.

    with Page(todays_keys(), port=8730, lan="192.168.4.1") as page:
        page.tell({"now": {...}})       # returns at once, whatever the viewers do
        page.pressed()                  # ["mark"]

Nothing here waits for the other process: news that it does not take becomes newer news (shown.py).
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import secrets
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any

from toothwise.errors import FileTrouble
from toothwise.page.address import LOOPBACK, PORT, Keys
from toothwise.page.shown import Shown

START_S = 20.0
STILL_ALIVE_S = 0.5
"""The server is told so often how old its news is, when there is no other."""
CLOSE_S = 4.0
MOST_STARTS, AGAIN_S = 5, 1.0
"""A server that died is started again so often at most, so soon after."""


_SERVE = "import sys; sys.path.append(sys.argv[1]); from toothwise.page.server import main; main()"


class Page:
    """One command's page. Raises FileTrouble where it cannot be served."""

    def __init__(self, keys: Keys, *, port: int = PORT, lan: str = "", exact: bool = False) -> None:
        self._keys = keys
        self._settings = {"hand": keys.hand, "run": secrets.token_hex(4), "port": port, "lan": lan, "exact": exact}
        self._shown = Shown()
        self._wake = threading.Condition()
        self._closing = False
        self._told_s = time.monotonic()
        self._pressed: deque[str] = deque(maxlen=16)
        self._viewers = 0
        self._starts = 0
        self._process = self._start()
        self.port = self._ready()
        self._settings |= {"port": self.port, "exact": True}
        host = lan or LOOPBACK
        self.address = f"http://{host}:{self.port}/{keys.hand}/"
        self.look_only = f"http://{host}:{self.port}/{keys.look}/"
        self._writer = threading.Thread(target=self._write, name="page", daemon=True)
        self._writer.start()

    @property
    def viewers(self) -> int:
        """Screens that look on now."""
        return self._viewers

    @property
    def gone(self) -> bool:
        """Whether the server died and could not be started again. The capture goes on without it."""
        return self._starts > MOST_STARTS

    @property
    def process_id(self) -> int:
        return self._process.pid

    def tell(self, news: Mapping[str, Any]) -> None:
        """The parts that are new, as Shown.take has them; plain types only."""
        with self._wake:
            self._shown.take(news)
            self._told_s = time.monotonic()
            self._wake.notify()

    def pressed(self) -> list[str]:
        """The buttons pressed since the last call."""
        out = []
        while self._pressed:
            out.append(self._pressed.popleft())
        return out

    def close(self) -> None:
        """Tell the viewers that it is over."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        self._writer.join(CLOSE_S)
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(CLOSE_S)
        self._end()

    def __enter__(self) -> Page:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # the other process

    def _start(self) -> subprocess.Popen[str]:
        self._starts += 1
        # Ctrl-C in the terminal goes to the whole group; the server ends when its input does.
        apart: dict[str, Any] = (
            {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}  # type: ignore[attr-defined,unused-ignore]
            if os.name == "nt"
            else {"start_new_session": True}
        )
        process = subprocess.Popen(
            # Not by `-m`: this very package, also where it was started from a folder that is on no path.
            [sys.executable, "-P", "-c", _SERVE, str(Path(__file__).resolve().parents[2])],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            encoding="utf-8",
            **apart,
        )
        self._heard: queue.Queue[dict[str, Any]] = queue.Queue(maxsize=1)
        threading.Thread(target=self._read, args=(process, self._heard), name="page answers", daemon=True).start()
        assert process.stdin is not None
        with contextlib.suppress(OSError):  # by the pipe: a command line can be read by everyone on this machine
            process.stdin.write(json.dumps(self._settings) + "\n")
            process.stdin.flush()
        return process

    def _ready(self) -> int:
        try:
            told = self._heard.get(timeout=START_S)
        except queue.Empty:
            told = {"failed": "its process did not start"}
        if "ready" in told:
            return int(told["ready"])
        self._end()
        raise FileTrouble(
            f"The page cannot be served from port {self._settings['port']}",
            cause=str(told["failed"]),
            step="Name another port: --page 8800",
        )

    def _read(self, process: subprocess.Popen[str], first: queue.Queue[dict[str, Any]]) -> None:
        assert process.stdout is not None
        with process.stdout as lines:
            for line in lines:
                told = json.loads(line)
                if "press" in told:
                    self._pressed.append(told["press"])
                elif "viewers" in told:
                    self._viewers = told["viewers"]
                else:
                    first.put(told)
        if first.empty():
            first.put({"failed": "its process ended at once"})
        self._viewers = 0

    def _write(self) -> None:
        cursor = 0
        while True:
            with self._wake:
                if not self._closing and self._shown.serial == cursor:
                    self._wake.wait(STILL_ALIVE_S)
                news, cursor, closing = self._shown.since(cursor), self._shown.serial, self._closing
                news["age"] = time.monotonic() - self._told_s
            try:
                assert self._process.stdin is not None
                self._process.stdin.write(json.dumps(news) + "\n")
                self._process.stdin.flush()
                if closing:
                    self._process.stdin.close()
                    return
            except (OSError, ValueError):
                if closing or not self._again():
                    return
                cursor = 0

    def _end(self) -> None:
        self._process.kill()
        self._process.wait()
        assert self._process.stdin is not None
        with contextlib.suppress(OSError):  # what it did not take any more
            self._process.stdin.close()

    def _again(self) -> bool:
        """Another server on the same port with the same address, for viewers that try to come back."""
        self._end()
        if self._starts > MOST_STARTS:
            return False
        time.sleep(AGAIN_S)
        self._process = self._start()
        return True
