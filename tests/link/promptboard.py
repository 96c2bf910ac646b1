"""A board with MicroPython's prompt behind a pseudo-terminal: the raw mode that mpremote drives, code run by
the real interpreter (unix port) in a folder that stands for the board's memory. After a reset it plays a rig.
"""

from __future__ import annotations

import contextlib
import os
import select
import struct
import subprocess
import threading
from pathlib import Path

from toothwise.link.frames import wire
from toothwise.link.virtual import interpreter

from tests.link.fakerig import FakeRig
from tests.link.ports import PtyPort

# Runs pieces of code in one namespace: length, code in; output, 0x04, traceback, 0x04 out, as raw mode has
# them.
_RUNNER = """
import sys, io, struct
i, o = sys.stdin.buffer, sys.stdout
space = {'__name__': '__main__'}
while True:
    head = i.read(4)
    if len(head) < 4:
        break
    code = i.read(struct.unpack('<I', head)[0])
    try:
        exec(code, space)
        o.write('\\x04\\x04\\x00')
    except BaseException as e:
        b = io.StringIO()
        sys.print_exception(e, b)
        o.write('\\x04' + b.getvalue() + '\\x04\\x00')
"""


class PromptBoard:
    """`folder` is the board's memory. `spoil`: a file name whose bytes change between copying and looking."""

    def __init__(self, path: Path, folder: Path, *, spoil: str = "", dead: bool = False) -> None:
        self.port = PtyPort(path)
        self.folder = folder
        self.spoil = spoil
        self.dead = dead
        self.resets = 0
        self._stop = threading.Event()
        self._buffer = b""
        command = interpreter()
        assert command is not None
        runner = folder / "_runner"
        runner.write_text(_RUNNER)
        self._child = subprocess.Popen(
            [*command, str(runner)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=folder, bufsize=0
        )
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> PromptBoard:
        self.port.plug()
        # Held open, so that the terminal lives on between mpremote's visits.
        self._far = os.open(self.port.path, os.O_RDWR | os.O_NOCTTY)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self._far)
        self.port.pull()
        self._child.kill()
        self._child.wait()

    def _run(self) -> None:
        with contextlib.suppress(_Stopped):
            while True:
                byte = self._take()
                if self.dead:
                    continue
                if byte == b"\x03":
                    self._say(b"\r\n>>> ")
                elif byte == b"\x02":
                    self._say(b"\r\nMicroPython v1.28 on a pseudo-terminal\r\n>>> ")
                elif byte == b"\x01":
                    self._say(b"raw REPL; CTRL-B to exit\r\n>")
                    if self._raw():
                        self._play_rig()

    def _raw(self) -> bool:
        """Raw mode; true once a reset was asked for."""
        code = b""
        while True:
            byte = self._take()
            if byte == b"\x02":
                self._say(b"\r\n>>> ")
                return False
            if byte == b"\x01":
                self._say(b"raw REPL; CTRL-B to exit\r\n>")
                code = b""
            elif byte == b"\x03":
                code = b""
            elif byte == b"\x05" and not code:
                if self._paste():
                    return True
            elif byte == b"\x04":
                if not code:
                    self._say(b"OK\r\nMPY: soft reboot\r\nraw REPL; CTRL-B to exit\r\n>")
                    continue
                self._say(b"OK")
                if self._obey(code):
                    return True
                code = b""
            else:
                code += byte

    def _paste(self) -> bool:
        """Code pasted in one go, all of it in one window of the flow control; true once a reset was asked for."""
        assert self._take() + self._take() == b"A\x01"
        self._say(b"R\x01\xff\xff")
        code = b""
        while (byte := self._take()) != b"\x04":
            code += byte
        self._say(b"\x04")
        return self._obey(code)

    def _obey(self, code: bytes) -> bool:
        if b"machine.reset" in code:
            self.resets += 1
            return True
        self._say(self._execute(code) + b">")
        return False

    def _execute(self, code: bytes) -> bytes:
        if self.spoil and b"sha256" in code:
            with (self.folder / self.spoil).open("ab") as file:
                file.write(b"#")
        # On a board the empty path is the present folder; on this system it is none.
        code = code.replace(b"stat('')", b"stat('.')").replace(b'stat("")', b"stat('.')")
        assert self._child.stdin and self._child.stdout
        self._child.stdin.write(struct.pack("<I", len(code)) + code)
        said = b""
        while not said.endswith(b"\x04\x00"):
            said += self._child.stdout.read(1)
        return said[:-1]

    def _play_rig(self) -> None:
        rig = FakeRig()
        while not self._stop.wait(0.02):
            if b"hello" in self._buffer or select.select([self.port.near], [], [], 0)[0]:
                with contextlib.suppress(OSError):
                    self._buffer += os.read(self.port.near, 4096)
                if b"hello" in self._buffer:
                    self._say(rig.hello(board="board of the test", firmware=wire.FIRMWARE))
                self._buffer = b""

    def _take(self) -> bytes:
        while not self._buffer:
            if self._stop.is_set():
                raise _Stopped
            if select.select([self.port.near], [], [], 0.02)[0]:
                with contextlib.suppress(OSError):
                    self._buffer = os.read(self.port.near, 4096)
        byte, self._buffer = self._buffer[:1], self._buffer[1:]
        return byte

    def _say(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.port.near, data) :]


class _Stopped(Exception):
    pass
