"""The firmware's loop on MicroPython's unix port, edges from a stream, over a real pseudo-terminal."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from toothwise.firmware import FOLDER, wire

from tests.firmware import streams, worlds
from tests.firmware.vouch import Account
from tests.parts import need

HZ = 62_500_000
END = wire.reason_id("source_end")


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Callable[..., worlds.UnixPort]]:
    """Makes rigs on a stream: rig(edges, until, *options, extra=[...])."""
    need("the MicroPython unix port", worlds.micropython() is not None)
    made = []

    def make(edges: streams.Edges, until: int, *options: str, extra: Any = None, **named: Any) -> worlds.UnixPort:
        path = streams.write(tmp_path / f"stream{len(made)}", edges, HZ, until, extra)
        made.append(worlds.UnixPort(path, *options, **named))
        made[-1].hello()
        return made[-1]

    yield make
    for world in made:
        world.close()


def started(world: worlds.World) -> int:
    return int(world.ask("start").split("tick=")[1])


def over(frame: worlds.Frame) -> bool:
    return frame[1] == wire.FAULT and frame[3][0] == END


def true(edges: streams.Edges, channel: int, began: int) -> list[tuple[int, int]]:
    ticks, levels = edges[channel]
    return [(began + int(t), int(level)) for t, level in zip(ticks, levels, strict=True)]


def finish(world: worlds.World, seconds: float = 60) -> None:
    world.wait(over, seconds)
    world.collect(0.4)


FOUR = {
    0: streams.square(1000, 3125, 30_000),
    1: streams.square(777, HZ // 50, 70),
    2: (np.array([HZ // 2, HZ // 2 + 13]), np.array([1, 0], np.uint8)),
    3: streams.square(5, 40_001, 2000),
}


@pytest.mark.parametrize("options", [(), ("--fast",)])
def test_four_channels_tick_by_tick(rig: Any, options: tuple[str, ...]) -> None:
    world = rig(FOUR, 3 * HZ // 2, *options)
    began = started(world)
    finish(world)
    for channel in range(4):
        account = Account(world.seen, channel)
        account.check(true(FOUR, channel, began))
        assert len(account.edges) == len(FOUR[channel][0])
        assert account.lost() == account.lost_by_ordinal == account.holes == 0
        assert account.until >= began + 3 * HZ // 2


def test_tick_wrap(rig: Any) -> None:
    """Two minutes of stream time, with silences of 20 s: three wraps of the 31 bits."""
    ticks = np.array([10, 20 * HZ, 34 * HZ, 35 * HZ, 55 * HZ, 70 * HZ, 90 * HZ, 110 * HZ], np.int64)
    edges = {0: (ticks, (np.arange(8) % 2).astype(np.uint8)), 1: streams.square(3, HZ // 3, 350)}
    world = rig(edges, 120 * HZ, "--fast")
    began = started(world)
    finish(world)
    for channel in (0, 1):
        Account(world.seen, channel).check(true(edges, channel, began))
    assert Account(world.seen, 0).edges[-1][0] == began + 110 * HZ


@pytest.mark.parametrize("pause_s", [0.05, 1.0])
def test_host_that_stops_reading(rig: Any, pause_s: float) -> None:
    """The capture goes on, whole frames alone arrive, and what was lost is counted and blind."""
    edges = {0: streams.square(1000, 3125, 40_000)}
    world = rig(edges, 2 * HZ, "--ring", "2048")
    began = started(world)
    world.collect(0.3)
    time.sleep(pause_s)
    finish(world)
    account = Account(world.seen, 0)
    account.check(true(edges, 0, began))
    assert world.decoder.bad_crc == 0 and world.decoder.garbage_bytes == 0
    assert len(account.edges) + account.lost() == 40_000
    assert account.lost() == account.lost_by_ordinal
    if pause_s == 1.0:
        assert account.lost() > 10_000
        assert account.blind_ticks("ring_overrun") > HZ // 2
        told = [wire.read_fault(p)[2] for p in world.of(wire.FAULT) if wire.REASONS[p[0]] == "frames_dropped"]
        assert sum(told) == account.holes_frames > 0


def test_burst_of_a_megahertz_neither_hangs_nor_lies(rig: Any) -> None:
    """5 MHz for 20 ms on one channel, far above what a ring holds; the rig answers all through it."""
    burst = streams.square(HZ // 4, 12, 100_000)
    calm = streams.square(1000, HZ // 1000, 900)
    edges = {0: burst, 1: calm}
    world = rig(edges, HZ)
    began = started(world)
    while not any(over(f) for f in world.seen):
        assert world.ask("mute off") == "ok"
    world.collect(0.4)
    account = Account(world.seen, 0)
    account.check(true(edges, 0, began))
    assert len(account.edges) + account.lost() == 100_000
    other = Account(world.seen, 1)
    other.check(true(edges, 1, began))
    assert other.lost() == 0


def events(world: worlds.World, kind: int) -> list[tuple[int, int, int, int, int, int]]:
    return [event for event in map(wire.read_event, world.of(wire.EVENT)) if event[0] == kind]


def test_at_rest_contacts_sound_from_the_board(rig: Any) -> None:
    """One interruption of 13 ticks, one of a second: told, sounded within 100 ms, by the board alone."""
    edges = {
        0: (np.array([HZ // 2, HZ // 2 + 13]), np.array([1, 0], np.uint8)),
        2: (np.array([HZ, 2 * HZ]), np.array([1, 0], np.uint8)),
    }
    world = rig(edges, 5 * HZ // 2)
    assert world.ask("watch rest") == "ok"
    began = started(world)
    finish(world)
    contacts = events(world, wire.CONTACT)
    assert [(c[1], c[2], c[3]) for c in contacts] == [(0, 0, 2), (2, 1, 1), (2, 0, 1)]
    assert contacts[0][4:] == (began + HZ // 2, began + HZ // 2 + 13)
    assert contacts[2][4] - contacts[1][4] == HZ
    sounds = events(world, wire.SOUND)
    assert [s[2] for s in sounds] == [4, 3, 3]  # contact, then feed twice
    for sound, edge in zip(sounds, (HZ // 2, HZ, 2 * HZ), strict=True):
        assert 0 <= sound[4] - began - edge < HZ // 10
    Account(world.seen, 0).check(true(edges, 0, began))


def test_turning_watch_makes_no_contacts(rig: Any) -> None:
    world = rig({0: streams.square(1000, 30_000, 1000)}, HZ)
    started(world)
    finish(world)
    assert world.of(wire.EVENT) == []


def test_at_rest_without_a_host_that_reads(rig: Any) -> None:
    """The board sounds while nobody listens; what it found is told when somebody does."""
    edges = {0: (np.array([HZ // 2, HZ // 2 + 13]), np.array([1, 0], np.uint8))}
    world = rig(edges, 3 * HZ)
    assert world.ask("watch rest") == "ok"
    began = started(world)
    time.sleep(1.5)
    finish(world)
    assert [c[4:] for c in events(world, wire.CONTACT)] == [(began + HZ // 2, began + HZ // 2 + 13)]


def test_contact_storm_is_bounded(rig: Any) -> None:
    """A chattering contact: ten events a second at most on a channel, every edge accounted for."""
    edges = {0: streams.square(HZ // 10, HZ // 4000, 4000)}
    world = rig(edges, 5 * HZ // 4)
    assert world.ask("watch rest") == "ok"
    began = started(world)
    finish(world)
    contacts = events(world, wire.CONTACT)
    assert sum(c[3] for c in contacts) == 4000
    assert len(contacts) <= 12
    Account(world.seen, 0).check(true(edges, 0, began))


def test_continuity_opens(rig: Any) -> None:
    """Without the walk nothing is blind, and an open of 100 us is told with its duration."""
    edges = {1: (np.array([HZ // 2, HZ // 2 + 6250]), np.array([1, 0], np.uint8)), 3: streams.square(HZ // 4, 999, 9)}
    world = rig(edges, HZ)
    assert world.ask("watch continuity 3 0") == "ok"
    began = started(world)
    finish(world)
    opens = events(world, wire.OPEN)
    assert [(o[1], o[3], o[4], o[5]) for o in opens] == [(1, 2, began + HZ // 2, began + HZ // 2 + 6250)]
    assert [s[2] for s in events(world, wire.SOUND)] == [5]
    account = Account(world.seen, 1)
    account.check(true(edges, 1, began))
    assert account.blind_ticks("walking") == 0


def test_continuity_shorts(rig: Any) -> None:
    short = (HZ, wire.EVENT, wire.pack_event(wire.SHORT, 0, 2, 1, HZ, 2 * HZ))
    edges = {1: streams.square(HZ // 3, HZ // 7, 11)}
    world = rig(edges, 5 * HZ // 2, extra=[short])
    assert world.ask("watch continuity 3 250") == "ok"
    began = started(world)
    finish(world)
    shorts = events(world, wire.SHORT)
    assert 2 <= len(shorts) <= 5
    assert all(s[1:3] == (0, 2) for s in shorts) and [s[3] for s in shorts] == list(range(1, len(shorts) + 1))
    assert began + HZ <= shorts[0][4] < began + 3 * HZ // 2
    assert 6 in [s[2] for s in events(world, wire.SOUND)]
    walks = [b for b in Account(world.seen, 0).blind if wire.REASONS[b[2]] == "walking"]
    assert len(walks) >= 6
    assert Account(world.seen, 3).blind_ticks("walking") == 0  # aux is not watched
    Account(world.seen, 1).check(true(edges, 1, began))


def test_mark_button_is_debounced(rig: Any) -> None:
    """Presses 30 ms apart melt into one, presses half a second apart are two."""
    press = wire.pack_event
    at = [HZ // 4, HZ // 4 + HZ // 33, 3 * HZ // 4]
    extra = [(t, wire.EVENT, press(wire.MARK, 255, 1, 1, t, t)) for t in at]
    world = rig({}, HZ, extra=extra)
    began = started(world)
    finish(world)
    marks = events(world, wire.MARK)
    assert [m[2] for m in marks] == [1, 1]
    assert 0 <= marks[0][4] - began - at[0] < HZ // 10
    assert [s[2] for s in events(world, wire.SOUND)] == [0, 0]


def test_analogue_readings(rig: Any) -> None:
    extra = [(10, wire.ANALOGUE, wire.pack_analogue(10, 4987, 31_000))]
    world = rig({}, HZ, extra=extra)
    started(world)
    finish(world)
    assert wire.read_analogue(world.of(wire.ANALOGUE)[-1])[1:] == (4987, 31_000)
    assert world.hello()["analogue"] == ["feed_mv", "temperature_raw"]


def test_levels_in_heartbeats(rig: Any) -> None:
    edges = {0: (np.array([HZ // 4]), np.array([1], np.uint8)), 3: (np.array([HZ // 4]), np.array([1], np.uint8))}
    world = rig(edges, HZ // 2)
    started(world)
    finish(world)
    assert wire.read_heartbeat(world.of(wire.HEARTBEAT)[-1])[3] == 0b1001


def test_hundred_kilobytes_of_heap(rig: Any) -> None:
    """Pointers of the unix port are twice as long as a board's, so 200 KB here are no more than 100 KB there."""
    edges = {n: streams.square(100 + n, 6250, 10_000) for n in range(2)}
    world = rig(edges, 5 * HZ // 4, "--ring", "2048", heap="200k")
    began = started(world)
    finish(world)
    for n in (0, 1):
        account = Account(world.seen, n)
        account.check(true(edges, n, began))
    facts = world.hello()
    assert facts["heap_used"] < 200_000


def test_another_rig_s_capture_is_replayed(rig: Any, tmp_path: Path) -> None:
    """What a state-machine board sent (times counting down, own phase) is a stream too."""
    ticks = np.array([1000, 2000, 3500], np.int64)
    phase = 12345
    up = (ticks + phase) & wire.TIME_MASK
    words = ((up ^ wire.TIME_MASK) << 1 | np.array([1, 0, 1])).astype("<u4").tobytes()
    path = tmp_path / "dump"
    path.write_bytes(
        wire.make_frame(wire.EDGES, 0, wire.pack_edges(1, 0, words, wire.COUNTS_DOWN, phase))
        + wire.make_frame(wire.HEARTBEAT, 1, wire.pack_heartbeat(HZ // 4, 0, 0, 2, 0, []))
    )
    world = worlds.UnixPort(path)
    try:
        world.hello()
        began = started(world)
        finish(world)
        assert Account(world.seen, 1).edges == [(began + 1000, 1), (began + 2000, 0), (began + 3500, 1)]
    finally:
        world.close()


def test_stop_and_start_go_on_in_the_stream(rig: Any) -> None:
    edges = {0: streams.square(1000, HZ // 1000, 1000)}
    world = rig(edges, HZ)
    started(world)
    world.collect(0.3)
    world.ask("stop")
    before = len(Account(world.seen, 0).edges)
    world.collect(0.3)
    assert len(Account(world.seen, 0).edges) == before
    started(world)
    finish(world)
    account = Account(world.seen, 0)
    assert len(account.edges) + account.lost() == 1000


def test_shorts_that_are_over_are_forgotten(tmp_path: Path) -> None:
    """In MicroPython itself: an hour's stream may hold any number of them."""
    need("the MicroPython unix port", worlds.micropython() is not None)
    shorts = [(n * 100, wire.EVENT, wire.pack_event(wire.SHORT, 0, 1, 1, n * 100, n * 100 + 150)) for n in range(1000)]
    path = streams.write(tmp_path / "shorts", {}, HZ, HZ // 100, shorts)
    script = f"""
from capture_replay import Capture
from clock import WideClock
capture = Capture(open({str(path)!r}, "rb"), WideClock(), True, 512)
capture.start()
while not capture.faults:
    capture.turn()
print(len(capture.shorts))
"""
    path_of = {"MICROPYPATH": str(FOLDER)}
    run = subprocess.run([str(worlds.micropython()), "-c", script], capture_output=True, text=True, env=path_of)
    assert run.stdout.strip() == "2", run.stderr


@pytest.mark.parametrize("options", [["--stream"], ["--nonsense"], []])
def test_options_it_does_not_know(options: list[str]) -> None:
    need("the MicroPython unix port", worlds.micropython() is not None)
    done = subprocess.run(
        [str(worlds.micropython()), str(FOLDER / "main.py"), *options], capture_output=True, text=True
    )
    assert done.returncode == 2
    assert "Traceback" not in done.stdout + done.stderr and "--stream" in done.stderr
