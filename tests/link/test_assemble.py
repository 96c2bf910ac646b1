"""Frames to batches: every kind of loss becomes blind time, and nothing is invented."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.edges.signal import Batch, Blind, Edges
from toothwise.link.assemble import Assembler
from toothwise.link.frames import wire
from toothwise.link.notes import Fault, Happening, Reading

from tests.link.fakerig import FakeRig


def met(rig: FakeRig, assembler: Assembler, start: int = 0) -> None:
    """Hello, and the capture begun at the rig's tick `start`."""
    assembler.may_begin = True
    assembler.feed(rig.hello() + rig.heartbeat(start) + rig.started(start), 0.0)


def all_of(assembler: Assembler, now_s: float | None = None) -> tuple[Edges, list[Blind], int]:
    """What `take` gives now: crank's edges, blind stretches, until."""
    batches = [b for b in [assembler.take(), assembler.close(now_s) if now_s is not None else None] if b]
    edges = Edges.join([b.edges["crank"] for b in batches if "crank" in b.edges])
    return edges, [s for b in batches for s in b.blind], batches[-1].until_tick if batches else -1


@pytest.fixture
def rig() -> FakeRig:
    return FakeRig()


@pytest.fixture
def assembler(rig: FakeRig) -> Assembler:
    made = Assembler()
    met(rig, made)
    return made


def test_edges_wait_for_the_heartbeat_that_vouches_for_all_channels(rig: FakeRig, assembler: Assembler) -> None:
    assembler.feed(rig.edges([100, 200, 300]), 0.1)
    assert all_of(assembler)[2] <= 0
    assembler.feed(rig.heartbeat(250), 0.1)
    edges, blind, until = all_of(assembler)
    assert (list(edges.ticks), list(edges.levels), blind, until) == ([100, 200], [1, 0], [], 250)
    assembler.feed(rig.heartbeat(400), 0.2)
    edges, blind, until = all_of(assembler)
    assert (list(edges.ticks), list(edges.levels), blind, until) == ([300], [1], [], 400)


def test_the_recording_begins_at_zero_whatever_the_rigs_clock_shows() -> None:
    rig, assembler = FakeRig(), Assembler()
    met(rig, assembler, start=5_000_000_000)
    assembler.feed(rig.edges([5_000_000_123]) + rig.heartbeat(5_000_001_000), 0.1)
    edges, blind, until = all_of(assembler)
    assert (list(edges.ticks), blind, until) == ([123], [], 1000)


def test_a_rig_that_captures_already_is_joined_at_its_next_heartbeat() -> None:
    rig, assembler = FakeRig(), Assembler()
    rig.capturing = True
    assembler.feed(rig.edges([900]) + rig.hello() + rig.edges([990]) + rig.heartbeat(1000), 0.0)
    assert assembler.take() is None and not assembler.wants_start
    assembler.may_begin = True
    assembler.feed(rig.heartbeat(2000) + rig.edges([2500]) + rig.heartbeat(3000), 0.1)
    edges, blind, until = all_of(assembler)
    assert (list(edges.ticks), blind, until) == ([500], [], 1000)


@pytest.mark.parametrize("down", [False, True])
def test_ticks_wrap_and_are_widened(rig: FakeRig, assembler: Assembler, down: bool) -> None:
    """Over several wraps of the 31 bits in a word, also for a rig that counts down."""
    ticks = list(range(20_000_000, 5 * (1 << 31), 1 << 29))
    for tick in ticks:
        assembler.feed(rig.edges([tick, tick + 70_000_000], base=tick - 10_000_000, down=down), 0.1)
    assembler.feed(rig.heartbeat(6 * (1 << 31)), 0.1)
    edges, blind, _ = all_of(assembler)
    assert list(edges.ticks) == [t for tick in ticks for t in (tick, tick + 70_000_000)]
    assert blind == []


