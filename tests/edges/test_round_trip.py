"""One suite over every format that is written and read: what comes back is what went in."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.edges.files import open_recording, write_recording
from toothwise.edges.signal import CHANNELS, Batch, Blind, Clock, Edges, Held, Recording
from toothwise.errors import FileTrouble

from tests.edges.contract import alternates, read_all

FORMATS = ("csv", "vcd")
TICKS_NS = (16.0, 1000.0, 1.0, 8.0, 20.8333, 41.666, 0.5)


class Cut:
    """A held recording handed on in several batches."""

    def __init__(self, held: Held, cuts: list[int]) -> None:
        self.held, self.cuts = held, sorted({c for c in cuts if 0 < c < held.until_tick})
        self.clock, self.channels, self.source = held.clock, held.channels, held.source

    def batches(self):
        low = -(2**62)
        for high in [*self.cuts, self.held.until_tick]:
            edges = {}
            for name, e in self.held.edges.items():
                use = (e.ticks >= low) & (e.ticks < high)
                if use.any():
                    edges[name] = Edges(e.ticks[use], e.levels[use])
            blind = tuple(
                Blind(max(b.start_tick, low), min(b.end_tick, high), b.reason, b.channel)
                for b in self.held.blind
                if b.start_tick < high and b.end_tick > low
            )
            yield Batch(high, edges, blind)
            low = high


@st.composite
def recordings(draw: st.DrawFn) -> Recording:
    clock = Clock(draw(st.sampled_from(TICKS_NS)), draw(st.sampled_from([0.0, 12.5, 1764060000.25, 0.000123])))
    names = draw(st.lists(st.sampled_from(CHANNELS), min_size=1, max_size=3, unique=True))
    edges, end = {}, 1
    for number, name in enumerate(names):
        steps = draw(st.lists(st.integers(1, 10**6), min_size=2, max_size=60))
        ticks = np.cumsum(np.array(steps, np.int64)) * 4 + number * draw(st.integers(0, 1))
        first = draw(st.integers(0, 1))
        edges[name] = Edges(ticks, ((np.arange(len(ticks)) + first) % 2).astype(np.uint8))
        end = max(end, int(ticks[-1]) + 1)
    blind = []
    for name in names:
        e = edges[name]
        if len(e) > 8 and draw(st.booleans()):
            # Blind around an even number of edges, which then are not handed on.
            keep = np.ones(len(e), bool)
            keep[3:5] = False
            blind.append(Blind(int(e.ticks[2]) + 1, int(e.ticks[5]), "made", name))
            edges[name] = Edges(e.ticks[keep], e.levels[keep])
    held = Held(clock, edges, end + draw(st.integers(0, 10**6)), tuple(blind))
    return Cut(held, draw(st.lists(st.integers(1, end), max_size=4)))


def exact_times(clock: Clock, ticks: np.ndarray) -> list[Decimal]:
    tick, zero = Decimal(repr(clock.tick_ns)).scaleb(-9), Decimal(repr(clock.t0_s))
    return [zero + t * tick for t in ticks.tolist()]


@pytest.mark.parametrize("form", FORMATS)
@given(recording=recordings())
@settings(max_examples=40, deadline=None)
def test_ticks_levels_and_blind_stretches_come_back(form: str, recording: Recording, tmp_path_factory) -> None:
    path = tmp_path_factory.mktemp("trip") / f"recording.{form}"
    write_recording(path, recording)
    back = read_all(open_recording(path))
    scale = recording.clock.tick_ns / back.clock.tick_ns
    sent = read_all(recording)
    assert set(back.channels) == set(sent.channels)
    zero = _zero(sent, back, form)
    for name in sent.channels:
        assert back.edges[name].levels.tolist() == sent.edges[name].levels.tolist()
        got = np.rint(back.edges[name].ticks / scale).astype(np.int64) + zero
        assert got.tolist() == sent.edges[name].ticks.tolist()
        assert alternates(back, name)
        want = [(b.start_tick, b.end_tick) for b in sent.blind if b.channel in (None, name)]
        found = [
            (round(b.start_tick / scale) + zero, round(b.end_tick / scale) + zero)
            for b in back.blind
            if b.channel in (None, name)
        ]
        assert _joined(found) == _joined(want)
    if form != "csv":  # which ends with its last edge
        assert round(back.until_tick / scale) == sent.until_tick


def _zero(sent: Held, back: Held, form: str) -> int:
    """Tick of the recording at which the file's own clock begins."""
    if form != "csv":
        return 0
    begins = sorted(int(e.ticks[0]) for e in sent.edges.values() if len(e))
    return begins[0] - (begins[:1] == begins[1:2])  # edges at one tick have rows of levels before them


def _joined(stretches: list[tuple[int, int]]) -> list[tuple[int, int]]:
    out: list[tuple[int, int]] = []
    for start, end in sorted(stretches):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(end, out[-1][1]))
        else:
            out.append((start, end))
    return out


