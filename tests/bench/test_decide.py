"""The decision: never a pass inside the guard band, whatever the figures."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.bench import decide
from toothwise.bench.limits import Limit, parse, template
from toothwise.bench.result import FAIL, PASS, RETEST, VERDICTS

BOTH = Limit("edge_position", "deg", -0.5, 0.5, "test")
numbers = st.floats(-2.0, 2.0)


@settings(max_examples=200, deadline=None)
@given(value=numbers, doubt=st.floats(0.0, 1.0), coverage=st.floats(1.0, 4.0))
def test_three_regions_and_nothing_between(value: float, doubt: float, coverage: float) -> None:
    found = decide.judge(BOTH, value, doubt, "dwell", coverage).verdict
    inside = 0.5 - abs(value)  # how far inside the nearer limit
    band = coverage * doubt
    if inside < band - 1e-12:
        assert found != PASS
    if inside > band + 1e-12:
        assert found == PASS
    if inside < -band - 1e-12:
        assert found == FAIL
    if -band + 1e-12 < inside < band - 1e-12:
        assert found == RETEST


def test_at_the_limit_without_doubt_it_passes() -> None:
    """A limit is the last good value."""
    assert decide.judge(BOTH, 0.5, 0.0, "", 2.0).verdict == PASS
    assert decide.judge(BOTH, 0.5, 1e-9, "", 2.0).verdict == RETEST


def test_words_say_which_side_and_why() -> None:
    said = decide.judge(BOTH, 0.7, 0.02, "dwell", 2.0).words
    assert said == "edge position against the master (dwell) 0.70 ± 0.02°, above 0.5°"
    said = decide.judge(BOTH, -0.52, 0.02, "dwell", 2.0).words
    assert "too near to -0.5° for a guard band of 0.0400°" in said
    one = Limit("insulation", "ohm", 1e6, None, "test")
    assert decide.judge(one, 2e5, 1e3, "bench", 2.0).words == "insulation 200.0 ± 1.0 kΩ, below 1 MΩ"


def test_what_was_not_measured_does_not_pass_where_it_is_required() -> None:
    limits = parse(template("hall"), "hall")
    missing = decide.never_measured(limits, [])
    by_name = {one.name: one.verdict for one in missing}
    assert by_name["jitter"] == RETEST and by_name["edge_position"] == PASS
    verdict, reasons = decide.verdict(missing)
    assert verdict == RETEST
    assert any("edge position" in reason and "not measured" in reason for reason in reasons)


def test_a_count_passes_only_when_it_is_long_enough() -> None:
    limit = Limit("missing", "teeth", None, 0.0, "test")
    assert decide.judge_count(limit, 0, 997, "dwell", 998, 0.95).verdict == RETEST
    passed = decide.judge_count(limit, 0, 998, "dwell", 998, 0.95)
    assert passed.verdict == PASS and "fewer than 0.30% of revolutions, 95% sure" in passed.words
    assert decide.judge_count(limit, 1, 10_000, "dwell", 998, 0.95).verdict == FAIL


def test_the_worst_measure_decides_and_comes_first() -> None:
    rows = [decide.judge(BOTH, value, 0.01, "dwell", 2.0) for value in (0.0, 0.49, 0.9)]
    verdict, reasons = decide.verdict(rows)
    assert verdict == FAIL == VERDICTS[-1]
    assert reasons[0].startswith("fail: ") and reasons[1].startswith("retest: ")
    assert decide.verdict(rows[:1]) == (PASS, ("1 measure, all within their limits",))


@pytest.mark.parametrize(
    ("text", "value"),
    [("850", 850.0), ("0,85k", 850.0), ("12M", 12e6), ("7m", 0.007), ("x", None), ("", None), ("inf", None)],
)
def test_typed_numbers(text: str, value: float | None) -> None:
    from toothwise.bench.run import number

    assert number(text) == (None if value is None else pytest.approx(value))


def test_after_a_clear_fail_one_line_says_what_was_left_out() -> None:
    wanted = parse(template("hall"), "hall")
    failed = decide.judge(wanted.measures["lowest_full_count"], 148.0, 7.0, "sweep", 2.0)
    whole, reasons = decide.verdict([failed, *decide.never_measured(wanted, [failed])])
    assert whole == FAIL and len(reasons) == 2
    assert reasons[0].startswith("fail: lowest speed") and reasons[1].startswith("not measured: ")
    assert "jitter" in reasons[1] and "duty" in reasons[1]