@given(
    st.integers(0, 1 << 45),
    st.lists(st.integers(0, 1 << 30), min_size=1, max_size=20),
    st.integers(0, (1 << 24) - 1),
    st.booleans(),
)
def test_widening_agrees_with_the_plain_form(base: int, steps: list[int], early: int, down: bool) -> None:
    """`wire.widen`, word by word, is the reference."""
    rig, assembler = FakeRig(), Assembler()
    met(rig, assembler)
    ticks = base + np.minimum(np.cumsum(np.array(steps, np.int64)), (1 << 31) - (1 << 24) - 1)
    payload_of = rig.edges([int(t) for t in ticks], base=base, down=down)
    payload = payload_of[wire.HEADER_BYTES : -wire.CRC_BYTES]
    _, flags, _, phase, _, words = wire.read_edges(payload)
    plain = [wire.widen(w, flags, base, phase) for w in struct.unpack(f"<{len(words) // 4}I", words)]
    assembler.feed(payload_of + rig.heartbeat(int(ticks[-1]) + 1), 0.1)
    edges, blind, _ = all_of(assembler)
    assert list(edges.ticks) == plain == list(ticks)
    assert blind == []


@given(st.data())
@settings(max_examples=150)
def test_frames_looked_at_together_give_what_each_gives_by_itself(draw: st.DataObject) -> None:
    """In order or not, for one channel or several, with frames missing, counting up or down."""
    rig, together, alone = FakeRig(), Assembler(), Assembler()
    began = [rig.hello(), rig.heartbeat(0), rig.started(0)]
    frames = []
    now = 0
    for _ in range(draw.draw(st.integers(1, 12))):
        now += draw.draw(st.integers(0, 500))
        match draw.draw(st.integers(0, 9)):
            case 0:
                frames.append(rig.heartbeat(now))
            case 1:
                rig.skip()
            case 2:
                frames.append(rig.blind(max(now - 300, 0), now, channel=draw.draw(st.integers(0, 1))))
            case 3:
                rig.ordinals[0] += 1
            case _:
                steps = draw.draw(st.lists(st.integers(-3, 60), min_size=1, max_size=6))
                ticks = [max(now + step, 0) for step in np.cumsum(steps).tolist()]
                base = draw.draw(st.sampled_from([None, max(now - 40, 0), now]))
                frames.append(rig.edges(ticks, draw.draw(st.integers(0, 1)), base=base, down=draw.draw(st.booleans())))
                now = max(now, *ticks) if draw.draw(st.booleans()) else now
    frames.append(rig.heartbeat(now + 1000))
    batches: list[list[Batch | None]] = [[], []]
    for kept, assembler, pieces in zip(
        batches, (together, alone), ([b"".join(began + frames)], began + frames), strict=True
    ):
        assembler.may_begin = True
        for piece in pieces:
            assembler.feed(piece, 0.0)
            for channel in assembler._channels if assembler is alone else ():
                channel.settle_edges()
            kept.append(assembler.take())
    for channel in ("crank", "cam"):
        one, other = (Edges.join([b.edges[channel] for b in kept if b and channel in b.edges]) for kept in batches)
        assert np.array_equal(one.ticks, other.ticks) and np.array_equal(one.levels, other.levels)
    one_blind, other_blind = (
        sorted((s.start_tick, s.end_tick, s.reason, s.channel or "") for b in kept if b for s in b.blind)
        for kept in batches
    )
    assert one_blind == other_blind
    assert together.stats == alone.stats


def test_a_skipped_frame_is_blind_on_every_channel_until_it_is_vouched_for_again(
    rig: FakeRig, assembler: Assembler
) -> None:
    assembler.feed(rig.edges([100]) + rig.heartbeat(150), 0.1)
    rig.edges([160, 170])  # never arrives
    assembler.feed(rig.edges([300, 310]) + rig.heartbeat(400), 0.2)
    edges, blind, _ = all_of(assembler)
    assert list(edges.ticks) == [100, 300, 310]
    assert Blind(150, 300, "frames_lost", "crank") in blind
    for name in ("cam", "feed", "aux"):
        assert Blind(150, 400, "frames_lost", name) in blind
    assert assembler.stats.lost_frames == 1


