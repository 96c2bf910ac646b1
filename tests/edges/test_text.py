"""The array parser of decimals against Python's own, number by number."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal, InvalidOperation, localcontext
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from toothwise.edges import text
from toothwise.edges.files import open_recording

from tests.edges.contract import read_all


def parse(words: list[str]) -> text.Numbers:
    data = np.frombuffer(("\n".join(words) + "\n").encode(), np.uint8)
    ends = np.flatnonzero(data == text.NEWLINE)
    starts = np.concatenate([[0], ends[:-1] + 1])
    return text.numbers(data, starts, ends)


def reference(word: str) -> int | None:
    """Units of 10⁻¹², half away from zero; None where it is no finite decimal below 10¹⁵."""
    word = word.strip(" \t")
    if not word or any(c not in "+-0123456789.eE" for c in word) or len(word) > text.LONGEST_NUMBER:
        return None
    try:
        value = Decimal(word)
    except InvalidOperation:
        return None
    if value and abs(value.adjusted()) > 30:
        return None if value.adjusted() > 0 else 0
    if abs(value) >= text.LARGEST_WHOLE:
        return None
    with localcontext(prec=80):  # the usual 28 digits would round once more, before the last place
        return int(value.scaleb(12).to_integral_value(ROUND_HALF_UP))


plain = st.from_regex(r"\A[+-]?[0-9]{0,15}(\.[0-9]{0,16})?\Z")
odd = st.text(alphabet="0123456789.eE+- ,x", max_size=12)


@given(st.lists(st.one_of(plain, odd), min_size=1, max_size=30))
@settings(max_examples=150, deadline=None)
@example(["100000000000000.00000000000046"])
def test_numbers_are_exact(words: list[str]) -> None:
    got = parse(words)
    for i, word in enumerate(words):
        want = reference(word)
        assert bool(got.good[i]) == (want is not None), word
        if want is not None:
            if "e" in word.lower():  # an exponent is rounded half to even
                assert abs(int(got.whole[i]) * text.PICO + int(got.pico[i]) - want) <= 1
            else:
                assert int(got.whole[i]) * text.PICO + int(got.pico[i]) == want, word
            assert 0 <= got.pico[i] < text.PICO


def test_a_column_at_unix_time_keeps_every_nanosecond(tmp_path: Path) -> None:
    steps = np.cumsum(np.arange(1, 2000) * 7 + 1)
    path = tmp_path / "unix.csv"
    base = 1764060000_123456789
    rows = [f"{(base + t) // 10**9}.{(base + t) % 10**9:09d},crank,{i & 1}" for i, t in enumerate(steps.tolist())]
    path.write_text("time_s,channel,level\n" + "\n".join(rows))
    held = read_all(open_recording(path))
    assert held.edges["crank"].ticks.tolist() == (steps - steps[0]).tolist()
    assert held.clock.tick_ns == 1.0
    assert held.clock.t0_s == pytest.approx(1764060000.1234568, abs=5e-7)


def test_digits_below_a_nanosecond_make_the_tick_finer(tmp_path: Path) -> None:
    path = tmp_path / "fine.csv"
    rows = [f"0.000000{i:06d},crank,{i & 1}" for i in range(1, 900, 7)]
    path.write_text("time_s,channel,level\n" + "\n".join(rows))
    held = read_all(open_recording(path))
    assert held.clock.tick_ns == 0.001
    assert held.edges["crank"].ticks.tolist() == [i - 1 for i in range(1, 900, 7)]


@given(st.lists(st.text(alphabet="abc0 ", min_size=1, max_size=8), min_size=1, max_size=20))
@settings(max_examples=100, deadline=None)
def test_keys_tell_texts_apart(words: list[str]) -> None:
    data = np.frombuffer(("\n".join(words) + "\n").encode(), np.uint8)
    ends = np.flatnonzero(data == text.NEWLINE)
    keys = text.keys(data, np.concatenate([[0], ends[:-1] + 1]), ends)
    for i, a in enumerate(words):
        for k, b in enumerate(words):
            assert (keys[i] == keys[k]) == (a.strip() == b.strip())
