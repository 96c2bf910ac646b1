"""What any rig does, in whatever world: on the unix port by default, on a real board with `pytest --board PORT`."""

from __future__ import annotations

import time
from typing import Any

import pytest
from toothwise.firmware import pattern_out, wire

from tests.firmware.vouch import Account
from tests.firmware.worlds import UnixPort, World


def words(answer: str) -> dict[str, str]:
    return dict(word.split("=") for word in answer.split()[1:])


def test_hello_says_what_it_is(world: World, declared: dict[str, Any]) -> None:
    facts = world.hello()
    assert facts["protocol"] == wire.PROTOCOL
    assert facts["capture"] == declared["capture"]
    assert facts["tick_hz"] >= declared["tick_hz_at_least"]
    assert [c["name"] for c in facts["channels"]] == list(wire.CHANNELS)
    for channel in facts["channels"]:
        assert channel["resolution_ns"] >= 1e9 / facts["tick_hz"] * 0.999
        assert channel["highest_rate"] > 0
    assert facts["heap_used"] > 0 and facts["heap_free"] > 0
    assert not facts["capturing"]
    assert facts["boot"] == world.hello()["boot"]


def test_heartbeats_prove_silence(world: World) -> None:
    """At least ten a second; `until` keeps up with the clock on a channel that never moved."""
    began = int(words(world.ask("start"))["tick"])
    hz = world.hello()["tick_hz"]
    frames = world.collect(1.0)
    beats = [wire.read_heartbeat(p) for p in world.of(wire.HEARTBEAT, frames)]
    assert len(beats) >= 10
    for tick, us, _, _, state, until in beats:
        assert state & wire.CAPTURING
        assert tick - until[3] < hz // 5
        assert abs(tick / hz - us / 1e6) < 0.2
    assert beats[-1][5][3] > began
    assert Account(world.seen, 3).edges == []


def test_pattern_edge_by_edge(world: World, declared: dict[str, Any]) -> None:
    """The pattern over its jumper: every edge where it was put, nothing else, nothing blind."""
    assert declared["jumpers"]["pattern"] == "crank"
    hz = world.hello()["tick_hz"]
    world.ask("start")
    said = words(world.ask("self-check pattern"))
    expected = pattern_out.edges(hz, int(said["to_rpm"]))
    assert len(expected) == int(said["edges"])
    world.wait(lambda f: f[1] == wire.EVENT and f[3][0] == wire.PATTERN_DONE, 30 + float(said["seconds"]))
    world.collect(0.3)
    account = Account(world.seen, 0)
    first = account.edges[0][0]
    account.check([(first + at, level) for at, level in expected], within=declared["tolerance_ticks"])
    assert len(account.edges) == len(expected) and account.lost() == 0


def test_pattern_can_be_ended_and_is_not_played_twice(world: World) -> None:
    world.ask("start")
    assert world.ask("self-check pattern").startswith("ok")
    assert world.ask("self-check pattern") == "error busy"
    assert world.ask("self-check stop") == "ok"
    world.wait(lambda f: f[1] == wire.EVENT and f[3][0] == wire.PATTERN_DONE)


def test_steady_rate(world: World, declared: dict[str, Any]) -> None:
    if declared["capture"] == "irq":
        pytest.skip("a loop cannot play steady edges")
    world.ask("start")
    assert world.ask("self-check rate 20000 500") == "ok"
    world.wait(lambda f: f[1] == wire.EVENT and f[3][0] == wire.PATTERN_DONE)
    world.collect(0.3)
    account = Account(world.seen, 0)
    assert len(account.edges) == 10_000 and account.lost() == 0 and account.holes == 0


def test_a_long_rate_needs_no_list_of_its_edges(world: World, declared: dict[str, Any]) -> None:
    if declared["capture"] == "irq":
        pytest.skip("a loop cannot play steady edges")
    assert world.ask("self-check rate 100000 60000") == "ok"
    assert world.ask("self-check stop") == "ok"
    world.wait(lambda f: f[1] == wire.EVENT and f[3][0] == wire.PATTERN_DONE)


