"""`rig install`: copies the firmware to a board that runs MicroPython, and proves by hash that it is there."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from toothwise.errors import RigTrouble
from toothwise.firmware import FOLDER
from toothwise.link.hello import Hello
from toothwise.link.line import SerialLine
from toothwise.link.rig import HELLO_WAIT_S, Rig

_NOT_ON_BOARD = ("__init__.py", "reasons.py", "capture_replay.py", "drive_replay.py")
_COPY_WAIT_S = 180.0
_BACK_WAIT_S = 15.0
"""After its reset a board's port goes away and comes back."""

_HASHES = """
import os, json
from binascii import hexlify
from hashlib import sha256
found = {}
for name in %r:
    try:
        h = sha256()
        with open(name, 'rb') as f:
            while True:
                part = f.read(512)
                if not part:
                    break
                h.update(part)
        found[name] = hexlify(h.digest()).decode()
    except OSError:
        pass
print(json.dumps(found))
"""


@dataclass(frozen=True, slots=True)
class Installed:
    """A board whose files were proven to be this firmware's, and the hello it then gave."""

    port: str
    files: tuple[str, ...]
    hello: Hello


def board_files() -> list[Path]:
    """The firmware's files for a board; main.py last, so that a board cut short does not start half a firmware."""
    files = [path for path in FOLDER.glob("*.py") if path.name not in _NOT_ON_BOARD]
    return sorted(files, key=lambda path: (path.name == "main.py", path.name))


def install(port: str, progress: Callable[[str], None] | None = None) -> Installed:
    """Copy, verify, restart, and wait for the hello. Raises RigTrouble, which says what to do."""
    say = progress or (lambda words: None)
    files = board_files()
    SerialLine(port).close()  # says in our words if the port is absent or in use
    say(f"copying {len(files)} files")
    _mpremote(port, "fs", "cp", *map(str, files), ":")
    say("comparing hashes")
    names = [path.name for path in files]
    answer = _mpremote(port, "exec", _HASHES % (names,))
    _require_same(port, files, answer)
    say("restarting the board")
    _mpremote(port, "reset")
    return Installed(port, tuple(names), _hello_after_reset(port))


def _require_same(port: str, files: list[Path], answer: str) -> None:
    try:
        found = json.loads(answer.strip().splitlines()[-1])
    except (ValueError, IndexError):
        found = {}
    ours = {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in files}
    wrong = [name for name, digest in ours.items() if found.get(name) != digest]
    if wrong:
        raise RigTrouble(
            f"The copy on {port} is not the firmware: {', '.join(wrong)} differ",
            cause="The board's memory is full or worn, or the cable dropped bytes",
            step=f"Remove other files from the board, then run again: toothwise rig install {port}",
        )


def _hello_after_reset(port: str) -> Hello:
    deadline = time.monotonic() + _BACK_WAIT_S
    while True:
        try:
            with Rig(SerialLine(port), hello_wait_s=HELLO_WAIT_S) as rig:
                return rig.hello
        except RigTrouble as trouble:
            if time.monotonic() > deadline:
                raise RigTrouble(
                    f"The firmware is on the board, but {port} does not speak",
                    cause=trouble.cause or trouble.what,
                    step="Unplug the board, plug it in again, and run: toothwise rig list",
                ) from None
            time.sleep(0.2)


_FAILURES = (
    ("could not enter raw repl", "The board does not show MicroPython's prompt",
     "Put MicroPython 1.23 or later on it first (micropython.org/download), then run this again"),
    ("No module named mpremote", "The program mpremote is not installed",
     "Run: python -m pip install mpremote"),
    ("Errno 28", "The board's memory is full", "Remove other files from the board, then run this again"),
    ("OSError: 28", "The board's memory is full", "Remove other files from the board, then run this again"),
    ("in use by another program", "Another program is using the port", "Close that program, then run this again"),
)  # fmt: skip


def _mpremote(port: str, *words: str) -> str:
    command = [sys.executable, "-m", "mpremote", "connect", f"port:{port}", *words]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=_COPY_WAIT_S, check=False)
    except subprocess.TimeoutExpired:
        raise RigTrouble(
            f"The board on {port} stopped answering",
            cause="It hangs, or the cable is loose",
            step="Unplug it, plug it in again, then run this again",
        ) from None
    if done.returncode == 0:
        return done.stdout
    said = f"{done.stdout}\n{done.stderr}"
    for sign, cause, step in _FAILURES:
        if sign in said:
            raise RigTrouble(f"The firmware could not be put on {port}", cause=cause, step=step)
    last = next((line for line in reversed(said.splitlines()) if line.strip()), "mpremote gave no reason")
    raise RigTrouble(
        f"The firmware could not be put on {port}",
        cause=last.strip(),
        step="Unplug the board, plug it in again, then run this again",
    )
