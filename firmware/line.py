"""The serial line as the rig sees it: whole frames out, lines of text in. Never waits for the host.

A frame is sent whole or not at all: nothing is begun unless the line says it can take something, and what
a short write left over goes out before anything else does.
"""

import select

_CTRL_C = 3
_MOST_LINE = 80
_READ_A_TURN = 32


class HostGone(Exception):
    """The other end of a pseudo-terminal was closed. A serial line never raises it."""


class Line:
    """source, sink: binary streams. The sink must not block."""

    def __init__(self, source, sink) -> None:  # type: ignore[no-untyped-def]
        self._source = source
        self._sink = sink
        self._in = select.poll()
        self._in.register(source, select.POLLIN)
        self._out = select.poll()
        self._out.register(sink, select.POLLOUT)
        self._rest = b""  # tail of a frame begun
        self._text = bytearray()
        self._too_long = False

    def writable(self) -> bool:
        """Whether a frame can be begun now; finishes a begun one first."""
        for _, event in self._out.ipoll(0):
            if event & select.POLLHUP:
                raise HostGone
            if not event & select.POLLOUT:
                return False
            if not self._rest:
                return True
            self._rest = self._rest[self._write(self._rest) :]
            return False
        return False

    def send(self, frame: memoryview) -> bool:
        """Send a frame, `writable` having just said yes. False: not a byte of it went out, and none will."""
        sent = self._write(frame)
        if sent == 0:
            return False
        if sent < len(frame):
            self._rest = bytes(frame[sent:])
        return True

    def _write(self, data) -> int:  # type: ignore[no-untyped-def]
        try:
            return self._sink.write(data) or 0
        except OSError as error:
            raise HostGone from error

    def read(self) -> str | None:
        """One line of text if a whole one has come. Raises KeyboardInterrupt on Ctrl-C, HostGone at the end."""
        for _ in range(_READ_A_TURN):
            ready = 0
            for _, event in self._in.ipoll(0):
                ready = event
            if not ready & select.POLLIN:
                if ready & select.POLLHUP:
                    raise HostGone
                return None
            try:
                byte = self._source.read(1)
            except OSError as error:
                raise HostGone from error
            if byte is None:
                return None
            if not byte:
                raise HostGone
            if byte[0] == _CTRL_C:
                raise KeyboardInterrupt
            if byte[0] not in (10, 13):
                if len(self._text) < _MOST_LINE:
                    self._text.append(byte[0])
                else:
                    self._too_long = True
                continue
            text, self._text = bytes(self._text), bytearray()
            too_long, self._too_long = self._too_long, False
            if too_long:
                return "?"
            if text:
                return "".join([chr(c) if 32 <= c < 127 else "?" for c in text])
        return None
