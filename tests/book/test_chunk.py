"""The chunk encoding: what goes in comes out, and damage is seen."""

from __future__ import annotations

import struct
import zlib
from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.book import chunk
from toothwise.edges.signal import Edges

from tests.book.signals import assert_same, some_edges, square

NAMES = ("crank", "cam", "feed")


@given(st.dictionaries(st.sampled_from(NAMES), some_edges()))
@settings(max_examples=150)
def test_round_trip(edges: dict[str, Edges]) -> None:
    packed = chunk.pack(NAMES, edges)
    back = chunk.unpack(NAMES, packed.encoding, packed.crc32, packed.data)
    assert packed.edges == sum(map(len, edges.values()))
    assert set(back) == {name for name in edges if len(edges[name])}
    for name in back:
        assert_same(edges[name], back[name])


def test_the_layout_is_the_documented_one() -> None:
    """Bytes written by hand from the module's docstring."""
    edges = {"crank": Edges(np.array([-5, 251, 251 + 0x0203], np.int64), np.array([1, 0, 0], np.uint8))}
    by_hand = struct.pack("<IqBBI", 3, -5, 1, 2, 1) + struct.pack("<I", 2)
    by_hand += bytes([0x00, 0x03]) + bytes([0x01, 0x02])  # differences 0x0100 and 0x0203, low bytes first
    by_hand += struct.pack("<I", 0)
    packed = chunk.pack(("crank", "cam"), edges)
    assert zlib.decompress(packed.data) == by_hand
    assert packed.crc32 == zlib.crc32(by_hand)


@given(st.data())
@settings(max_examples=150)
def test_damage_is_seen(data: st.DataObject) -> None:
    packed = chunk.pack(("crank",), {"crank": square(200)})
    harmed = bytearray(packed.data)
    at = data.draw(st.integers(0, len(harmed) - 1))
    harmed[at] ^= data.draw(st.integers(1, 255))
    try:
        back = chunk.unpack(("crank",), packed.encoding, packed.crc32, bytes(harmed))
    except chunk.ChunkDamage:
        return
    assert_same(square(200), back["crank"])  # a bit of the deflate stream that carries nothing


@given(st.binary(max_size=80))
@settings(max_examples=200)
def test_nonsense_with_a_right_check_sum_never_crashes(plain: bytes) -> None:
    with suppress(chunk.ChunkDamage):
        chunk.unpack(("crank", "cam"), chunk.ENCODING, zlib.crc32(plain), zlib.compress(plain))


def test_unknown_encoding_and_falling_ticks_are_refused() -> None:
    packed = chunk.pack(("crank",), {"crank": square(3)})
    with pytest.raises(chunk.ChunkDamage, match="encoding 2"):
        chunk.unpack(("crank",), 2, packed.crc32, packed.data)
    with pytest.raises(ValueError, match="never fall"):
        chunk.pack(("crank",), {"crank": Edges(np.array([2, 1]), np.array([0, 1], np.uint8))})
