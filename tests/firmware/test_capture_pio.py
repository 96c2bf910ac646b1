"""The rig's loop and its RP2040 capture over a model of the chip: rings, DMA, start, wrap, overrun, stall."""

from __future__ import annotations

import types
from typing import Any

import pytest
from toothwise.firmware import wire

from tests.firmware.bareboard import CYCLES_A_US, Silicon, load
from tests.firmware.vouch import Account

MS = 1000 * CYCLES_A_US


class Host:
    """The line: takes frames as long as `reads`, each costing time as USB does; holds lines for the rig."""

    def __init__(self, silicon: Silicon) -> None:
        self.silicon = silicon
        self.reads = True
        self.lines: list[str] = []
        self.decoder = wire.Decoder()
        self.frames: list[tuple[int, int, int, bytes]] = []
        self.us_a_packet = 53  # a packet of 64 bytes, as measured

    def writable(self) -> bool:
        return self.reads

    def send(self, frame: memoryview) -> bool:
        if self.reads:
            self.frames += self.decoder.feed(bytes(frame))
            self.silicon.advance((len(frame) // 64 + 1) * self.us_a_packet * CYCLES_A_US)
        return self.reads

    def read(self) -> str | None:
        return self.lines.pop(0) if self.lines else None


class Bench:
    """A rig on the model: `at` turns cycles into the rig's ticks."""

    def __init__(self, refuses: dict[str, Exception] | None = None) -> None:
        self.silicon = Silicon()
        if refuses:
            self.silicon.refuses = refuses
        self.board: types.SimpleNamespace = load(self.silicon)
        self.host = Host(self.silicon)
        pins = dict.fromkeys(("pattern", "mark"), -1) | {n: 2 + i for i, n in enumerate(wire.CHANNELS)}
        clock = self.board.clock.WideClock()
        self.capture = self.board.capture_pio.Capture(pins, clock)
        panel = self.board.panel
        self.rig = self.board.rig.Rig(
            "model", pins, self.capture, self.host, panel.Panel(panel.NoPin(), panel.NoPin(), panel.NoPin()),
            None, None, lambda: (-1, -1), clock,
        )  # fmt: skip

    def run(self, ms: float) -> None:
        end = self.silicon.cycle + int(ms * MS)
        while self.silicon.cycle < end:
            busy = self.rig.turn()
            self.silicon.advance(100 * CYCLES_A_US if busy else MS)

    def say(self, line: str) -> None:
        """Give the rig a line, and turns until it has done it."""
        self.host.lines.append(line)
        while self.host.lines:
            self.rig.turn()
            self.silicon.advance(MS)

    def ask(self, line: str) -> str:
        """Its answer, without the command's name."""
        self.say(line)
        return [f[3].decode() for f in self.host.frames if f[1] == wire.ANSWER][-1].split(" ", 1)[1]

    def start(self) -> None:
        self.say("start")
        self.began = self.silicon.machines[0].began

    def wave(self, channel: int, first: int, half: int, count: int) -> list[tuple[int, int]]:
        """Put `count` edges on a line from now + first cycles on; returns (cycle, level)."""
        machine = self.silicon.machines[channel]
        level = machine.line[-1][1] if machine.line else machine.level_now
        at = self.silicon.cycle + first
        edges = [(at + n * half, (level + n + 1) % 2) for n in range(count)]
        machine.line += edges
        return edges

    def ticks(self, edges: list[tuple[int, int]]) -> list[tuple[int, int]]:
        return [(self.capture.zero + (cycle - self.began + 1) // 2, level) for cycle, level in edges]

    def account(self, channel: int) -> Account:
        return Account(self.host.frames, channel)


@pytest.fixture
def bench() -> Any:
    made = Bench()
    yield made
    made.rig.close()
    assert made.silicon.closed == len(made.silicon.channels), "a soft reset does not close DMA channels"
    assert not any(channel.busy for channel in made.silicon.channels)


def test_four_channels_to_the_tick(bench: Bench) -> None:
    bench.start()
    true = [bench.wave(n, 5000 + 7 * n, 3001 + 500 * n, 4000) for n in range(4)]
    bench.run(160)
    for n in range(4):
        account = bench.account(n)
        account.check(bench.ticks(true[n]))
        assert len(account.edges) == 4000 and account.holes == 0
        assert [reason for _, _, reason, _ in account.blind] == [wire.reason_id("not_started")]


def test_silence_is_proven_to_within_a_few_microseconds(bench: Bench) -> None:
    bench.start()
    bench.run(500)
    now = bench.capture.zero + (bench.silicon.cycle - bench.began) // 2
    until = bench.account(0).until
    assert now - 62_500_000 // 10 < until <= now


def test_edges_right_from_the_first_cycle(bench: Bench) -> None:
    """What comes between the machines' start and the loop's next turn is not lost."""
    wave = bench.wave(0, 0, 300, 400)
    bench.start()
    true = bench.ticks(wave)
    bench.run(30)
    account = bench.account(0)
    began = account.blind[0][1]
    assert began == bench.capture.zero
    expected = [edge for edge in true if edge[0] >= began + 3]
    assert account.edges[-len(expected) :] == expected and len(account.edges) - len(expected) <= 1
    assert account.lost() == 0


def test_two_channels_at_100000_edges_a_second(bench: Bench) -> None:
    bench.start()
    true = [bench.wave(n, 5000, 1250, 50_000) for n in range(2)]
    bench.run(520)
    for n in range(2):
        account = bench.account(n)
        account.check(bench.ticks(true[n]))
        assert account.lost() == 0 and len(account.edges) == 50_000


@pytest.mark.parametrize("pause_ms", [5, 25, 400])
def test_host_that_stops_reading(bench: Bench, pause_ms: int) -> None:
    """Every edge is delivered or inside a blind stretch, and the counts agree exactly."""
    bench.start()
    true = bench.wave(0, 5000, 1250, 60_000)
    bench.run(100)
    bench.host.reads = False
    bench.run(pause_ms)
    bench.host.reads = True
    bench.run(1300)
    account = bench.account(0)
    account.check(bench.ticks(true))
    assert len(account.edges) + account.lost() == len(true)
    assert account.lost() == account.lost_by_ordinal
    assert (account.lost() > 0) == (pause_ms > 20)
    if pause_ms > 20:
        assert not any(account.is_blind(tick) for tick, _ in account.edges), "blind from edge to edge, no wider"
        blind_ms = account.blind_ticks("ring_overrun") / 62_500
        assert pause_ms - 25 < blind_ms < pause_ms + 25
        counters = wire.read_counters([f for f in bench.host.frames if f[1] == wire.COUNTERS][-1][3])
        assert counters[4][0] == [60_000, account.lost(), 0]


@pytest.mark.parametrize("beyond", [-9, -8, -7, 0, 1, 50, 5000])
def test_overrun_of_a_ring_is_known_to_the_word(bench: Bench, beyond: int) -> None:
    """Words the DMA may be overwriting count as lost already: a guard of eight."""
    bench.start()
    ring = bench.capture.rings[0]
    bench.wave(0, 5000, 1000, ring.room + beyond)
    bench.silicon.advance(6000 + 1000 * (ring.room + beyond))
    assert (ring.check() > ring.room) == (beyond > -8)
    assert ring.flush() == ring.room + beyond
    assert ring.check() == 0 and ring.poll() == 0


def test_heartbeat_right_after_the_start(bench: Bench) -> None:
    """The clock is careful by some microseconds; no channel is vouched for beyond the heartbeat's tick."""
    bench.run(5)
    bench.host.us_a_packet = 0
    bench.rig.start()
    bench.rig.flow.turn(bench.rig.flow.channels[0])
    bench.rig._send_heartbeat()
    assert bench.account(0).until == bench.capture.zero


def test_slow_edges_through_a_long_pause(bench: Bench) -> None:
    """Few edges, kept in the ring for longer than their time can be told apart: blind, never a wrong tick."""
    bench.start()
    true = bench.wave(0, 5000, 125_000_000, 60)  # one a second
    bench.run(1500)
    bench.host.reads = False
    bench.run(50_000)
    bench.host.reads = True
    bench.run(6000)
    account = bench.account(0)
    account.check(bench.ticks(true))
    assert account.blind_ticks("ring_overrun") > 0


def test_storm_on_one_channel_leaves_the_others_alone(bench: Bench) -> None:
    bench.start()
    calm = bench.wave(1, 5000, 125_000, 300)
    bench.run(50)
    bench.wave(0, 1000, 25, 100_000)  # 5 MHz for 20 ms
    turns = 0
    end = bench.silicon.cycle + 60 * MS
    while bench.silicon.cycle < end:
        before = bench.silicon.cycle
        bench.rig.turn()
        assert bench.silicon.cycle - before < 10 * MS, "bounded work a turn"
        bench.silicon.advance(200 * CYCLES_A_US)
        turns += 1
    after = bench.wave(0, 1000, 12_500, 100)
    bench.run(100)
    bench.account(1).check(bench.ticks(calm))
    assert bench.account(1).lost() == 0
    account = bench.account(0)
    assert account.edges[-100:] == bench.ticks(after)
    assert len(account.edges) + account.lost() == 100_100
    assert 1 < len(account.blind) <= turns


def test_wraps_of_31_and_32_bits(bench: Bench) -> None:
    """34 and 69 seconds: sparse edges on one channel, none on another, silence proven on both."""
    bench.start()
    true = bench.wave(0, 5000, 125_000_000 // 3 + 1, 240)
    bench.run(75_000)
    account = bench.account(0)
    account.check(bench.ticks(true))
    assert len(account.edges) > 220
    assert bench.account(1).until > 70 * 62_500_000
    assert bench.account(1).edges == []


def test_stalled_machine_starts_anew(bench: Bench) -> None:
    bench.start()
    bench.wave(0, 5000, 1250, 5000)
    bench.run(30)
    bench.silicon.dma_works = False
    bench.run(5)
    bench.silicon.dma_works = True
    bench.run(30)
    account = bench.account(0)
    assert account.blind_ticks("fifo_stalled") > 0
    bench.began = bench.silicon.machines[0].began
    late = bench.wave(0, 5000, 12_500, 50)
    bench.run(50)
    assert bench.account(0).edges[-50:] == bench.ticks(late)


def test_start_with_a_high_line_makes_no_edge(bench: Bench) -> None:
    bench.silicon.machines[0].level_now = 1
    bench.start()
    bench.run(20)
    true = bench.wave(0, 500, 5000, 2)
    bench.run(20)
    assert bench.account(0).edges == bench.ticks(true)
    assert bench.ticks(true)[0][1] == 0


def test_stop_sends_everything_first(bench: Bench) -> None:
    bench.start()
    true = bench.wave(0, 100, 1250, 5000)
    bench.run(12)
    bench.say("stop")
    bench.run(50)
    account = bench.account(0)
    account.check(bench.ticks(true))
    answer = [f[3].decode() for f in bench.host.frames if f[1] == wire.ANSWER][-1]
    assert answer.startswith("stop ok tick=")
    assert int(answer.split("=")[1]) <= account.until


def test_count_of_the_dma_is_renewed(bench: Bench) -> None:
    bench.start()
    for channel in bench.silicon.channels:
        taken = 0x0FFFFFFF - channel.left
        channel.left = 0x01000100 - taken
        for ring in bench.capture.rings:
            if ring._dma is channel:
                ring._before -= 0x0FFFFFFF - channel.left - taken
    true = bench.wave(0, 5000, 1250, 30_010)
    bench.run(320)
    account = bench.account(0)
    account.check(bench.ticks(true))
    assert len(account.edges) == 30_010
    assert bench.silicon.channels[0].left > 0x08000000


def test_a_ring_s_place_read_while_its_last_word_is_on_the_way(bench: Bench) -> None:
    """The RP2040 then shows an address below the ring (erratum E12)."""
    bench.start()
    ring = bench.capture.rings[0]
    ring._dma.write_at = ring._at - 4
    ring.next = ring.room - 3
    assert ring.poll() == 2


@pytest.mark.parametrize(
    ("part", "why"),
    [
        ("machine", ValueError("StateMachine claimed by external resource")),
        ("machine", OSError(12)),
        ("dma", OSError(16)),
    ],
)
def test_a_board_that_gives_no_machine_or_channel_says_so(part: str, why: Exception) -> None:
    refused: dict[str, Exception] = {part: why}
    bench = Bench(refused)
    assert bench.ask("start") == "error capture_refused"
    bench.run(1100)
    refused.clear()
    bench.start()
    true = bench.wave(0, 5000, 12_500, 50)
    bench.run(50)
    assert bench.account(0).edges == bench.ticks(true)
    bench.rig.close()


def test_a_pattern_that_gets_no_channel_says_so(bench: Bench) -> None:
    def refuse(*_: int) -> None:
        raise OSError(16)

    bench.rig.player = types.SimpleNamespace(play=refuse, rate=refuse, close=lambda: None)
    assert bench.ask("self-check pattern") == "error capture_refused"
    assert bench.ask("self-check rate 1000 10") == "error capture_refused"


def test_channels_left_over_by_an_earlier_run_are_quieted() -> None:
    silicon = Silicon()
    silicon.channels.append(types.SimpleNamespace(read_at=0x50200024, busy=True, left=0))
    written = {}
    original = Silicon.__setitem__

    class Watched(Silicon):
        def __setitem__(self, at: int, value: int) -> None:
            if 0x50000000 <= at < 0x50000300:
                written[at] = value
            else:
                original(self, at, value)

    silicon.__class__ = Watched
    board = load(silicon)
    pins = {n: 2 + i for i, n in enumerate(wire.CHANNELS)}
    board.capture_pio.Capture(pins, board.clock.WideClock()).close()
    assert written == {0x50000010: 0}


def test_a_command_that_goes_wrong_is_answered(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_: str) -> None:
        raise MemoryError("no room")

    monkeypatch.setattr(bench.rig.panel, "lamp", broken)
    assert bench.ask("lamp on") == "error internal_error MemoryError: no room"
    assert bench.ask("mute off") == "ok"


class Output:
    """What a drive turns: `check` is its guard's, called by the test."""

    least, most = -1000, 1000

    def __init__(self) -> None:
        self.turns = 0
        self.check: Any = None

    def begin(self, option: int) -> None:
        pass

    def guard(self, check: Any) -> None:
        self.check = check

    def set(self, value: int) -> None:
        self.turns = value

    def end(self) -> None:
        self.turns = 0


def test_a_word_that_waited_while_the_drive_was_let_go_is_refused_with_the_reason(bench: Bench) -> None:
    output = Output()
    bench.rig.make_drive = lambda: bench.board.drive.Drive(output, output)
    bench.start()
    assert bench.ask("drive pwm 3000 120") == "ok" and bench.ask("drive set 500") == "ok value=500"
    bench.silicon.advance(450 * MS)  # the loop is held up by a host that stopped in the middle of a frame
    output.check()
    assert output.turns == 0
    assert bench.ask("drive set 600") == "error drive_link_lost"
    assert output.turns == 0 and not bench.rig.drive.running
    assert bench.ask("drive").endswith("kind=off value=0 rpm=0 stopped_by=drive_link_lost")
    faults = [wire.read_fault(f[3])[0] for f in bench.host.frames if f[1] == wire.FAULT]
    assert faults == [wire.reason_id("drive_link_lost")]