def test_start_and_stop(world: World) -> None:
    assert world.ask("stop").startswith("ok")
    first = int(words(world.ask("start"))["tick"])
    assert int(words(world.ask("start"))["tick"]) == first
    world.collect(0.3)
    stopped = int(words(world.ask("stop"))["tick"])
    assert stopped > first
    world.collect(0.2)
    again = int(words(world.ask("start"))["tick"])
    world.collect(0.3)
    account = Account(world.seen, 0)
    reasons = [wire.REASONS[reason] for _, _, reason, _ in account.blind]
    assert reasons == ["not_started", "not_started"]
    assert account.blind[1][:2] == (stopped, again)
    assert account.until > again


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("nonsense", "error unknown_command"),
        ("beep nonsense", "error bad_argument"),
        ("beep 5 100", "error bad_argument"),
        ("lamp", "error bad_argument"),
        ("lamp purple", "error bad_argument"),
        ("mute", "error bad_argument"),
        ("self-check", "error bad_argument"),
        ("self-check rate x 1", "error bad_argument"),
        ("self-check rate -5 10", "error bad_argument"),
        ("self-check rate 500001 10", "error bad_argument"),
        ("self-check rate 10 60001", "error bad_argument"),
        ("watch nonsense", "error bad_argument"),
        ("watch continuity 9", "error bad_argument"),
        ("watch continuity", "error bad_argument"),
        ("watch continuity 1 -5", "error bad_argument"),
    ],
)
def test_refusals(world: World, line: str, answer: str) -> None:
    """Endings of a command: done, unknown, bad argument, refused for a reason of the table. The rig goes on."""
    assert world.ask(line) == answer
    assert answer.split()[1] in wire.REASONS.values()
    assert world.ask("mute off") == "ok"


def test_line_too_long_or_not_text(world: World) -> None:
    world.write(b"x" * 500 + b"\n")
    world.wait(lambda f: f[1] == wire.ANSWER and b"unknown_command" in f[3])
    world.write(bytes([0xFF, 0x80, 0x00]) + b"\n")
    world.wait(lambda f: f[1] == wire.ANSWER and b"unknown_command" in f[3])
    assert world.ask("pins").startswith("ok")


def beat(world: World) -> int:
    """State bits of the next heartbeat but one."""
    for _ in range(2):
        frame = world.wait(lambda f: f[1] == wire.HEARTBEAT)
    return wire.read_heartbeat(frame[3])[4]


def test_buzzer_lamp_and_mute(world: World) -> None:
    assert world.ask("beep 1000 600") == "ok"
    assert beat(world) & wire.SOUNDING
    assert world.ask("mute on") == "ok"
    state = beat(world)
    assert state & wire.MUTED and not state & wire.SOUNDING
    assert world.ask("lamp on") == "ok"
    assert beat(world) & wire.LAMP_LIT
    assert world.ask("beep feed") == "ok"
    assert not beat(world) & wire.SOUNDING
    assert world.ask("lamp off") == "ok" and world.ask("mute off") == "ok"
    time.sleep(0.4)
    assert world.ask("beep feed") == "ok"
    sounds = [wire.read_event(p)[2] for p in world.of(wire.EVENT) if p[0] == wire.SOUND]
    assert sounds == [3]


def test_mark_by_command(world: World) -> None:
    tick = int(words(world.ask("mark"))["tick"])
    kind, _, by_button, _, at, _ = wire.read_event(world.of(wire.EVENT)[-1])
    assert (kind, by_button, at) == (wire.MARK, 0, tick)


def test_ctrl_c_always_gets_out(world: World) -> None:
    if not isinstance(world, UnixPort):
        pytest.skip("would leave the board at its prompt for the tests after this one")
    world.ask("start")
    world.write(b"half a li\x03")
    assert world.process.wait(5) == 0