def test_frames_the_rig_dropped_itself_held_no_edges(rig: FakeRig, assembler: Assembler) -> None:
    """It drops heartbeats and the like, never edges: whose loss it owns up to costs no sight."""
    dropped = wire.pack_fault(wire.reason_id("frames_dropped"), wire.ALL_CHANNELS, 1, 250)
    assembler.feed(rig.edges([100]) + rig.heartbeat(150), 0.1)
    rig.skip()
    assembler.feed(rig.edges([220], base=210) + rig.frame(wire.FAULT, dropped) + rig.heartbeat(250), 0.2)
    edges, blind, until = all_of(assembler)
    assert (list(edges.ticks), blind, until) == ([100, 220], [], 250)
    rig.skip()
    rig.skip()  # one more than it owns up to
    assembler.feed(rig.edges([320], base=310) + rig.frame(wire.FAULT, dropped) + rig.heartbeat(350), 0.3)
    _, blind, _ = all_of(assembler)
    assert Blind(250, 310, "frames_lost", "crank") in blind and Blind(250, 350, "frames_lost", "cam") in blind


def test_a_lost_heartbeat_while_nothing_turns_is_one_stretch_for_all(rig: FakeRig, assembler: Assembler) -> None:
    assembler.feed(rig.heartbeat(100), 0.1)
    rig.skip()
    assembler.feed(rig.heartbeat(300), 0.2)
    assert all_of(assembler)[1] == [Blind(100, 300, "frames_lost")]


@pytest.mark.parametrize("at", [0, 3, 5, 9, 13, 20, 30, -1])
def test_a_wrong_bit_anywhere_in_a_frame_is_a_lost_frame(rig: FakeRig, assembler: Assembler, at: int) -> None:
    assembler.feed(rig.heartbeat(50), 0.1)
    harmed = bytearray(rig.edges([60, 70]))
    harmed[at] ^= 0x10
    assembler.feed(bytes(harmed) + rig.heartbeat(100) + rig.edges([150]) + rig.heartbeat(200), 0.2)
    edges, blind, until = all_of(assembler)
    assert list(edges.ticks) == [150]
    assert blind == [Blind(50, 100, "frames_lost")]
    assert until == 200


def test_repeated_and_older_frames_change_nothing(rig: FakeRig, assembler: Assembler) -> None:
    first, second = rig.edges([100, 110]), rig.edges([120, 130])
    beat = rig.heartbeat(200)
    assembler.feed(first + first + second + first + second + beat + beat + first, 0.1)
    edges, blind, _ = all_of(assembler)
    assert list(edges.ticks) == [100, 110, 120, 130]
    assert blind == []
    assert assembler.stats.repeated_frames == 5


def test_the_sequence_wraps() -> None:
    rig, assembler = FakeRig(), Assembler()
    rig.sequence = wire.SEQUENCE_MASK - 3
    met(rig, assembler)
    assembler.feed(rig.edges([10]) + rig.edges([20]) + rig.edges([30]) + rig.heartbeat(100), 0.1)
    edges, blind, _ = all_of(assembler)
    assert (list(edges.ticks), blind, assembler.stats.lost_frames) == ([10, 20, 30], [], 0)


def test_the_rigs_own_blind_stretches_come_through(rig: FakeRig, assembler: Assembler) -> None:
    assembler.feed(rig.edges([100]), 0.1)
    rig.ordinals[0] += 7  # seven edges overran the ring
    assembler.feed(rig.edges([900]) + rig.blind(110, 890, lost=7) + rig.heartbeat(1000), 0.1)
    edges, blind, _ = all_of(assembler)
    assert list(edges.ticks) == [100, 900]
    assert blind == [Blind(110, 890, "ring_overrun", "crank")]
    assert assembler.stats.lost_edges == 14  # as counted by the ordinals and as told by the rig


def test_a_step_in_the_ordinals_that_the_rig_does_not_explain_is_blind(rig: FakeRig, assembler: Assembler) -> None:
    assembler.feed(rig.edges([100]), 0.1)
    rig.ordinals[0] += 3
    assembler.feed(rig.edges([900, 950]) + rig.heartbeat(1000), 0.1)
    assert all_of(assembler)[1] == [Blind(100, 900, "frames_lost", "crank")]
    assert assembler.stats.lost_edges == 3


def test_edges_the_rig_had_vouched_against_are_dropped_and_blind(rig: FakeRig, assembler: Assembler) -> None:
    assembler.feed(rig.heartbeat(500), 0.1)
    assembler.take()
    assembler.feed(rig.edges([400, 600], base=300) + rig.edges([550, 700], base=500) + rig.heartbeat(800), 0.1)
    edges, blind, _ = all_of(assembler)
    assert list(edges.ticks) == [600, 700]
    assert assembler.stats.contradicting_edges == 2
    assert blind == [Blind(400, 401, "frames_lost", "crank"), Blind(600, 601, "frames_lost", "crank")]


