"""The sequence at work: a made motor and sensors, the loop, keys, early ends, and a drive that is taken away."""

from __future__ import annotations

import pytest
from toothwise.bench.result import FAIL, MASTER, PASS, RETEST
from toothwise.bench.steps import COUNT, SERIAL, SWEEP, steps
from toothwise.model.motor import Seeing

from tests.bench.bench_at_work import AtWork, limits


def test_a_good_sensor_passes_and_the_next_is_one_key_away() -> None:
    work = AtWork(Seeing(0.1, 0.01), limits(sweep=True))
    work.to_the_spindle()
    assert work.bench.step.kind == SWEEP
    assert work.run(120.0, until="finished")
    result = work.bench.finished[0]
    assert (result.verdict, result.serial, result.lot, result.reference) == (PASS, "S1", "QB-7", MASTER)
    assert work.bench.step.kind == SERIAL and not work.rig.armed, "the drive is let go"
    low = next(m for m in result.measures if m.name == "lowest_full_count")
    assert low.value is not None and low.value < 30.0, "the sweep began slowly enough to see it"
    work.type("\n")
    assert work.bench.sensor.serial == "S1", "Enter alone takes the last one again"


@pytest.mark.parametrize(
    ("sensor", "reason"),
    [
        (Seeing(0.0, 0.01, wakes_rpm=130.0), "lowest speed with a full count"),
        (Seeing(1.3, 0.01), "edge position"),
        (Seeing(0.0, 0.3), "jitter"),
        (Seeing(0.0, 0.01, drops=0.5), "missing teeth"),
    ],
)
def test_a_bad_one_fails_for_its_own_reason(sensor: Seeing, reason: str) -> None:
    work = AtWork(sensor, limits(sweep=sensor.wakes_rpm > 0))
    work.to_the_spindle()
    assert work.run(120.0, until="finished")
    assert work.bench.finished[0].verdict == FAIL
    assert any(reason in why for why in work.bench.finished[0].reasons)


def test_a_clear_fail_ends_it_at_once() -> None:
    """A reading far out: the sensor never gets to the spindle."""
    work = AtWork(Seeing(), limits())
    work.type("S2\n0.2M\n")
    assert work.bench.finished[0].verdict == FAIL
    assert work.bench.step.kind == SERIAL and not work.rig.said


def test_a_dropping_sensor_is_not_counted_to_the_end() -> None:
    work = AtWork(Seeing(0.0, 0.01, drops=1.0), limits(fault_rate=0.001))
    work.to_the_spindle()
    assert work.run(120.0, until="finished"), "2995 turns at 3000 rpm alone would be a minute"
    assert work.now_s < 60.0


def test_it_gets_to_know_its_motor_first() -> None:
    work = AtWork(Seeing(0.0, 0.01), limits(), plant=None)
    work.to_the_spindle()
    work.run(2.0)
    assert work.spindle.finding and work.bench.stage is None
    assert work.run(150.0, until="finished")
    assert work.bench.finished[0].verdict == PASS


def test_the_most_speed_is_stated_first_and_any_other_key_stops_the_drive() -> None:
    work = AtWork(Seeing(0.0, 0.01), limits())
    work.to_the_spindle()
    work.run(1.0)
    assert work.rig.said[0] == "drive pwm 3500 44 20000", "most speed, and two edges a tooth"
    assert work.rig.value > 0
    work.type(" ")
    assert not work.rig.armed and "a key" in work.spindle.stopped
    turns = len(work.rig.said)
    work.run(5.0)
    assert len(work.rig.said) == turns, "nothing is told to it until Enter"
    work.type("\n")
    assert work.run(120.0, until="finished")
    assert work.bench.finished[0].verdict == PASS


def test_a_drive_that_the_rig_stopped_says_why_and_stays_off() -> None:
    work = AtWork(Seeing(0.0, 0.01), limits())
    work.to_the_spindle()
    work.run(2.0)
    work.rig.stopped_by = "drive_overspeed"
    work.run(1.0)
    assert work.spindle.stopped == "overspeed" and work.rig.value == 0
    assert work.bench.step.kind == COUNT and not work.bench.finished, "the sensor is not blamed"


def test_by_hand() -> None:
    """Slowly first, then to the speed; nothing is driven."""
    work = AtWork(Seeing(0.0, 0.01), limits(sweep=True), driven=False)
    work.to_the_spindle()
    for width, seconds in ((0.023, 9.0), (0.03, 3.0), (0.1, 3.0), (0.3, 4.0)):
        work.by_hand = width
        work.run(seconds)
    assert work.bench.step.kind == COUNT
    work.by_hand = 0.735
    assert work.run(60.0, until="finished")
    assert work.bench.finished[0].verdict == PASS and not work.rig.said


def test_a_step_left_out_is_a_retest() -> None:
    work = AtWork(Seeing(0.0, 0.01), limits())
    work.to_the_spindle()
    assert work.bench.step.kind == COUNT, "no sweep without a limit for it"
    work.run(1.0)
    work.type("s")
    assert work.bench.finished[0].verdict == RETEST


def test_every_step_of_the_template_is_there() -> None:
    from toothwise.bench import limits as limits_file

    whole = limits_file.parse(limits_file.template("variable_reluctance"), "vr")
    titles = [step.title for step in steps(whole, driven=True)]
    assert titles == [
        *("next sensor", "resistance", "insulation", "place it", "sweep", "3000 rpm"),
        *("gap 1 mm", "gap 1 mm", "gap 1.5 mm", "gap 1.5 mm", "hot", "resistance", "insulation", "hot"),
        *("cold", "resistance", "cold", "cable flex"),
    ]
    by_hand = {step.title: step.prompt for step in steps(whole, driven=False)}
    assert "slower than 30 rpm for three turns" in by_hand["sweep"]
