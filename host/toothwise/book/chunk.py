"""How a stretch of edges lies in the book: encoding 1.

A chunk holds the edges of all of a recording's channels for about half a second. Its row names the
encoding and the CRC-32 of the plain bytes; the `data` column is those bytes, deflated (zlib). Plain bytes,
little-endian, for each channel in the order the recording lists them:

    u32   n                 edges of this channel
    -- the rest only where n > 0 --
    i64   tick              of the first edge
    u8    level             after the first edge
    u8    w                 bytes a tick difference takes: 1, 2, 4 or 8
    u32   k                 how many edges repeat the level before them (an edge between was lost)
    u32   index     (k ×)   which ones, rising
    u8    plane     (w ×)   the n-1 tick differences, all their lowest bytes first, then the next, and so on

Levels alternate on a whole signal, so they cost nothing. Differences of neighbours are small, and in planes
the upper bytes are nearly constant, which deflate folds away: what is left is the signal's own jitter.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Edges

ENCODING = 1
MOST_EDGES = 1 << 16
"""A chunk is cut before it holds more edges than this, so that reading needs little memory."""

_COUNT = struct.Struct("<I")
_HEAD = struct.Struct("<qBBI")
_LEVEL = 1  # zlib: measured within a few per cent of the slowest level on byte planes, at a tenth of its time


class ChunkDamage(ValueError):
    """The bytes are not a whole chunk: cut, altered, or of an encoding this version does not know."""


@dataclass(frozen=True, slots=True)
class Packed:
    """A chunk as its row holds it."""

    encoding: int
    crc32: int
    edges: int
    data: bytes


def pack(channels: Sequence[str], edges: Mapping[str, Edges]) -> Packed:
    """Edges of one stretch to bytes; a channel without an entry had no edge."""
    parts: list[bytes] = []
    total = 0
    for name in channels:
        of_channel = edges.get(name) or Edges.none()
        total += len(of_channel)
        parts.append(_pack_channel(of_channel))
    plain = b"".join(parts)
    return Packed(ENCODING, zlib.crc32(plain), total, zlib.compress(plain, _LEVEL))


def unpack(channels: Sequence[str], encoding: int, crc32: int, data: bytes) -> dict[str, Edges]:
    """Bytes back to edges; channels without an edge are left out. Raises ChunkDamage."""
    if encoding != ENCODING:
        raise ChunkDamage(f"encoding {encoding} is not known here (this version reads {ENCODING})")
    try:
        plain = zlib.decompress(data)
    except zlib.error as error:
        raise ChunkDamage(f"the stored bytes do not inflate ({error})") from None
    if zlib.crc32(plain) != crc32:
        raise ChunkDamage("the check sum does not fit the stored bytes")
    return _unpack_plain(channels, plain)


def _pack_channel(edges: Edges) -> bytes:
    n = len(edges)
    if n == 0:
        return _COUNT.pack(0)
    ticks = np.ascontiguousarray(edges.ticks, np.int64)
    levels = np.asarray(edges.levels, np.uint8)
    differences = np.diff(ticks)
    if n > 1 and int(differences.min()) < 0:
        raise ValueError("ticks of one channel must never fall")
    greatest = int(differences.max()) if n > 1 else 0
    width = 1 if greatest < 1 << 8 else 2 if greatest < 1 << 16 else 4 if greatest < 1 << 32 else 8
    repeats = np.flatnonzero(levels[1:] == levels[:-1]).astype("<u4") + np.uint32(1)
    little: NDArray[np.uint8] = differences.astype(f"<u{width}").view(np.uint8).reshape(-1, width)
    return b"".join(
        (
            _COUNT.pack(n),
            _HEAD.pack(int(ticks[0]), int(levels[0]), width, len(repeats)),
            repeats.astype("<u4").tobytes(),
            np.ascontiguousarray(little.T).tobytes(),
        )
    )


def _unpack_plain(channels: Sequence[str], plain: bytes) -> dict[str, Edges]:
    edges: dict[str, Edges] = {}
    at = 0
    try:
        for name in channels:
            (n,) = _COUNT.unpack_from(plain, at)
            at += _COUNT.size
            if n:
                edges[name], at = _unpack_channel(plain, at, n)
    except struct.error:
        raise ChunkDamage("the chunk ends too early") from None
    if at != len(plain):
        raise ChunkDamage("bytes are left over after the last channel")
    return edges


def _unpack_channel(plain: bytes, at: int, n: int) -> tuple[Edges, int]:
    first_tick, first_level, width, repeats = _HEAD.unpack_from(plain, at)
    at += _HEAD.size
    after = at + 4 * repeats + (n - 1) * width
    if first_level > 1 or width not in (1, 2, 4, 8) or repeats >= n or after > len(plain):
        raise ChunkDamage("a channel's head makes no sense")
    where = np.frombuffer(plain, "<u4", repeats, at)
    if repeats and (int(where[0]) < 1 or int(where[-1]) >= n or not np.all(np.diff(where.astype(np.int64)) > 0)):
        raise ChunkDamage("a repeated level lies outside its channel")
    planes = np.frombuffer(plain, np.uint8, (n - 1) * width, at + 4 * repeats).reshape(width, n - 1)
    ticks = np.empty(n, np.int64)
    ticks[0] = first_tick
    ticks[1:] = np.ascontiguousarray(planes.T).view(f"<u{width}").reshape(-1)
    np.cumsum(ticks, out=ticks)
    flips = np.ones(n, np.uint8)
    flips[0] = first_level
    flips[where] = 0
    return Edges(ticks, np.cumsum(flips, dtype=np.uint64).astype(np.uint8) & np.uint8(1)), after
