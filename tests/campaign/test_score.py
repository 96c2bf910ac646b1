"""The scorer must be able to fail: an answer made from the truth scores full marks, and every way of spoiling it
costs exactly the mark it should."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from toothwise.model.faults import Fault

from tests.campaign.cases import Case, Spec, build
from tests.campaign.score import Score, Timeline, echo, marks, score


@pytest.fixture(scope="module", params=["60-2", "12-1", "24", "6+1"])
def case(request: pytest.FixtureRequest) -> Case:
    return build(Spec("faults", request.param, "mid", 7, 0))


def spoiled(case: Case, of_kind: str, **changes: object) -> Score:
    """The score when the first true fault of a kind that can be counted is told with changes."""
    line, faults = Timeline(case, echo(case)), list(case.made.truth.faults)
    i = next(i for i, f in enumerate(faults) if f.kind == of_kind and not line.is_long(f))
    faults[i] = replace(faults[i], **changes)
    return score(case, echo(case, tuple(faults)))


def test_the_truth_scores_full_marks(case: Case) -> None:
    result = score(case, echo(case))
    tally = result.within
    assert tally.faults > 5
    assert tally.faults == tally.matched == tally.events == tally.tooth_right == tally.count_right
    assert result.beyond.faults == result.beyond.matched
    assert (result.false_events, result.misnumbered, result.lost_teeth) == (0, 0, 0)
    assert result.complaints == []


def test_an_event_left_out_costs_recall(case: Case) -> None:
    result = score(case, echo(case, case.made.truth.faults[1:]))
    lost = result.beyond if Timeline(case, echo(case)).is_long(case.made.truth.faults[0]) else result.within
    assert lost.matched == lost.faults - 1
    assert lost.recall < 1.0 and lost.precision == 1.0


def test_an_event_made_up_costs_precision(case: Case) -> None:
    faults = case.made.truth.faults
    made_up = Fault("missing", "crank", 0.0, 0.0, 0, 1, 1, 0, "signal", "")
    result = score(case, echo(case, (made_up, *faults)))
    assert result.within.precision < 1.0 and result.within.recall == 1.0
    assert result.false_events == 1


@pytest.mark.parametrize("kind", ["missing", "extra"])
def test_wrong_tooth_revolution_or_count_costs_its_mark(case: Case, kind: str) -> None:
    line = Timeline(case, echo(case))
    fault = next(f for f in case.made.truth.faults if f.kind == kind and not line.is_long(f))
    assert fault.tooth is not None and fault.revolution is not None
    for wrong in ({"tooth": fault.tooth % case.wheel.teeth + 1}, {"revolution": fault.revolution + 1}):
        tally = spoiled(case, kind, **wrong).within
        assert tally.tooth_right == tally.matched - 1 and tally.count_right == tally.matched == tally.faults
    tally = spoiled(case, kind, count=fault.count + 1).within
    assert tally.count_right == tally.matched - 1 and tally.tooth_right == tally.matched == tally.faults


def test_wrong_kind_costs_both(case: Case) -> None:
    tally = spoiled(case, "extra", kind="missing").within
    assert tally.matched == tally.faults - 1 and tally.events == tally.faults


def test_wrong_time_costs_both(case: Case) -> None:
    fault = next(f for f in case.made.truth.faults if f.kind == "extra")
    tally = spoiled(case, "extra", t_s=fault.t_s + 0.02).within
    assert tally.matched == tally.faults - 1 and tally.events == tally.faults


def test_shifted_numbers_are_seen(case: Case) -> None:
    healthy = build(Spec("healthy", case.wheel.name, "steady", 7, 0))
    told = echo(healthy)
    assert score(healthy, told).misnumbered == 0
    if case.wheel.symmetry > 1:
        assert score(healthy, replace(told, revolution=told.revolution + 1)).misnumbered == len(told)
        assert score(healthy, replace(told, tooth=told.tooth % case.wheel.teeth + 1)).misnumbered == len(told)
    late = told.tooth.copy()
    late[len(told) // 2] += 1
    assert score(healthy, replace(told, tooth=late)).misnumbered == 1


def test_teeth_left_out_are_seen(case: Case) -> None:
    told = echo(case)
    half = slice(0, len(told) // 2)
    short = replace(told, ticks=told.ticks[half], back_ticks=told.back_ticks[half], tooth=told.tooth[half],
                    revolution=told.revolution[half], turning=told.turning[half])  # fmt: skip
    assert score(case, short).lost_teeth > 0


def test_a_stop_that_was_not_is_false() -> None:
    healthy = build(Spec("healthy", "36-1", "steady", 7, 0))
    stop = Fault("stopped", "crank", 0.1, 0.1, 0, 1, 1, 0, "", "")
    told = echo(healthy)
    from toothwise.records import Event

    event = Event("stopped", "crank", 100, 200, 0, 1)
    assert stop.kind == event.kind
    assert score(healthy, told).false_events == 0
    assert score(healthy, replace(told, events=(event,))).false_events == 1


@pytest.mark.parametrize("number", range(6))
@pytest.mark.parametrize("wheel", ["60-2", "12-1", "24"])
def test_faults_told_for_either_edge_are_those_that_the_recording_lacks(wheel: str, number: int) -> None:
    """For a tracker that times by the other edge, the true faults are found anew from the recorded edges alone."""
    case = build(Spec("faults", wheel, "mid", 7, number))
    edges = case.made.recording.edges["crank"]
    tick_s = case.made.recording.clock.tick_ns * 1e-9
    for level in (0, 1):
        of_level = edges.ticks[edges.levels == level]
        told = echo(case)
        told = replace(told, ticks=np.full(len(told), of_level[len(of_level) // 2]))
        line = Timeline(case, replace(told, ticks=told.ticks[:1], tooth=told.tooth[:1], revolution=told.revolution[:1]))
        due = marks(case, level)
        assert np.array_equal(due, line.t[1:-1])
        seen = of_level * tick_s
        near = np.clip(np.searchsorted(seen, due), 1, len(seen) - 1)
        away = np.minimum(np.abs(seen[near] - due), np.abs(seen[near - 1] - due))
        lacks = away > 0.03 * np.append(np.diff(due), np.inf)
        lacks[[0, -1]] = False
        starts = np.flatnonzero(lacks & ~np.roll(lacks, 1))
        counts = [int(np.argmin(np.append(lacks[i:], False))) for i in starts]
        wanted = [(f.t_s, f.count) for f in line.faults if f.kind == "missing"]
        assert [c for _, c in wanted] == counts
        assert np.allclose([t for t, _ in wanted], due[starts])
