"""The fast decoder against the plain one of `wire.py`, and both against what was sent."""

from __future__ import annotations

import binascii
import zlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.link.decode import _WHOLE, Decoder
from toothwise.link.frames import wire

frames = st.builds(wire.make_frame, st.integers(0, 255), st.integers(0, wire.SEQUENCE_MASK), st.binary(max_size=60))
garbage = st.one_of(
    st.binary(max_size=30),
    st.just(wire.MAGIC),
    st.just(wire.MAGIC[:1]),
    st.just(wire.MAGIC * 5),
    # Headers that look whole and are not.
    st.integers(0, 1100).map(
        lambda n: wire.MAGIC + bytes([1, 2]) + n.to_bytes(2, "little") + (n ^ 0xFFFF).to_bytes(2, "little")
    ),
)


@st.composite
def lines(draw: st.DrawFn) -> bytes:
    """Frames, garbage, cut and altered frames in any order."""
    parts = []
    for _ in range(draw(st.integers(0, 12))):
        frame = draw(frames)
        match draw(st.integers(0, 5)):
            case 0:
                parts.append(draw(garbage))
            case 1:
                parts.append(frame[: draw(st.integers(0, len(frame)))])
            case 2:
                at = draw(st.integers(0, len(frame) - 1))
                parts.append(frame[:at] + bytes([frame[at] ^ 1 << draw(st.integers(0, 7))]) + frame[at + 1 :])
            case _:
                parts.append(frame)
    return b"".join(parts)


def fed(decoder: Decoder | wire.Decoder, data: bytes, cuts: list[int]) -> tuple[list[object], int, int, bytes]:
    out: list[object] = []
    for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True):
        out += decoder.feed(data[a:b])
    return out, decoder.garbage_bytes, decoder.bad_crc, decoder._held


@given(lines(), st.data())
@settings(max_examples=300)
def test_both_decoders_agree_however_the_bytes_are_cut(data: bytes, draw: st.DataObject) -> None:
    cuts = sorted(draw.draw(st.lists(st.integers(0, len(data)), max_size=15)))
    plain = fed(wire.Decoder(), data, [])
    assert fed(Decoder(), data, []) == plain
    assert fed(Decoder(), data, cuts) == plain
    assert fed(Decoder(), data, list(range(1, len(data)))) == plain


@given(st.lists(st.tuples(frames, garbage), max_size=8))
def test_every_whole_frame_behind_garbage_is_found(pairs: list[tuple[bytes, bytes]]) -> None:
    data = b"".join(frame + rest for frame, rest in pairs) + bytes(wire.MOST_PAYLOAD + 32)
    got = Decoder().feed(data)
    sent = [frame for frame, _ in pairs]
    remade = [wire.make_frame(kind, sequence, payload) for _, kind, sequence, payload in got]
    assert [frame for frame in remade if frame in sent] == sent


def test_the_residue_is_that_of_the_published_check() -> None:
    """CRC-32 (IEEE 802.3): check value CBF43926 for "123456789"; residue, reflected, of a whole codeword."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    for text in (b"", b"123456789", bytes(range(256))):
        assert binascii.crc32(text + zlib.crc32(text).to_bytes(4, "little")) == _WHOLE


@pytest.mark.parametrize("length", [0, 1, wire.MOST_PAYLOAD])
def test_the_shortest_and_the_longest_frame(length: int) -> None:
    frame = wire.make_frame(wire.ANSWER, 5, bytes(length))
    assert Decoder().feed(frame) == [(wire.PROTOCOL, wire.ANSWER, 5, bytes(length))]
