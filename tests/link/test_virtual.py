"""The very firmware, in MicroPython's unix port behind a real pseudo-terminal, against the real host."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator

import numpy as np
import pytest
from toothwise import link
from toothwise.edges.signal import Batch, Blind, Clock, Edges
from toothwise.errors import RigTrouble
from toothwise.link import selfcheck, virtual
from toothwise.link.frames import pattern_out
from toothwise.link.notes import Happening
from toothwise.link.selfcheck import compare

from tests.parts import need

TICK_HZ = 62_500_000


@pytest.fixture(autouse=True)
def _parts() -> None:
    need("MicroPython's unix port", virtual.interpreter() is not None and virtual.HAS_PTY)


def made(span_s: float, batch_s: float = 0.1) -> list[Batch]:
    """Three busy channels, each at its own pace, with jitter; the fourth silent."""
    rng = np.random.default_rng(8)
    until = int(span_s * TICK_HZ)
    edges = {}
    for name, pitch in (("crank", 3_000), ("cam", 70_001), ("feed", 3_000_000)):
        ticks = np.cumsum(rng.integers(pitch // 2, 3 * pitch // 2, 3 * until // pitch // 2))
        ticks = ticks[ticks < until]
        edges[name] = Edges(ticks, (np.arange(len(ticks)) % 2 == 0).astype(np.uint8))
    out = []
    for end in range(int(batch_s * TICK_HZ), until + 1, int(batch_s * TICK_HZ)):
        start = end - int(batch_s * TICK_HZ)
        inside = {n: (e.ticks >= start) & (e.ticks < end) for n, e in edges.items()}
        out.append(Batch(end, {n: Edges(e.ticks[inside[n]], e.levels[inside[n]]) for n, e in edges.items()}))
    return out


def whole(batches: list[Batch], channel: str) -> Edges:
    return Edges.join([b.edges[channel] for b in batches if channel in b.edges])


def blind_of(batches: list[Batch]) -> list[Blind]:
    return [stretch for batch in batches for stretch in batch.blind]


@pytest.mark.parametrize("fast", [True, False])
def test_every_edge_arrives_with_its_tick_and_level(fast: bool) -> None:
    sent = made(3.0 if fast else 0.6)
    with link.open_rig("virtual", edges=sent, tick_hz=TICK_HZ, fast=fast) as rig:
        assert rig.clock == Clock(16.0)
        got = list(rig.batches())
    assert blind_of(got) == []
    for name in ("crank", "cam", "feed"):
        np.testing.assert_array_equal(whole(got, name).ticks, whole(sent, name).ticks)
        np.testing.assert_array_equal(whole(got, name).levels, whole(sent, name).levels)
    if fast:  # to the tick where the stream ends: what is beyond it was never watched
        assert got[-1].until_tick == sent[-1].until_tick
    assert got[-1].until_tick >= sent[-1].until_tick


def test_stopping_delivers_what_was_captured_and_ends() -> None:
    sent = made(20.0)
    with link.open_rig("virtual", edges=sent, tick_hz=TICK_HZ) as rig:
        batches = rig.batches()
        got = []
        for batch in batches:
            got.append(batch)
            if batch.until_tick > TICK_HZ // 4:
                break
        rig.stop()
        got += list(batches)
    until = got[-1].until_tick
    reference = whole(sent, "crank").ticks
    np.testing.assert_array_equal(whole(got, "crank").ticks, reference[reference < whole(got, "crank").ticks[-1] + 1])
    stopped = [s for s in blind_of(got) if s.reason != "not_started"]
    assert stopped == [] and until < 5 * TICK_HZ


def test_a_source_that_breaks_is_raised_not_taken_for_the_end() -> None:
    def broken() -> Iterator[Batch]:
        yield from made(0.2)
        raise ArithmeticError("the made engine broke")

    with (
        link.open_rig("virtual", edges=broken(), tick_hz=TICK_HZ, fast=True) as rig,
        pytest.raises(ArithmeticError, match="engine broke"),
    ):
        list(rig.batches())


def test_a_killed_rig_is_lost_with_blind_time_and_an_error() -> None:
    board = virtual.VirtualBoard(made(20.0), TICK_HZ)
    got = []
    with link.Rig(board.line, on_close=board.close) as rig, pytest.raises(RigTrouble, match="is gone"):
        for batch in rig.batches():
            got.append(batch)
            if batch.until_tick > TICK_HZ // 10:
                os.kill(board._process.pid, signal.SIGKILL)
    assert {s.reason for s in blind_of(got)} == {"link_lost"}


def test_a_host_that_does_not_read_costs_blind_time_and_no_false_edge(monkeypatch: pytest.MonkeyPatch) -> None:
    """The rig keeps what its rings hold, drops and counts the rest, and says from when to when."""
    monkeypatch.setattr("toothwise.link.rig.MOST_WAITING", 2_000)
    sent = made(20.0)
    with link.open_rig("virtual", edges=sent, tick_hz=TICK_HZ) as rig:
        batches = rig.batches()
        got = [next(batches) for _ in range(5)]
        with rig._changed:  # the reader stands still as long as this is held
            time.sleep(2.0)
        for batch in batches:
            got.append(batch)
            if batch.until_tick > 4 * TICK_HZ:
                break
    crank = whole(got, "crank")
    true = whole(sent, "crank").ticks
    true = true[true < got[-1].until_tick]
    blind = [s for s in blind_of(got) if s.channel in (None, "crank")]
    assert "ring_overrun" in {s.reason for s in blind}
    assert np.isin(crank.ticks, true).all()
    for tick in np.setdiff1d(true, crank.ticks):
        assert any(s.start_tick <= tick < s.end_tick for s in blind)


def test_commands_and_marks() -> None:
    with link.open_rig("virtual") as rig:
        batches = rig.batches()
        while next(batches).until_tick <= 0:
            pass
        tick = int(rig.command("mark")["tick"])
        assert rig.command("lamp on") == {}
        with pytest.raises(RigTrouble, match="refused 'dance': unknown_command"):
            rig.command("dance")
        notes: list[object] = []
        while not any(isinstance(note, Happening) and note.kind == "mark" for note in notes):
            next(batches)
            notes += rig.take_notes()
        assert tick > 0


def test_a_firmware_that_does_not_start_says_its_last_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(virtual, "HEAP", "20k")
    with pytest.raises(RigTrouble, match=r"The virtual rig did not start.*MemoryError"):
        link.open_rig("virtual")


@pytest.mark.slow
def test_the_self_check_finds_every_edge_where_it_was_put(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(selfcheck, "RATES_HZ", (1_000, 5_000))
    with link.open_rig("virtual") as rig:
        report = link.check(rig)
    assert report.passed, report
    assert report.pattern.expected == len(pattern_out.edges(TICK_HZ)) and report.link.highest_rate_hz == 5_000


def test_the_comparison_sees_one_missing_one_extra_and_one_moved_edge() -> None:
    expected = pattern_out.edges(TICK_HZ)
    ticks = np.array([t for t, _ in expected], np.int64) + 777
    levels = np.array([level for _, level in expected], np.uint8)
    clock = Clock(16.0)
    assert compare(expected, Edges(ticks, levels), clock, True).passed
    gone = compare(expected, Edges(np.delete(ticks, 500), np.delete(levels, 500)), clock, True)
    assert (gone.missing_s, gone.extra_s) == ((clock.span_s(expected[500][0]),), ())
    more = compare(expected, Edges(np.insert(ticks, 500, ticks[500] - 50), np.insert(levels, 500, 1)), clock, True)
    assert (more.found, len(more.extra_s)) == (len(expected), 1)
    turned = levels.copy()
    turned[500] ^= 1
    assert compare(expected, Edges(ticks, turned), clock, True).found == len(expected) - 1
    moved = ticks.copy()
    moved[500] += 4
    assert not compare(expected, Edges(moved, levels), clock, True).passed
    assert compare(expected, Edges(moved, levels), clock, False).passed  # within what an interrupt board can do
    assert not compare(expected, Edges(ticks, levels), clock, True, (Blind(0, 5, "ring_overrun"),)).passed
    assert compare(expected, Edges.none(), clock, True).found == 0
