"""Serial ports with a rig played by the test behind a real pseudo-terminal: finding, opening, losing, coming back."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

pytest.importorskip("pty", reason="needs pseudo-terminals")

from toothwise import __version__, link
from toothwise.edges.signal import Batch, Blind
from toothwise.errors import FirmwareMismatch, RigTrouble
from toothwise.link import rig as rig_module
from toothwise.link.frames import wire
from toothwise.link.line import LineLost, SerialLine

from tests.link.fakerig import FakeRig
from tests.link.ports import LiveRig, PtyPort


@pytest.fixture
def live(tmp_path: Path) -> Iterator[LiveRig]:
    with LiveRig(tmp_path / "ttyRig") as live:
        yield live


def until(batches: Iterator[Batch], done: object, most_s: float = 20.0) -> list[Batch]:
    """Batches up to the first after which `done()` is true."""
    assert callable(done)
    taken = []
    end = time.monotonic() + most_s
    for batch in batches:
        taken.append(batch)
        if done():
            return taken
        assert time.monotonic() < end, "it never happened"
    return taken


def check_times(batches: list[Batch]) -> list[Blind]:
    """Ticks never fall, no edge lies in a blind stretch; gives the stretches."""
    blind = [stretch for batch in batches for stretch in batch.blind]
    last_until, last_edge = 0, -1
    for batch in batches:
        assert batch.until_tick >= last_until
        last_until = batch.until_tick
        for tick in batch.edges["crank"].ticks.tolist() if "crank" in batch.edges else ():
            assert tick >= last_edge
            last_edge = tick
            assert not any(s.start_tick <= tick < s.end_tick for s in blind if s.channel in (None, "crank"))
    return blind


def test_a_rig_is_opened_by_its_ports_name_and_delivers(live: LiveRig) -> None:
    live.edges_every(1000)
    with link.open_rig(str(live.port.path)) as rig:
        assert (rig.channels, rig.clock.tick_ns) == (wire.CHANNELS, 1000.0)
        assert rig.source["board"] == "test board"
        batches = rig.batches()
        taken = until(batches, lambda: rig.stats.edges > 100)
        rig.stop()
        taken += list(batches)
    assert check_times(taken) == []
    assert b"start" in live.written and b"stop" in live.written


def test_a_port_is_ours_alone(live: LiveRig) -> None:
    with link.open_rig(str(live.port.path)), pytest.raises(RigTrouble, match="Another program is using it"):
        SerialLine(str(live.port.path))


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(RigTrouble, match="no such port"):
        link.open_rig(str(tmp_path / "ttyNone"))


def test_a_port_that_says_nothing_and_one_that_shows_a_prompt(tmp_path: Path) -> None:
    port = PtyPort(tmp_path / "ttyMute")
    port.plug()
    with pytest.raises(RigTrouble, match="Nothing that speaks our frames"):
        link.open_rig(str(port.path), hello_wait_s=0.3)
    teller = threading.Timer(0.1, lambda: os.write(port.near, b"\r\nMicroPython v1.28\r\n>>> "))
    teller.start()
    with pytest.raises(RigTrouble, match=rf"prompt.*toothwise rig install {port.path}"):
        link.open_rig(str(port.path), hello_wait_s=0.5)
    teller.join()
    port.pull()


def test_rigs_are_found_by_their_frames_and_nothing_is_written_to_what_is_none(live: LiveRig, tmp_path: Path) -> None:
    mute = PtyPort(tmp_path / "ttyMute")
    mute.plug()
    chatty = PtyPort(tmp_path / "ttyChatty")
    chatty.plug()
    os.write(chatty.near, b"$GPGGA,no rig of ours\r\n" * 20)
    names = [str(p.path) for p in (mute, live.port, chatty)] + [str(tmp_path / "ttyNone")]
    (found,) = link.find_rigs(names, listen_s=1.0)
    assert (found.port, found.hello.board, found.trouble) == (str(live.port.path), "test board", None)
    for other in (mute, chatty):
        os.set_blocking(other.near, False)
        with pytest.raises(OSError, match=r"temporarily unavailable|Input/output"):
            os.read(other.near, 1)
        other.pull()


@pytest.mark.parametrize("board_is", ["older", "newer"])
def test_a_mismatch_says_both_versions_the_board_and_the_one_command(
    live: LiveRig, monkeypatch: pytest.MonkeyPatch, board_is: str
) -> None:
    theirs = wire.PROTOCOL - 1 if board_is == "older" else wire.PROTOCOL + 1
    port = str(live.port.path)

    def strange_hello(self: FakeRig, **_: object) -> bytes:
        facts = wire.pack_hello({"protocol": theirs, "firmware": "9.8.7", "board": "Pico of theirs"})
        frame = bytearray(wire.make_frame(wire.HELLO, 0, facts))
        frame[2] = theirs
        wire.seal_frame(frame, len(facts))
        return bytes(frame)

    monkeypatch.setattr(FakeRig, "hello", strange_hello)
    with pytest.raises(FirmwareMismatch) as caught:
        link.open_rig(port)
    command = f"toothwise rig install {port}" if board_is == "older" else "python -m pip install --upgrade toothwise"
    older = "firmware" if board_is == "older" else "toothwise on this computer"
    assert str(caught.value) == (
        f"The board Pico of theirs on {port} has firmware 9.8.7 (protocol {theirs}); this is toothwise"
        f" {__version__} (protocol {wire.PROTOCOL}). The {older} is the older of the two. Run: {command}."
    )
    assert caught.value.exit_code == 6
    (found,) = link.find_rigs([port], listen_s=1.0)
    assert str(found.trouble) == str(caught.value)


@pytest.mark.parametrize("boot", [None, 99])
def test_unplugged_and_plugged_in_again(live: LiveRig, boot: int | None) -> None:
    """The same rig still running, or one that the unplugging reset: a blind stretch, and the recording goes on."""
    live.edges_every(1000)
    with link.open_rig(str(live.port.path)) as rig:
        batches = rig.batches()
        taken = until(batches, lambda: rig.stats.edges > 50)
        live.pull()
        taken += until(batches, lambda: rig.trouble is not None)
        assert "is gone" in str(rig.trouble)
        gone = taken[-1].until_tick
        taken += [next(batches) for _ in range(3)]  # batches go on, and say nothing new
        assert taken[-1].until_tick == taken[-3].until_tick
        edges = rig.stats.edges
        live.plug(boot)
        taken += until(batches, lambda: rig.trouble is None and rig.stats.edges > edges + 50)
        rig.stop()
        taken += list(batches)
    blind = check_times(taken)
    assert blind and {stretch.reason for stretch in blind} == {"link_lost"}
    assert min(s.start_tick for s in blind) <= gone + 60_000
    assert (rig.stats.reconnects, rig.stats.resets) == (1, 0 if boot is None else 1)


def test_a_reset_in_mid_capture(live: LiveRig) -> None:
    live.edges_every(1000)
    with link.open_rig(str(live.port.path)) as rig:
        batches = rig.batches()
        taken = until(batches, lambda: rig.stats.edges > 50)
        live.send(lambda _: b"\x00garbage of a boot loader\xf7T\x01\x02")
        with live._lock:
            live.restart(boot=12)
            live._write(live.rig.hello())
        taken += until(batches, lambda: rig.stats.resets == 1)
        edges = rig.stats.edges
        taken += until(batches, lambda: rig.stats.edges > edges + 50)
        rig.stop()
        taken += list(batches)
    assert "rig_reset" in {stretch.reason for stretch in check_times(taken)}


def test_closing_while_unplugged_leaves_the_rest_blind(live: LiveRig) -> None:
    with link.open_rig(str(live.port.path)) as rig:
        batches = rig.batches()
        until(batches, lambda: rig.stats.frames > 10)
        live.pull()
        until(batches, lambda: rig.trouble is not None)
        time.sleep(0.3)
        rig.stop()
        last = list(batches)[-1]
    (stretch,) = last.blind
    assert (stretch.reason, stretch.channel, stretch.end_tick) == ("link_lost", None, last.until_tick)
    assert rig.clock.span_s(stretch.end_tick - stretch.start_tick) > 0.25


def test_a_rig_that_falls_silent_is_said_and_waited_for(live: LiveRig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rig_module, "SILENT_AFTER_S", 0.2)
    with link.open_rig(str(live.port.path)) as rig:
        batches = rig.batches()
        taken = until(batches, lambda: rig.stats.frames > 10)
        live.quiet = True
        taken += until(batches, lambda: rig.trouble is not None)
        assert "is silent" in str(rig.trouble)
        live.quiet = False
        taken += until(batches, lambda: rig.trouble is None)
        rig.stop()
        taken += list(batches)
    assert check_times(taken) == []  # it was slow, and lost nothing


def test_silence_still_gives_ten_batches_a_second(live: LiveRig) -> None:
    with link.open_rig(str(live.port.path)) as rig:
        batches = rig.batches()
        until(batches, lambda: rig.stats.frames > 10)
        live.quiet = True
        gaps = []
        for _ in range(10):
            start = time.monotonic()
            next(batches)
            gaps.append(time.monotonic() - start)
    assert sorted(gaps)[5] <= 0.11  # the wait it is made of, not the speed of this machine


def test_the_readers_death_is_raised_to_whoever_takes_batches(live: LiveRig, monkeypatch: pytest.MonkeyPatch) -> None:
    with link.open_rig(str(live.port.path)) as rig:
        batches = rig.batches()
        until(batches, lambda: rig.stats.frames > 10)

        def broken(*_: object) -> None:
            raise ZeroDivisionError("a defect")

        monkeypatch.setattr(rig._assembler, "feed", broken)
        with pytest.raises(RigTrouble, match="ZeroDivisionError: a defect"):
            until(batches, lambda: False)
        with pytest.raises(RigTrouble):
            rig.command("pins")


def test_commands_answered_refused_and_unanswered(live: LiveRig) -> None:
    with link.open_rig(str(live.port.path)) as rig:
        reply = threading.Timer(0.1, lambda: live.send(lambda r: r.answer("pins ok crank=3 cam=4")))
        reply.start()
        assert rig.command("pins") == {"crank": "3", "cam": "4"}
        refusal = threading.Timer(0.1, lambda: live.send(lambda r: r.answer("self-check error no_such_pin")))
        refusal.start()
        with pytest.raises(RigTrouble, match=r"refused 'self-check pattern': no_such_pin.*pins.json"):
            rig.command("self-check pattern")
        with pytest.raises(RigTrouble, match="did not answer"):
            rig.command("lamp on", wait_s=0.2)
        for thread in (reply, refusal):
            thread.join()


def test_a_rig_that_refuses_to_start_says_why(live: LiveRig) -> None:
    live.refuses = "capture_refused"
    with (
        link.open_rig(str(live.port.path)) as rig,
        pytest.raises(RigTrouble, match=r"refused 'start': capture_refused.*press reset"),
    ):
        until(rig.batches(), lambda: False)


def test_a_closed_line_is_lost_not_a_crash(live: LiveRig) -> None:
    line = SerialLine(str(live.port.path))
    line.close()
    with pytest.raises(LineLost):
        line.read(0.01)
    with pytest.raises(LineLost):
        line.write(b"x")


class Dead:
    """A port that opens and then fails at the first byte."""

    name = "ttyDead"

    def __init__(self) -> None:
        self.open = True

    def read(self, wait_s: float) -> bytes:
        raise LineLost("Input/output error")

    def write(self, data: bytes) -> None:
        raise LineLost("Input/output error")

    def close(self) -> None:
        self.open = False


def test_a_port_that_fails_as_soon_as_it_is_opened_again_is_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rig_module, "REOPEN_EVERY_S", 0.01)
    lines = [Dead()]

    def reopen() -> Dead:
        lines.append(Dead())
        return lines[-1]

    with pytest.raises(RigTrouble, match="No hello"):
        link.Rig(lines[0], reopen, hello_wait_s=0.1)
    assert len(lines) > 2 and not any(line.open for line in lines)