def test_two_edges_may_share_a_tick_across_frames(rig: FakeRig, assembler: Assembler) -> None:
    assembler.feed(rig.edges([100, 200]) + rig.edges([200, 300]) + rig.heartbeat(400), 0.1)
    edges, blind, _ = all_of(assembler)
    assert (list(edges.ticks), blind) == ([100, 200, 200, 300], [])


def test_a_reset_goes_on_by_the_hosts_clock_and_is_blind(rig: FakeRig, assembler: Assembler) -> None:
    assembler.feed(rig.edges([1_000_000]) + rig.heartbeat(2_000_000), 2.0)
    again = FakeRig(boot=8)
    assembler.feed(again.hello() + again.heartbeat(10), 5.0)
    assert assembler.wants_start
    assembler.feed(again.started(20) + again.edges([120]) + again.heartbeat(1020), 5.0)
    edges, blind, until = all_of(assembler)
    assert list(edges.ticks) == [1_000_000, 5_000_100]
    assert blind == [Blind(2_000_000, 5_000_000, "rig_reset")]
    assert until == 5_001_000 and not assembler.wants_start and assembler.stats.resets == 1


def test_a_reset_whose_hello_was_lost_is_seen_by_the_heartbeat(rig: FakeRig, assembler: Assembler) -> None:
    assembler.feed(rig.edges([100]) + rig.heartbeat(200) + rig.heartbeat(300), 0.1)
    again = FakeRig(boot=8)
    again.hello()
    assembler.feed(again.edges([5, 6]) + again.heartbeat(10), 0.2)
    assert assembler.wants_start
    assembler.feed(again.started(20) + again.heartbeat(50), 0.2)
    edges, blind, _ = all_of(assembler)
    assert list(edges.ticks) == [100]
    assert [(s.start_tick, s.reason, s.channel) for s in blind] == [(300, "rig_reset", None)]


def test_an_unplugged_line_is_blind_until_the_same_rig_vouches_again(rig: FakeRig, assembler: Assembler) -> None:
    assembler.feed(rig.edges([100]) + rig.heartbeat(200) + rig.edges([210])[:9], 0.1)
    assembler.line_lost()
    for _ in range(50):
        rig.skip()
    assembler.feed(rig.heartbeat(9000)[5:] + rig.edges([9100]), 3.0)  # not yet known to be the same rig
    assembler.feed(rig.hello() + rig.edges([9500]) + rig.heartbeat(9600), 3.0)
    edges, blind, _ = all_of(assembler)
    assert list(edges.ticks) == [100, 9500]
    assert Blind(200, 9500, "link_lost", "crank") in blind
    assert Blind(200, 9600, "link_lost", "cam") in blind
    assert assembler.stats.resets == 0


def test_closing_while_the_line_is_gone_is_blind_up_to_now(rig: FakeRig, assembler: Assembler) -> None:
    assembler.feed(rig.edges([100]) + rig.heartbeat(200), 1.0)
    assembler.line_lost()
    edges, blind, until = all_of(assembler, now_s=4.0)
    assert list(edges.ticks) == [100]
    assert blind == [Blind(200, 3_000_200, "link_lost")]
    assert until == 3_000_200


