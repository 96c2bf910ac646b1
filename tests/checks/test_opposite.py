"""Edges moved off their place by an interruption, and none on healthy signals of any kind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from toothwise.checks.opposite import OppositeEdges
from toothwise.checks.polarity import Polarity
from toothwise.edges.signal import Held
from toothwise.model.drive import Phase, run
from toothwise.model.engine import healthy
from toothwise.model.made import Scenario, make
from toothwise.model.profiles import Swing, ramp, steady
from toothwise.model.sensor import Coil, Hall
from toothwise.model.wheel import machined
from toothwise.records import Event
from toothwise.track.teeth import Teeth
from toothwise.track.tracker import Tracker
from toothwise.wheel.catalogue import wheel
from toothwise.wheel.pattern import Wheel

from tests.checks.spinning import MICRO, cut, idle, n_minus


def found(teeth: Teeth, pattern: Wheel, pieces: int = 1) -> list[Event]:
    check = OppositeEdges(pattern, MICRO)
    out = [event for part in cut(teeth, pieces) for event in check.add(part)]
    return out + check.finish()


@pytest.mark.parametrize("pieces", [1, 50])
def test_moved_edges_are_found_each_at_its_tooth(pieces: int) -> None:
    pattern = n_minus(60, 2)
    teeth = idle(4, 20).teeth(pattern, jitter_deg=0.02, duty=0.5)
    backs = teeth.back_ticks.copy()
    at = np.array([58 * r + t for r, t in [(20, 9), (77, 30), (120, 44), (121, 9), (200, 21)]])
    backs[at] += ((teeth.ticks[at + 1] - teeth.ticks[at]) * np.array([0.2, -0.25, 0.3, 0.2, -0.2])).astype(int)
    events = found(replace(teeth, back_ticks=backs), pattern, pieces)
    assert [(e.revolution, e.tooth) for e in events] == [(20, 10), (77, 31), (120, 45), (121, 10), (200, 22)]
    assert [e.tick for e in events] == backs[at].tolist()
    assert {e.kind for e in events} == {"extra"} and {e.more["edge"] for e in events} == {"moved"}
    assert [e.more["pitches"] for e in events] == pytest.approx([0.2, -0.25, 0.3, 0.2, -0.2], abs=0.02)


def test_turns_with_other_events_are_left_to_them() -> None:
    pattern = n_minus(60, 2)
    teeth = idle(4, 20).teeth(pattern, jitter_deg=0.02)
    backs = teeth.back_ticks.copy()
    at = 58 * 77 + 30
    backs[at] += (teeth.ticks[at + 1] - teeth.ticks[at]) // 4
    other = Event("extra", "crank", int(teeth.ticks[at]) + 3, int(teeth.ticks[at]) + 9)
    assert len(found(replace(teeth, back_ticks=backs), pattern)) == 1
    check = OppositeEdges(pattern, MICRO)
    assert check.add(replace(teeth, back_ticks=backs, events=(other,))) + check.finish() == []


def test_an_unsteady_signal_is_its_own_measure() -> None:
    """Jitter of 0.35° moves edges of a 6° pitch by a tenth of it now and then; that is jitter, and no event."""
    pattern = n_minus(60, 2)
    assert found(idle(4, 20).teeth(pattern, jitter_deg=0.35), pattern) == []


def test_off_where_widths_carry_a_code() -> None:
    plain = n_minus(24, 0)
    coded = replace(plain, widths_deg=tuple([3.0, 12.0] * 12))
    assert OppositeEdges(plain, MICRO).active
    assert not OppositeEdges(coded, MICRO).active
    assert not OppositeEdges(Wheel("4", (0.0, 90.0, 180.0, 270.0), 4), MICRO).active


def through_tracker(held: Held, pattern: Wheel) -> list[Event]:
    tracker = Tracker(pattern, held.clock)
    check = OppositeEdges(pattern, held.clock)
    events = check.add(tracker.feed(held.edges["crank"], held.until_tick))
    return events + check.add(tracker.finish(held.until_tick)) + check.finish()


SENSORS = {
    "hall": Hall(jitter_deg=0.03),
    "coil": Coil(noise_v=0.01),
    "weak coil": Coil(volts=0.2, gap_mm=1.4, noise_v=0.005),
}


COURSES = [
    (sensor, name, course)
    for sensor in SENSORS
    for name in ("60-2", "36-1", "12-1")
    for course in ("start", "idle", "swing", "deceleration")
]
COURSES += [("hall", "60-2", "pull away"), ("weak coil", "12-1", "pull away")]
# Without a gap beside it the first tooth is judged too; the step before it is of the turn before.
COURSES += [("hall", name, course) for name in ("36", "24") for course in ("start", "pull away", "kick")]


@pytest.mark.parametrize(("sensor", "name", "course"), COURSES)
def test_a_healthy_signal_gives_none(sensor: str, name: str, course: str) -> None:
    rng = np.random.default_rng(len(sensor + name + course))
    pattern = wheel(name)
    if course == "start":
        phases = [Phase("rest", 0.2), Phase("crank", 3.0, 200), Phase("fire", 0.6, 1100), Phase("fire", 1.5, 850)]
        drive = run(healthy(4), phases, rng)
    elif course == "pull away":
        drive = ramp(60.0, 6000.0, 1.0, swings=(Swing(2.0, 0.1),))
    elif course == "kick":
        drive = run(
            replace(healthy(4), inertia=0.06),
            [Phase("rest", 0.1), Phase("crank", 2.0, 150), Phase("fire", 1.0, 3000)],
            rng,
        )
    elif course == "idle":
        drive = run(healthy(3), [Phase("fire", 5.0, 750)], rng)
    elif course == "swing":
        drive = steady(180.0, 40, swings=(Swing(2.0, 0.35), Swing(0.5, 0.05)))
    else:
        drive = ramp(5000.0, 700.0, 1.2, swings=(Swing(3.0, 0.03),))
    made = make(Scenario(machined(pattern, rng, error_deg=0.2, runout_deg=0.3), drive, SENSORS[sensor]), rng)
    assert through_tracker(made.recording, pattern) == []


@pytest.mark.parametrize("name", ["60-2", "36-1", "12-1"])
@pytest.mark.parametrize("swapped", [False, True])
def test_polarity_of_a_coil(name: str, swapped: bool) -> None:
    """The signature a comparator makes of a real waveform, not of an ideal one."""
    rng = np.random.default_rng(6)
    drive = run(healthy(4), [Phase("crank", 2.0, 180), Phase("fire", 2.0, 800)], rng)
    made = make(Scenario(machined(wheel(name), rng), drive, Coil(reversed=swapped)), rng)
    check = Polarity(wheel(name))
    check.add(made.recording.edges["crank"])
    measures = check.measures()
    assert [m.value for m in measures] == [-1.0 if swapped else 1.0]
