"""Lines that bytes come over: serial ports, and the near end of a virtual rig's pseudo-terminal.

Reading ends in one of three ways: bytes came; nothing came in time (b""); the line is gone (LineLost).
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
from typing import Protocol

import serial

from toothwise.errors import RigTrouble

MOST_AT_ONCE = 1 << 16
WRITE_WAIT_S = 2.0


class LineLost(Exception):
    """The port went away while it was in use."""


class Line(Protocol):
    """Both ends' bytes; `name` is for people."""

    name: str

    def read(self, wait_s: float) -> bytes: ...

    def write(self, data: bytes) -> None: ...

    def close(self) -> None: ...


class SerialLine:
    """A serial port, opened for this program alone. Raises RigTrouble when it cannot be opened."""

    def __init__(self, port: str) -> None:
        self.name = port
        try:
            # USB serial ignores the rate; a real UART behind a converter needs one that carries the edges.
            self._port = serial.Serial(port, 921_600, timeout=0, write_timeout=WRITE_WAIT_S, exclusive=True)
        except (serial.SerialException, OSError, ValueError) as error:
            raise _cannot_open(port, error) from None

    def read(self, wait_s: float) -> bytes:
        try:
            if self._port.timeout != wait_s:
                self._port.timeout = wait_s
            data: bytes = self._port.read(max(1, min(self._port.in_waiting, MOST_AT_ONCE)))
            return data
        except (serial.SerialException, OSError, TypeError) as error:  # TypeError: closed meanwhile
            raise LineLost(str(error)) from None

    def write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except (serial.SerialException, OSError, TypeError) as error:
            raise LineLost(str(error)) from None

    def close(self) -> None:
        with contextlib.suppress(serial.SerialException, OSError):
            self._port.close()


def _cannot_open(port: str, error: Exception) -> RigTrouble:
    number = getattr(error, "errno", None)
    text = str(error).lower()
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK) or "lock" in text or "busy" in text:
        cause = "Another program is using it"
        step = f"Close that program; on Linux, `fuser {port}` names it"
    elif number == errno.EACCES or "denied" in text:
        cause = "It belongs to another program or another user"
        step = "Close other programs on it; on Linux, add yourself to the group dialout and log in again"
    elif number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "could not find" in text:
        cause, step = "There is no such port now", "Check the cable; `toothwise rig list` shows the rigs"
    else:
        cause, step = str(error), "Unplug the board, plug it in again, and try once more"
    return RigTrouble(f"The port {port} cannot be opened", cause=cause, step=step)


class StreamLine:
    """The near end of a pseudo-terminal, by its descriptor. Owns it, and closes it in the end."""

    def __init__(self, end: int, name: str) -> None:
        self.name = name
        self._end = end
        os.set_blocking(end, False)

    def read(self, wait_s: float) -> bytes:
        end = self._end
        try:
            if not select.select([end], [], [], wait_s)[0]:
                return b""
            data = os.read(end, MOST_AT_ONCE)
        except BlockingIOError:
            return b""
        except (OSError, ValueError) as error:  # EIO: the far end of a pseudo-terminal was closed
            raise LineLost(str(error)) from None
        if not data:
            raise LineLost("the far end was closed")
        return data

    def write(self, data: bytes) -> None:
        end = self._end
        try:
            while data:
                if not select.select([], [end], [], WRITE_WAIT_S)[1]:
                    raise LineLost("the far end does not read")
                data = data[os.write(end, data) :]
        except (OSError, ValueError) as error:
            raise LineLost(str(error)) from None

    def close(self) -> None:
        if self._end >= 0:
            os.close(self._end)
            self._end = -1