def test_frames_that_make_no_sense_are_lost_frames(rig: FakeRig, assembler: Assembler) -> None:
    assembler.feed(rig.heartbeat(100), 0.1)
    nonsense = [
        rig.frame(wire.EDGES, b""),
        rig.frame(wire.EDGES, bytes(19)),
        rig.frame(wire.EDGES, wire.pack_edges(9, 0, bytes(4))),
        rig.frame(wire.EDGES, wire.pack_edges(0, (1 << 64) - 1, bytes(4))),
        rig.frame(wire.HEARTBEAT, b"\0"),
        rig.frame(wire.HEARTBEAT, wire.pack_heartbeat(500, 0, rig.boot, 0, 1, [900] * 4)),
        rig.frame(wire.HEARTBEAT, wire.pack_heartbeat(500, 0, rig.boot, 0, 1, [500] * 3)),
        rig.frame(wire.BLIND, b"\0\1\2"),
        rig.frame(wire.FAULT, b""),
        rig.frame(wire.EVENT, b"1"),
        rig.frame(wire.COUNTERS, bytes(16) + b"\xff\0\0\0"),
        rig.frame(wire.ANALOGUE, b""),
        rig.hello(tick_hz=0),
        rig.hello(channels=[]),
        rig.frame(wire.HELLO, b"[1]"),
    ]
    assembler.feed(b"".join(nonsense) + rig.frame(200, b"a type of later") + rig.heartbeat(600), 0.2)
    edges, blind, until = all_of(assembler)
    assert (len(edges), blind, until) == (0, [Blind(100, 600, "frames_lost")], 600)
    assert assembler.stats.unreadable_frames == len(nonsense)


def test_notes_and_counts(rig: FakeRig, assembler: Assembler) -> None:
    assembler.feed(
        rig.frame(wire.EVENT, wire.pack_event(wire.MARK, 255, 1, 1, 40, 40))
        + rig.frame(wire.ANALOGUE, wire.pack_analogue(50, 5012, -1))
        + rig.frame(wire.FAULT, wire.pack_fault(wire.reason_id("heap_low"), 255, 3, 60))
        + rig.frame(wire.COUNTERS, wire.pack_counters(9, 2, 1, 1, [[5, 0, 1]] * 4))
        + rig.heartbeat(70, levels=5),
        0.1,
    )
    mark, reading, fault = assembler.notes
    assert mark == Happening("mark", 255, 1, 1, 40, 40)
    assert reading == Reading(50, 5.012, None)
    assert isinstance(fault, Fault) and fault.reason == "heap_low" and "KB" in fault.hint
    assert (assembler.stats.rig_dropped_frames, assembler.stats.rig_missed_edges) == (2, 4)
    assert assembler.levels == 5


@pytest.mark.parametrize(("ends", "until"), [(True, 500), (False, 900)])
def test_a_stream_ends_where_it_ended(rig: FakeRig, ends: bool, until: int) -> None:
    assembler = Assembler(ends_with_stream=ends)
    met(rig, assembler)
    fault = wire.pack_fault(wire.reason_id("source_end"), 255, 0, 500)
    assembler.feed(rig.edges([100]) + rig.frame(wire.FAULT, fault) + rig.heartbeat(450), 0.1)
    assert not assembler.ended
    assembler.feed(rig.heartbeat(900), 0.1)
    assert assembler.ended == ends
    assert all_of(assembler)[2] == until


def test_a_start_at_no_tick_that_can_be_is_unreadable() -> None:
    rig, assembler = FakeRig(), Assembler()
    assembler.may_begin = True
    assembler.feed(rig.hello() + rig.heartbeat(0) + rig.started(10**20), 0.0)
    assembler.feed(rig.edges([100, 200]) + rig.heartbeat(300), 0.1)
    assert all_of(assembler, 1.0)[2] == -1 and assembler.stats.unreadable_frames == 1


@pytest.mark.parametrize(
    ("kind", "payload"),
    [
        (wire.EDGES, wire.pack_edges(0, 1 << 62, b"")),
        (wire.BLIND, wire.pack_blind(0, 1, 100, (1 << 64) - 1, 0)),
        (wire.ANALOGUE, wire.pack_analogue(1 << 63, 5000, 0)),
        (wire.FAULT, wire.pack_fault(1, 0, 0, 1 << 63)),
        (wire.EVENT, wire.pack_event(wire.MARK, 0, 0, 0, 100, 1 << 63)),
    ],
    ids=["edges", "blind", "analogue", "fault", "event"],
)
def test_a_tick_that_cannot_be_makes_a_frame_unreadable(
    rig: FakeRig, assembler: Assembler, kind: int, payload: bytes
) -> None:
    """A book could not hold it, nor an array."""
    assembler.feed(rig.frame(kind, payload) + rig.heartbeat(1000), 0.1)
    edges, blind, until = all_of(assembler)
    assert (len(edges), until, assembler.stats.unreadable_frames) == (0, 1000, 1)
    assert blind == [Blind(0, 1000, "frames_lost")] and assembler.notes == []