@pytest.mark.parametrize("form", ["csv", "vcd"])  # by what stands in them
def test_times_in_the_file_are_the_recordings_own(form: str, tmp_path: Path) -> None:
    clock = Clock(16.0, 1764060000.25)
    ticks = np.array([1, 4_000_000_000, 4_000_000_001], np.int64)
    rec = Held(clock, {"crank": Edges(ticks, np.array([1, 0, 1], np.uint8))}, int(ticks[-1]) + 1)
    path = tmp_path / f"a.{form}"
    write_recording(path, rec)
    want = exact_times(clock, ticks)
    if form == "csv":
        rows = path.read_text().splitlines()
        assert rows[0] == "time_s,channel,level"
        assert [Decimal(row.split(",")[0]) for row in rows[1:]] == want
    else:
        stamps = [Decimal(w[1:]).scaleb(-9) for w in path.read_text().split() if w.startswith("#")]
        assert stamps[1:4] == want


@pytest.mark.parametrize("form", FORMATS)
def test_edges_of_two_channels_at_the_first_tick_stay_edges(form: str, tmp_path: Path) -> None:
    ticks = np.arange(1, 41, dtype=np.int64) * 1000
    levels = (np.arange(40) % 2).astype(np.uint8)
    edges = {"crank": Edges(ticks, levels), "feed": Edges(ticks[:3], 1 - levels[:3])}
    write_recording(tmp_path / f"a.{form}", Held(Clock(16.0), edges, 10**6))
    back = read_all(open_recording(tmp_path / f"a.{form}"))
    assert {name: len(e) for name, e in back.edges.items()} == {"crank": 40, "feed": 3}
    assert back.edges["feed"].levels.tolist() == [1, 0, 1]


def test_a_last_row_that_repeats_its_level_ends_the_recording(tmp_path: Path) -> None:
    path = tmp_path / "closed.csv"
    rows = [f"{i * 1e-3:.6f},crank,{i & 1}" for i in range(1, 21)]
    begin, end = ["0.000000,crank,0", "0.000000,feed,1"], ["2.000000,crank,0", "2.000000,feed,1"]
    path.write_text("time_s,channel,level\n" + "\n".join([*begin, *rows, *end]) + "\n")
    back = read_all(open_recording(path))
    assert (back.blind, back.source.get("faults"), back.source["end_told"]) == ((), None, True)
    assert {name: len(e) for name, e in back.edges.items()} == {"crank": 20, "feed": 0}
    assert back.clock.span_s(back.until_tick) == pytest.approx(2.0)


def test_a_repeated_level_before_the_last_tick_is_a_lost_edge(tmp_path: Path) -> None:
    path = tmp_path / "lost.csv"
    rows = [f"{i * 1e-3:.6f},crank,{i & 1}" for i in range(1, 21)]
    path.write_text("time_s,channel,level\n" + "\n".join([*rows, "0.100000,crank,0", "0.200000,cam,1"]) + "\n")
    (stretch,) = read_all(open_recording(path)).blind
    assert (stretch.reason, stretch.channel) == ("edge lost", "crank")


def test_one_quiet_channel_from_its_first_row_to_its_last(tmp_path: Path) -> None:
    """A harness at rest in which nothing happened: two rows of one level are no edges."""
    path = tmp_path / "quiet.csv"
    path.write_text("time_s,channel,level\n0.000000,crank,1\n0.000000,feed,1\n60.000000,crank,1\n60.000000,feed,1\n")
    recording = open_recording(path)
    with pytest.raises(FileTrouble, match="not one edge"):
        read_all(recording)


def test_a_channel_of_one_level_is_timing_edges_alone(tmp_path: Path) -> None:
    path = tmp_path / "one.csv"
    ticks = np.arange(1, 5000, dtype=np.int64) * 1000
    rec = Held(Clock(1000.0), {"crank": Edges(ticks, np.ones(len(ticks), np.uint8))}, 10**7)
    write_recording(path, rec)
    back = read_all(open_recording(path))
    assert back.blind == ()
    assert back.source["timing_edges_only"] == ["crank"]
    assert len(back.edges["crank"]) == len(ticks)
    assert set(back.edges["crank"].levels.tolist()) == {1}
    with pytest.raises(FileTrouble, match="timing edges of one level"):
        write_recording(tmp_path / "one.vcd", rec)


@pytest.mark.parametrize("order", ["one after the other", "in blocks"])
def test_channels_need_not_be_in_order_of_time(order: str, tmp_path: Path) -> None:
    n = 150_000
    crank = [f"{i * 1e-4:.6f},crank,{i & 1}" for i in range(n)]
    cam = [f"{i * 1e-3 + 5e-5:.6f},cam,{i & 1}" for i in range(n // 10)]
    rows = crank + cam
    if order == "in blocks":
        rows = [r for k in range(0, n, 1000) for r in (*crank[k : k + 1000], *cam[k // 10 : k // 10 + 100])]
    path = tmp_path / "unordered.csv"
    path.write_text("time_s,channel,level\n" + "\n".join(rows) + "\n")
    back = read_all(open_recording(path))
    assert back.blind == ()
    assert (len(back.edges["crank"]), len(back.edges["cam"])) == (n, n // 10)
    assert "faults" not in back.source


def test_a_late_channel_joins(tmp_path: Path) -> None:
    path = tmp_path / "late.csv"
    rows = [f"{i * 1e-4:.6f},crank,{i & 1}" for i in range(300_000)] + ["30.000000,feed,0", "30.001000,feed,1"]
    path.write_text("time_s,channel,level\n" + "\n".join(rows) + "\n")
    recording = open_recording(path)
    back = read_all(recording)
    assert len(back.edges["feed"]) == 2
    write_recording(tmp_path / "late.vcd", recording)
    assert "feed" in open_recording(tmp_path / "late.vcd").channels
