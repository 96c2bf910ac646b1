"""Bytes changed at random: what the short form of the fuzzing draws from, and the long one where atheris is absent."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

LONGEST = 6000
"""Bytes of a case; longer seeds are cut to a stretch from their beginning."""

WORDS = (
    b"", b"0", b"1", b"-1", b"nan", b"inf", b"-inf", b"1e400", b"-0.0", b"1e-320", b"9" * 25, b"9" * 5000, b"0x7f",
    b"255", b"256", b"65535", b"2147483648", b"18446744073709551616", b"-9223372036854775808", b"true", b"''", b'""',
    b"[]", b"{}", b"[[", b"]]", b"[" * 3000, b"{a=" * 1500, b"=", b",", b";", b"\t", b"\n", b"\r", b"\r\n", b"#",
    b"\0", b"\x00.toml", b"\\u0000", b"\xef\xbb\xbf", b"\xff\xfe", b"\xc3", "٣".encode(), "é".encode(), b"\x1b[2J",
    b"/", b"1979-05-27T07:32:00Z", b"%s", b"1_000", b"x", b"z", b"'a'", b"..", b"$end", b"\xff" * 16, b"\0" * 64,
)  # fmt: skip


def mutated(seeds: Sequence[bytes], chance: random.Random, words: Sequence[bytes] = ()) -> bytes:
    """A seed with one to six changes; now and then two seeds joined, or bytes out of nothing."""
    if chance.random() < 0.02:
        return chance.randbytes(chance.randint(0, 300))
    data = bytearray(chance.choice(seeds)[:LONGEST])
    for _ in range(chance.randint(1, 6)):
        chance.choice(_CHANGES)(data, chance, seeds, words)
    return bytes(data)


Change = Callable[[bytearray, random.Random, Sequence[bytes], Sequence[bytes]], None]


def _place(data: bytearray, chance: random.Random) -> int:
    return chance.randint(0, len(data))


def _bit(data: bytearray, chance: random.Random, *_: object) -> None:
    if data:
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)


def _byte(data: bytearray, chance: random.Random, *_: object) -> None:
    if data:
        data[chance.randrange(len(data))] = chance.randrange(256)


def _cut(data: bytearray, chance: random.Random, *_: object) -> None:
    at = _place(data, chance)
    del data[at : at + chance.choice((1, 1, 2, 4, 16, 200))]


def _end(data: bytearray, chance: random.Random, *_: object) -> None:
    del data[_place(data, chance) :]


def _repeat(data: bytearray, chance: random.Random, *_: object) -> None:
    at = _place(data, chance)
    data[at:at] = data[at : at + chance.choice((1, 4, 40))] * chance.choice((1, 2, 20))


def _word(data: bytearray, chance: random.Random, _: Sequence[bytes], words: Sequence[bytes]) -> None:
    at = _place(data, chance)
    data[at : at + chance.choice((0, 0, 1, 3, 8))] = chance.choice((*WORDS, *words))


def _value(data: bytearray, chance: random.Random, _: Sequence[bytes], words: Sequence[bytes]) -> None:
    """Whatever stands between two separators becomes something else."""
    at = _place(data, chance)
    begin = max(data.rfind(mark, 0, at) for mark in (b",", b"\n", b"=", b" ", b"[")) + 1
    ends = [end for mark in (b",", b"\n", b" ", b"]") if (end := data.find(mark, begin)) >= 0]
    data[begin : min(ends, default=len(data))] = chance.choice((*WORDS, *words))


def _line(data: bytearray, chance: random.Random, *_: object) -> None:
    """A line goes somewhere else, or is gone, or comes twice."""
    lines = data.split(b"\n")
    line = lines.pop(chance.randrange(len(lines))) if chance.random() < 0.7 else chance.choice(lines)
    if chance.random() < 0.7:
        lines.insert(chance.randint(0, len(lines)), line)
    data[:] = b"\n".join(lines)


def _splice(data: bytearray, chance: random.Random, seeds: Sequence[bytes], _: Sequence[bytes]) -> None:
    other = chance.choice(seeds)[:LONGEST]
    data[_place(data, chance) :] = other[chance.randint(0, len(other)) :]


_CHANGES: tuple[Change, ...] = (_bit, _byte, _cut, _end, _repeat, _word, _word, _value, _value, _value, _line, _splice)
