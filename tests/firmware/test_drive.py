"""The drive's output and every reason to stop it: the firmware on the unix port, behind a pseudo-terminal."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from toothwise.firmware import wire

from tests.firmware import streams, worlds
from tests.parts import need

HZ = 62_500_000
EDGES = 120
"""Level changes a turn in these tests."""
Make = Callable[..., tuple[worlds.UnixPort, Path]]


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Make]:
    """rig(edges_a_second, seconds): a rig whose crank channel sees a square wave, and the file its drive writes."""
    need("the MicroPython unix port", worlds.micropython() is not None)
    made = []

    def make(rate: int = 0, seconds: int = 20, extra: Any = None) -> tuple[worlds.UnixPort, Path]:
        edges = {0: streams.square(1000, HZ // rate, rate * seconds)} if rate else {}
        stream = streams.write(tmp_path / "stream", edges, HZ, HZ * seconds, extra)
        drive = tmp_path / "drive"
        made.append(worlds.UnixPort(stream, "--drive", str(drive)))
        made[-1].hello()
        made[-1].ask("start")
        return made[-1], drive

    yield make
    for world in made:
        world.close()


def values(path: Path) -> list[int]:
    return [int(line.split()[0]) for line in path.read_text().splitlines()]


def driven(world: worlds.UnixPort, arm: str, value: int, seconds: float) -> str:
    """Make ready and repeat `drive set` as a host does; what stopped it meanwhile, or "nothing".

    Where this computer itself was held up for longer than the rig waits, it is done once more.
    """
    for _ in range(5):
        assert world.ask(arm) == "ok"
        began = last = time.monotonic()
        slowest = 0.0
        while time.monotonic() < began + seconds and world.ask(f"drive set {value}").startswith("ok"):
            slowest, last = max(slowest, time.monotonic() - last), time.monotonic()
            world.collect(0.03)
        stopped_by = world.ask("drive").split("stopped_by=")[1]
        slowest = max(slowest, time.monotonic() - last)
        if stopped_by != "drive_link_lost" or slowest < 0.2:
            return stopped_by
    raise AssertionError("this computer is too busy to drive anything")


def fault_told(world: worlds.UnixPort, reason: str) -> bool:
    world.collect(0.1)
    return wire.reason_id(reason) in [wire.read_fault(p)[0] for p in world.of(wire.FAULT)]


def test_needs_a_most_speed_and_a_running_capture(rig: Make) -> None:
    world, drive = rig(2000)
    assert world.hello()["drive"] is True
    assert world.ask("drive set 100") == "error drive_off"
    assert world.ask("drive pwm") == "error bad_argument"
    assert world.ask("drive pwm 0 120") == "error bad_argument"
    assert driven(world, "drive pwm 3000 120", 250, 0.5) == "nothing"
    assert any(wire.read_heartbeat(p)[4] & wire.DRIVING for p in world.of(wire.HEARTBEAT))
    said = world.ask("drive stop")
    assert said.startswith("ok kind=off value=0 rpm=") and said.endswith("stopped_by=nothing")
    assert 800 <= int(said.split("rpm=")[1].split()[0]) <= 1200, "2000 edges a second at 120 a turn are 1000 rpm"
    assert world.ask("drive set 100") == "error drive_off"
    world.ask("stop")
    assert world.ask("drive pwm 3000 120") == "error drive_no_capture"
    assert values(drive)[:2] == [0, 250] and values(drive)[-1] == 0


def test_stops_when_the_host_falls_silent(rig: Make) -> None:
    world, drive = rig(2000)
    assert driven(world, "drive pwm 3000 120", 400, 0.3) == "nothing"
    began = time.monotonic()
    while values(drive)[-1] and time.monotonic() < began + 5:
        world.collect(0.02)
    assert values(drive)[-2:] == [400, 0]
    assert fault_told(world, "drive_link_lost")
    assert world.ask("drive").endswith("stopped_by=drive_link_lost")


def test_stops_when_the_program_is_ended(rig: Make) -> None:
    world, drive = rig(2000)
    assert driven(world, "drive pwm 3000 120", 400, 0.2) == "nothing"
    world.send("\x03")
    world.process.wait(10)
    assert values(drive)[-1] == 0


def test_stops_when_the_capture_is_stopped(rig: Make) -> None:
    world, drive = rig(2000)
    assert driven(world, "drive pwm 3000 120", 400, 0.2) == "nothing"
    world.ask("stop")
    assert values(drive)[-1] == 0


def test_stops_above_its_most_speed(rig: Make) -> None:
    world, drive = rig(2 * 3000)  # 3000 rpm at 120 edges a turn
    assert driven(world, "drive pwm 2500 120", 500, 3.0) == "drive_overspeed"
    assert fault_told(world, "drive_overspeed")
    assert values(drive)[-1] == 0
    assert driven(world, "drive pwm 2900 120", 500, 0.5) == "nothing", "a tenth is allowed"


def test_stops_without_an_edge(rig: Make) -> None:
    world, drive = rig(0)
    assert driven(world, "drive pwm 2500 120", 0, 2.3) == "nothing", "at rest no edge is wanted"
    assert driven(world, "drive pwm 2500 120", 300, 5.0) == "drive_no_speed"
    assert fault_told(world, "drive_no_speed")
    assert values(drive)[-1] == 0


def test_the_button_stops_it(rig: Make) -> None:
    press = (HZ, wire.EVENT, wire.pack_event(wire.MARK, 0, 1, 1, HZ, HZ))
    world, drive = rig(2000, extra=[press])
    assert driven(world, "drive pwm 2500 120", 300, 10.0) == "drive_button"
    assert fault_told(world, "drive_button")
    assert values(drive)[-1] == 0


def test_steps_ramp_and_never_exceed_the_most_speed(rig: Make) -> None:
    """200 steps a turn and 600 rpm are 2000 steps a second; 4000 a second each second is half a second's ramp."""
    world, drive = rig(1000)
    assert driven(world, "drive step 600 120 200 4000", 9000, 1.5) == "nothing"
    assert values(drive)[-1] == 2000
    end = time.monotonic() + 1.5
    while time.monotonic() < end and world.ask("drive set -2000").startswith("ok"):
        world.collect(0.03)
    found = values(drive)
    ramp = [(a, b) for a, b in pairwise(found) if b]  # letting go may come from any speed
    assert max(found) == 2000
    assert max(abs(b - a) for a, b in ramp) <= 100, "no step is larger than what a motor at rest takes"
    assert not any(a * b < 0 for a, b in ramp), "it stands before it turns back"
    assert world.ask("drive stop").startswith("ok kind=off value=0")
    assert values(drive)[-1] == 0


def test_a_rig_without_a_drive_says_so(world: worlds.World) -> None:
    assert world.hello()["drive"] is False
    assert world.ask("drive") == "error no_such_pin"
