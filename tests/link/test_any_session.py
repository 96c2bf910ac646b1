"""Any session, cut or damaged in any way: the same edges, none invented, and blind time for each that was lost."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.edges.signal import Batch, Edges
from toothwise.link.assemble import Assembler
from toothwise.link.frames import wire

from tests.link.fakerig import FakeRig


@st.composite
def sessions(draw: st.DrawFn) -> tuple[list[bytes], Edges]:
    """Frames of a session of several busy channels, and crank's edges."""
    rig = FakeRig()
    frames = [rig.hello(), rig.heartbeat(0), rig.started(0)]
    now = 0
    sent: list[int] = []
    level = 1
    for _ in range(draw(st.integers(1, 15))):
        start, now = now, now + draw(st.integers(100, 5000))
        for channel in draw(st.lists(st.integers(0, 3), unique=True, max_size=4)):
            ticks = sorted(draw(st.lists(st.integers(start, now - 1), min_size=1, max_size=8)))
            frames.append(rig.edges(ticks, channel, level if channel == 0 else 0))
            if channel == 0:
                sent += ticks
                level = (level + len(ticks)) % 2
        frames.append(rig.heartbeat(now))
    levels = ((np.arange(len(sent)) + 1) % 2).astype(np.uint8)
    return frames, Edges(np.array(sent, np.int64), levels)


def run(data: bytes, cuts: list[int]) -> tuple[list[Batch], Assembler]:
    assembler = Assembler()
    assembler.may_begin = True
    batches = []
    for a, b in zip([0, *cuts], [*cuts, len(data)], strict=True):
        assembler.feed(data[a:b], 0.0)
        batch = assembler.take()
        if batch is not None:
            batches.append(batch)
    last = assembler.close(0.0)
    return batches + ([last] if last else []), assembler


def crank(batches: list[Batch]) -> Edges:
    return Edges.join([b.edges["crank"] for b in batches if "crank" in b.edges])


@given(sessions(), st.data())
@settings(max_examples=60)
def test_however_the_bytes_are_cut_the_edges_are_the_same(
    session: tuple[list[bytes], Edges], data: st.DataObject
) -> None:
    frames, sent = session
    whole = b"".join(frames)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(whole)), max_size=20)))
    for at in (cuts, list(range(1, len(whole)))):
        batches, _ = run(whole, at)
        got = crank(batches)
        np.testing.assert_array_equal(got.ticks, sent.ticks)
        np.testing.assert_array_equal(got.levels, sent.levels)
        assert [s for b in batches for s in b.blind] == []


@given(sessions(), st.data())
@settings(max_examples=150)
def test_whatever_happens_to_the_line_no_edge_is_invented_and_each_lost_one_is_blind(
    session: tuple[list[bytes], Edges], data: st.DataObject
) -> None:
    frames, sent = session
    hurt = frames[:3]
    for frame in frames[3:-1]:
        match data.draw(st.sampled_from(["whole"] * 4 + ["cut", "gone", "bit", "twice", "garbage", "swapped"])):
            case "whole":
                hurt.append(frame)
            case "cut":
                hurt.append(frame[: data.draw(st.integers(0, len(frame) - 1))])
            case "bit":
                at = data.draw(st.integers(0, len(frame) - 1))
                hurt.append(frame[:at] + bytes([frame[at] ^ 1 << data.draw(st.integers(0, 7))]) + frame[at + 1 :])
            case "twice":
                hurt += [frame, frame]
            case "garbage":
                hurt += [data.draw(st.binary(max_size=40)), frame]
            case "swapped":
                hurt.insert(len(hurt) - 1 if len(hurt) > 3 else len(hurt), frame)
    hurt.append(frames[-1])
    batches, _ = run(b"".join(hurt) + bytes(wire.MOST_PAYLOAD + 32), [])
    got = crank(batches)
    until = -1
    for batch in batches:
        assert batch.until_tick >= until
        until = batch.until_tick
    assert np.all(np.diff(got.ticks) >= 0)
    true = list(zip(sent.ticks.tolist(), sent.levels.tolist(), strict=True))
    for pair in zip(got.ticks.tolist(), got.levels.tolist(), strict=True):
        true.remove(pair)  # ValueError: an edge that was never there
    blind = [s for b in batches for s in b.blind if s.channel in (None, "crank")]
    for tick, _ in true:
        if tick < until:
            assert any(s.start_tick <= tick < s.end_tick for s in blind), f"edge at {tick} lost unseen"
