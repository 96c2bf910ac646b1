"""At rest and continuity over the state-machine model: every interruption found, measured, and sounded by the board."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from toothwise.firmware import wire

from tests.firmware.bareboard import CYCLES_A_US, Silicon
from tests.firmware.test_capture_pio import Bench
from tests.firmware.vouch import Account

LENGTHS_NS = (200, 208, 300, 500, 1000, 10_000, 100_000, 1_000_000, 10_000_000, 1_000_000_000)
NS_A_CYCLE = 8


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    yield made
    made.rig.close()


def events(bench: Bench, kind: int) -> list[tuple[int, int, int, int, int, int]]:
    return [e for f in bench.host.frames if f[1] == wire.EVENT and (e := wire.read_event(f[3]))[0] == kind]


def interruption(silicon: Silicon, channel: int, after_cycles: int, cycles: int) -> None:
    machine = silicon.machines[channel]
    held = machine.level_now
    at = silicon.cycle + after_cycles
    machine.line += [(at, 1 - held), (at + cycles, held)]


@pytest.mark.parametrize("held", [0, 1])
@pytest.mark.parametrize("watch", ["rest", "continuity 1 0"])
def test_every_interruption_from_200_ns_to_a_second(bench: Bench, held: int, watch: str) -> None:
    """Each one at every phase of the loop, its length within two ticks."""
    bench.silicon.machines[0].level_now = held
    if watch != "rest":
        bench.rig.contacts.conductors = type("Fed", (), {"most": 1, "feed": lambda self, count: None})()
    bench.say(f"watch {watch}")
    bench.start()
    bench.run(20)
    for ns in LENGTHS_NS:
        for phase in range(4):
            before = len(Account(bench.host.frames, 0).edges)
            interruption(bench.silicon, 0, 3000 + phase, ns // NS_A_CYCLE)
            bench.run(60 + ns / 1e6)
            edges = Account(bench.host.frames, 0).edges[before:]
            assert [level for _, level in edges] == [1 - held, held]
            ticks = edges[1][0] - edges[0][0]
            assert abs(ticks - ns / (2 * NS_A_CYCLE)) <= 2
    told = events(bench, wire.CONTACT if watch == "rest" else wire.OPEN)
    assert sum(event[3] for event in told) == 2 * 4 * len(LENGTHS_NS)
    assert len([e for e in told if e[3] == 2]) == 4 * (len(LENGTHS_NS) - 1), "one event a short interruption"


def test_sounded_within_100_ms_though_no_host_reads(bench: Bench) -> None:
    bench.say("watch rest")
    bench.start()
    bench.run(20)
    bench.host.reads = False
    interruption(bench.silicon, 2, 3000, 25)
    bench.run(60)
    assert bench.rig.panel.sounding or bench.rig.panel.lit
    bench.host.reads = True
    bench.run(100)
    assert [e[1] for e in events(bench, wire.CONTACT)] == [2]


def test_chatter_at_a_megahertz_is_one_event_a_tenth_of_a_second(bench: Bench) -> None:
    bench.say("watch rest")
    bench.start()
    bench.run(20)
    bench.wave(0, 1000, 125, 50_000)  # 1 MHz for 50 ms
    bench.run(300)
    told = events(bench, wire.CONTACT)
    assert 1 <= len(told) <= 3
    assert sum(event[3] for event in told) == 50_000


class Harness:
    """Three conductors: feed pins on one end, the machines' lines on the other; `joined` and `open` between."""

    def __init__(self, silicon: Silicon) -> None:
        self.silicon = silicon
        self.fed = [False] * 3
        self.joined: set[frozenset[int]] = set()
        self.pins = [_FeedPin(self, n) for n in range(3)]
        self.settle()

    def settle(self) -> None:
        for n in range(3):
            low = self.fed[n] or any(n in pair and any(self.fed[m] for m in pair) for pair in self.joined)
            self.silicon.machines[n].line.append((self.silicon.cycle + 5, 0 if low else 1))


class _FeedPin:
    IN, OUT = 0, 1

    def __init__(self, harness: Harness, number: int) -> None:
        self.harness = harness
        self.number = number

    def init(self, mode: int, value: int = 1) -> None:
        on = mode == self.OUT and value == 0
        if on != self.harness.fed[self.number]:
            self.harness.fed[self.number] = on
            self.harness.settle()
            self.harness.silicon.advance(5 * CYCLES_A_US)


def continuity(bench: Bench) -> Harness:
    harness = Harness(bench.silicon)
    far: list[Any] = [bench.board.Pin(2 + n) for n in range(3)]
    bench.rig.contacts.conductors = bench.board.conductors.Conductors(harness.pins, far)
    bench.say("watch continuity 3 250")
    bench.start()
    return harness


def test_walk_finds_shorts_and_hides_its_own_edges(bench: Bench) -> None:
    harness = continuity(bench)
    bench.run(600)
    assert events(bench, wire.SHORT) == []
    harness.joined = {frozenset((0, 2))}
    bench.run(600)
    found = events(bench, wire.SHORT)
    assert len(found) >= 2 and all(e[1:3] == (0, 2) for e in found)
    harness.joined = {frozenset((1, 2)), frozenset((0, 1))}
    bench.run(600)
    assert {e[1:3] for e in events(bench, wire.SHORT)[len(found) :]} >= {(0, 1), (1, 2)}
    harness.joined = set()
    seen = len(events(bench, wire.SHORT))
    bench.run(600)
    assert len(events(bench, wire.SHORT)) - seen <= 2
    assert events(bench, wire.OPEN) == [], "the walk's own edges are no opens"
    for n in range(3):
        account = Account(bench.host.frames, n)
        assert [edge for edge in account.edges if not account.is_blind(edge[0])] == []
        assert 0 < account.blind_ticks("walking") < account.until // 50


def test_walks_after_a_week_of_another_watch(bench: Bench) -> None:
    walks = bench.rig.contacts
    walks._walk_ms = bench.board.clock.later_ms(bench.board.clock.now_ms(), -7 * 86_400_000 & 0x3FFFFFFF)
    harness = continuity(bench)
    harness.joined = {frozenset((0, 1))}
    bench.run(600)
    assert events(bench, wire.SHORT)


def test_open_between_two_walks(bench: Bench) -> None:
    continuity(bench)
    bench.run(400)
    interruption(bench.silicon, 1, 20_000, 12_500)
    bench.run(400)
    ((_, channel, level, count, first, last),) = events(bench, wire.OPEN)
    assert (channel, level, count) == (1, 0, 2)
    assert last - first == 6250


def test_walk_waits_for_a_chattering_contact(bench: Bench) -> None:
    continuity(bench)
    bench.run(300)
    true = bench.wave(1, 100, 125_000, 900)  # a change a millisecond
    bench.run(880)
    account = Account(bench.host.frames, 1)
    inside = [edge for edge in bench.ticks(true) if account.is_blind(edge[0])]
    assert len(inside) <= 4, "walks fall between the changes"
