"""Bytes to frames, fast: what `wire.Decoder` does, for a computer that has memory views and precompiled
structs.

`wire.Decoder` is the plain form, and the board's; the tests hold this one to it, byte for byte and count for
count.
"""

from __future__ import annotations

import struct
from zlib import crc32

from toothwise.link.frames import wire

Frame = tuple[int, int, int, bytes]
"""(protocol, type, sequence, payload)"""

_HEADER = struct.Struct("<HBBHHI").unpack_from
_MAGIC = int.from_bytes(wire.MAGIC, "little")
_WHOLE = 0x2144DF1C
"""CRC-32 over anything with its own CRC-32 (little-endian) behind it: the check's constant residue."""
# Looked up once a frame and more: names of this module are found faster than another's.
_HEAD = wire.HEADER_BYTES
_TAIL = wire.CRC_BYTES
_MOST = wire.MOST_PAYLOAD


class Decoder:
    """Bytes in, whole frames out; fed byte by byte it gives the same frames as fed at once.

    What may be lost: bytes that belong to no whole frame with a right CRC; `garbage_bytes` and `bad_crc`
    count them as `wire.Decoder` does.
    """

    def __init__(self) -> None:
        self._held = b""
        self.garbage_bytes = 0
        self.bad_crc = 0

    def feed(self, data: bytes) -> list[Frame]:
        """Frames completed by `data`."""
        frames: list[Frame] = []
        keep = frames.append
        held = self._held + data if self._held else data
        view = memoryview(held)
        size = len(held)
        at = 0
        while size - at >= _HEAD:
            magic, protocol, kind, length, turned, sequence = _HEADER(held, at)
            if magic == _MAGIC and length ^ turned == 0xFFFF and length <= _MOST:
                end = at + length + _HEAD + _TAIL
                if end > size:
                    break
                if crc32(view[at:end]) == _WHOLE:
                    keep((protocol, kind, sequence, held[at + _HEAD : end - _TAIL]))
                    at = end
                    continue
                self.bad_crc += 1
            at = self._next_magic(held, at + (magic == _MAGIC), at)
            if held[at : at + 2] != wire.MAGIC:
                break
        else:
            at = self._next_magic(held, at, at)
        self._held = held[at:]
        return frames

    def _next_magic(self, held: bytes, start: int, counted: int) -> int:
        """Where the next frame may begin; what lies before it is garbage."""
        found = held.find(wire.MAGIC, start)
        if found < 0:
            # The last byte may be the first half of a magic.
            size = len(held)
            found = size - 1 if size > start and held[-1] == wire.MAGIC[0] else size
        self.garbage_bytes += found - counted
        return found
