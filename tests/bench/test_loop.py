"""The speed loop against made motors: inertia, friction, a battery that sags. It hears of the speed 0.1 s late."""

from __future__ import annotations

from collections import deque

import pytest
from toothwise.bench.loop import Finding, Loop, Plant
from toothwise.model.motor import Motor

TURN_S = 0.05
LATE = 2
MOST_RPM = 4000.0
Trace = list[tuple[float, float, float]]


def found(motor: Motor, most_rpm: float = MOST_RPM) -> Plant | None:
    finding = Finding(most_rpm)
    heard: deque[float] = deque([0.0] * LATE, maxlen=LATE + 1)
    output = 0.0
    for _ in range(1000):
        for _ in range(50):
            motor.step(output)
        assert motor.rpm <= most_rpm
        heard.append(motor.rpm)
        output = finding.step(heard[0], TURN_S)
        if finding.over:
            break
    return finding.plant


def driven(motor: Motor, plant: Plant, target_rpm: float, seconds: float, late: int = LATE) -> Trace:
    """(s, rpm, output) of every turn of the loop."""
    loop = Loop(plant, MOST_RPM)
    heard: deque[float] = deque([motor.rpm] * late, maxlen=late + 1)
    output, out = 0.0, []
    for turn in range(round(seconds / TURN_S)):
        for _ in range(50):
            motor.step(output)
        heard.append(motor.rpm)
        output = loop.step(target_rpm, heard[0], TURN_S)
        out.append((turn * TURN_S, motor.rpm, output))
    return out


def settled_s(trace: Trace, target_rpm: float) -> float:
    """After which the speed stays within 1 %."""
    return max((at for at, rpm, _ in trace if abs(rpm - target_rpm) > 0.01 * target_rpm), default=0.0)


@pytest.mark.parametrize("inertia", [0.0005, 0.001, 0.002, 0.004])
@pytest.mark.parametrize("friction", [0.005, 0.06])
@pytest.mark.parametrize("target", [60.0, 300.0, 1000.0, 3000.0])
def test_settles_within_three_seconds_and_does_not_overshoot(inertia: float, friction: float, target: float) -> None:
    plant = found(Motor(inertia=inertia, friction_nm=friction))
    assert plant is not None
    trace = driven(Motor(inertia=inertia, friction_nm=friction), plant, target, 8.0)
    assert settled_s(trace, target) < 3.0
    assert max(rpm for _, rpm, _ in trace) < 1.05 * target


@pytest.mark.parametrize(
    "changed", [{"friction_nm": 0.06}, {"battery_v": 10.5, "battery_ohm": 0.08}, {"inertia": 0.0026}]
)
@pytest.mark.parametrize("target", [100.0, 1000.0, 2500.0])
def test_holds_though_bench_and_battery_changed(changed: dict[str, float], target: float) -> None:
    plant = found(Motor())
    assert plant is not None
    trace = driven(Motor(**changed), plant, target, 15.0)
    assert settled_s(trace, target) < (3.0 if target > 100.0 or "friction_nm" not in changed else 6.0)
    assert max(rpm for _, rpm, _ in trace) < 1.05 * target


@pytest.mark.parametrize("late", [1, 3, 4, 5])
@pytest.mark.parametrize("inertia", [0.0005, 0.002])
def test_other_delays_do_no_harm(late: int, inertia: float) -> None:
    """0.05 to 0.25 s: the loop reckons with 0.2 s."""
    plant = found(Motor(inertia=inertia))
    assert plant is not None
    trace = driven(Motor(inertia=inertia), plant, 1000.0, 8.0, late)
    assert settled_s(trace, 1000.0) < 3.0
    assert max(rpm for _, rpm, _ in trace) < 1050.0


def test_recovers_from_a_sag() -> None:
    plant = found(Motor())
    assert plant is not None
    trace = driven(Motor(sags=((5.0, 20.0, 10.8),)), plant, 2000.0, 12.0)
    assert settled_s(trace, 2000.0) - 5.0 < 3.0
    assert max(rpm for _, rpm, _ in trace) < 2100.0


def test_no_target_is_no_output_and_nothing_is_above_the_most_speed() -> None:
    plant = found(Motor())
    assert plant is not None
    loop = Loop(plant, 1000.0)
    loop.step(5000.0, 0.0, TURN_S)
    assert loop.target_rpm == 1000.0
    assert loop.step(0.0, 900.0, TURN_S) == 0.0
    motor = Motor()
    loop = Loop(plant, 1000.0)
    for _ in range(400):
        output = loop.step(1000.0, 0.0, TURN_S)  # a speed that is never heard of
        for _ in range(50):
            motor.step(output)
    assert motor.rpm < 1300.0, "the output itself is bounded by what the most speed takes"


def test_a_motor_that_does_not_turn_is_no_plant() -> None:
    assert found(Motor(friction_nm=50.0)) is None
