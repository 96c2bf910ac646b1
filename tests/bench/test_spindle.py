"""The drive's own thread: what it says again, and when it falls silent."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

import pytest
from toothwise.bench import spindle as spindle_module
from toothwise.bench.loop import Plant
from toothwise.bench.setup import DriveSetup
from toothwise.bench.spindle import DrivenSpindle
from toothwise.edges.signal import Clock
from toothwise.wheel import catalogue

from tests.bench.bench_at_work import FakeRig

THREAD = "drive"


class Heard(FakeRig):
    """Keeps what the thread says, too."""

    def say(self, text: str) -> None:
        self.said.append(text)


def driven(rig: Heard, clock_s: Callable[[], float] = lambda: 0.0) -> DrivenSpindle:
    setup = DriveSetup("pwm", 3500.0, plant=Plant(4161.0, 0.75, 0.014))
    return DrivenSpindle(rig, setup, catalogue.wheel("24-2"), Clock(16.0), clock_s)


def threads() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name == THREAD]


def test_the_last_value_is_said_again_until_the_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spindle_module, "REPEAT_S", 0.01)
    rig = Heard()
    spindle = driven(rig)
    spindle.go()
    end = time.monotonic() + 5.0
    while rig.said.count("drive set 0") < 3 and time.monotonic() < end:
        time.sleep(0.01)
    (thread,) = threads()
    spindle.stop()
    thread.join(5.0)
    assert rig.said.count("drive set 0") >= 3 and rig.said[-1] == "drive stop"


def test_no_word_comes_after_the_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    """The stop falls between the thread's look whether to speak and its word."""
    monkeypatch.setattr(spindle_module, "REPEAT_S", 0.01)
    looking, stopped = threading.Event(), threading.Event()

    def clock_s() -> float:
        if threading.current_thread().name == THREAD:
            looking.set()
            stopped.wait(0.2)
        return 0.0

    rig = Heard()
    spindle = driven(rig, clock_s)
    spindle.go()
    (thread,) = threads()
    assert looking.wait(5.0)
    spindle.stop()
    stopped.set()
    thread.join(5.0)
    assert rig.said[-1] == "drive stop"


def test_started_again_at_once_there_is_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spindle_module, "REPEAT_S", 0.05)
    spindle = driven(Heard())
    spindle.go()
    (first,) = threads()
    spindle.stop()
    spindle.go()
    first.join(0.5)
    assert not first.is_alive() and len(threads()) == 1
    spindle.stop()
