"""Recorded runs judged: the good, the bad each for its own reason, and what cannot be told from a file."""

from __future__ import annotations

import numpy as np
import pytest
from toothwise.bench.figures import Master
from toothwise.bench.limits import parse
from toothwise.bench.of_file import judge_recording
from toothwise.bench.result import FAIL, LEARNT, MASTER, NONE, PASS, RETEST, from_dict
from toothwise.edges.signal import Held
from toothwise.errors import BookTrouble
from toothwise.model import profiles
from toothwise.records import SensorResult

from tests.bench import made_sensors as made

ON_BENCH = Master(made.MOUNT_DEG, 0.01)


def judged(held: Held, master: Master = ON_BENCH) -> SensorResult:
    return judge_recording(lambda: held, made.made_limits(), master=master, lot="L", serial="S")


def test_a_good_one_passes() -> None:
    rng = np.random.default_rng(4)
    result = judged(made.record(made.good(rng), rng))
    assert result.verdict == PASS and result.reference == MASTER
    assert {m.name for m in result.measures} == set(made.made_limits().measures)


REASONS = {
    "weak": "lowest speed with a full count",
    "shaky": "jitter",
    "displaced": "edge position",
    "dropping": "missing teeth",
    "noisy": "extra edges",
    "misshapen": "duty",
}


@pytest.mark.parametrize("way", made.WAYS)
def test_a_bad_one_fails_for_its_own_reason(way: str) -> None:
    rng = np.random.default_rng(11)
    result = judged(made.record(made.bad(way, rng, 0.03), rng))
    assert result.verdict == FAIL
    assert any(REASONS[way] in reason for reason in result.reasons)


def test_a_steady_run_says_nothing_of_the_lowest_speed() -> None:
    """It was never turned slowly: that speaks neither for nor against the sensor."""
    rng = np.random.default_rng(2)
    motion = profiles.steady(3000.0, 120, walk=0.0005, rng=rng, step_deg=6.0)
    result = judged(made.record(made.MadeSensor(), rng, motion))
    assert result.verdict == RETEST
    assert any("begin the sweep slower" in reason for reason in result.reasons)


def test_another_wheel_is_named() -> None:
    rng = np.random.default_rng(2)
    held = made.record(made.MadeSensor(), rng)
    limits = parse(made.LIMITS.replace('wheel = "60-2"', 'wheel = "36-1"'), "another wheel")
    result = judge_recording(lambda: held, limits, master=ON_BENCH)
    assert result.verdict != PASS
    assert "the signal is that of a wheel 60-2, the limits are for 36-1" in result.reasons[0]


def test_a_recording_alone_is_not_asked_for_meter_readings() -> None:
    rng = np.random.default_rng(4)
    held = made.record(made.MadeSensor(), rng)
    more = '[measure.insulation]\nlow = 1e6\nunit = "ohm"\nsource = "a test"\n'
    limits = parse(made.LIMITS + more, "with a reading")
    alone = judge_recording(lambda: held, limits, master=ON_BENCH, signal_alone=True)
    assert alone.verdict == PASS and "insulation was not measured" in alone.reasons
    assert judge_recording(lambda: held, limits, master=ON_BENCH).verdict == RETEST
    low = judge_recording(lambda: held, limits, master=ON_BENCH, typed={"insulation": 1e4}, signal_alone=True)
    assert low.verdict == FAIL


def test_too_short_a_count_is_a_retest() -> None:
    rng = np.random.default_rng(2)
    result = judged(made.record(made.MadeSensor(), rng, made.run_up(rng, dwell_turns=30)))
    assert result.verdict == RETEST
    assert any("99 are needed" in reason for reason in result.reasons)


def test_without_a_master_the_position_is_not_measured() -> None:
    rng = np.random.default_rng(6)
    held = made.record(made.MadeSensor(), rng)
    alone = Held(held.clock, {"crank": held.edges["crank"]}, held.until_tick)
    result = judged(alone)
    assert result.reference == NONE
    assert result.verdict == RETEST, "its limits require it"
    assert any("was not measured" in reason for reason in result.reasons)
    from toothwise.bench import reference

    from tests.bench.test_reference import seen

    learnt = reference.learn(made.WHEEL, seen(held)[1], held.clock, "")
    assert judged(alone, Master(learnt=learnt)).reference == LEARNT


def test_a_bench_that_does_not_know_its_zero_judges_no_position() -> None:
    rng = np.random.default_rng(6)
    result = judged(made.record(made.MadeSensor(), rng), Master())
    assert result.reference == MASTER and result.verdict == RETEST
    assert any("edge position" in reason and "not measured" in reason for reason in result.reasons)


def test_a_dead_sensor_beside_a_turning_master_fails() -> None:
    held = made.record(made.MadeSensor(), np.random.default_rng(6))
    result = judged(Held(held.clock, {"crank": made.Edges.none(), "aux": held.edges["aux"]}, held.until_tick))
    assert result.verdict == FAIL
    assert any("the master counted fully" in reason for reason in result.reasons)


def test_a_result_survives_the_way_to_the_book_and_back() -> None:
    rng = np.random.default_rng(4)
    result = judged(made.record(made.MadeSensor(), rng))
    assert from_dict(result.as_dict()) == result
    for key in ("uuid", "verdict", "measures"):
        with pytest.raises(BookTrouble):
            from_dict({**result.as_dict(), key: "nonsense"})


def test_an_empty_recording_is_a_retest() -> None:
    held = Held(made.record(made.MadeSensor(), np.random.default_rng(1)).clock, {"crank": made.Edges.none()}, 10)
    assert judged(held).verdict == RETEST
