"""When the numbers of the teeth are asked about: faults come twice a turn, and not every gap is where it should be."""

from __future__ import annotations

import numpy as np
import pytest
from toothwise.track.geometry import Geometry
from toothwise.track.numbering import FIRST, FaultyTurns
from toothwise.track.steady import Steady
from toothwise.wheel import catalogue

from tests.track.signals import FINE, Shaft, said, signal, track

N = 58  # teeth of 60-2


def noted(faults: FaultyTurns, counts: list[int]) -> None:
    """Teeth of these counts, one edge each."""
    faults.note(np.arange(len(counts)), np.array(counts))


def made() -> FaultyTurns:
    return FaultyTurns(Geometry(catalogue.wheel("60-2")))


def turns(many: int, *left_out: int) -> list[int]:
    """Counts of whole turns, without these teeth of each."""
    return [n for n in range(many * N + 2) if n % N not in left_out]


def test_one_fault_a_turn_asks_nothing() -> None:
    faults = made()
    noted(faults, turns(8, 20))
    assert not faults.due()


def test_two_faults_a_turn_ask_where_the_gap_is_one_of_them() -> None:
    faults = made()
    noted(faults, turns(3, 20, N - 1))
    assert faults.due()


def test_two_faults_a_turn_with_every_gap_in_its_place_ask_nothing() -> None:
    faults = made()
    noted(faults, turns(8, 20, 40))
    assert not faults.due()


def test_a_gap_passed_over_quickly_counts_as_seen() -> None:
    faults = made()
    noted(faults, [n for n in turns(3, 20, N - 1) if n < 3 * N - 5])
    assert faults.due()
    faults.pass_over(3 * N - 5, 3 * N + 4)
    assert not faults.due()


def test_what_was_seen_is_forgotten_when_a_stretch_begins() -> None:
    faults = made()
    noted(faults, turns(3, 20, N - 1))
    faults.begin()
    assert not faults.due()


def test_asked_in_vain_it_waits_for_twice_as_many() -> None:
    faults = made()
    noted(faults, turns(3, 20, N - 1))
    faults.asked(True)
    assert not faults.due()
    faults.note(np.arange(2), np.array([3 * N, 3 * N + 5]))
    assert not faults.due()
    assert faults._ask_at == 2 * FIRST


@pytest.mark.parametrize("off", [1, 7, 21])
@pytest.mark.parametrize("name", ["60-2", "36-1", "36-2", "48-1", "30-1", "36+1"])
def test_wrong_numbers_are_found_out(name: str, off: int) -> None:
    """Whatever made them wrong: within five turns they are right, and no fault is told any more."""
    wheel = catalogue.wheel(name)
    whole = signal(wheel, Shaft(-200.0).turn(1500, 12))
    edges, until = whole.edges(FINE), whole.until(FINE)
    truth = track(edges, wheel, FINE, until)
    with pytest.MonkeyPatch.context() as patch:
        right = Steady.first
        patch.setattr(Steady, "first", lambda *a: None if right(*a) is None else (right(*a) + off) % wheel.teeth)
        teeth = track(edges, wheel, FINE, until)
    assert teeth.tooth[0] != truth.tooth[0]
    late = teeth.ticks > truth.ticks[5 * wheel.teeth]
    np.testing.assert_array_equal(teeth.tooth[late], truth.tooth[np.searchsorted(truth.ticks, teeth.ticks[late])])
    assert not [e for e in teeth.events if e.tick > truth.ticks[5 * wheel.teeth]]


@pytest.mark.parametrize("name", ["60-2", "36-1", "36-2-2-2"])
def test_a_dropout_of_turns_that_leaves_wrong_numbers_is_found_out(name: str) -> None:
    """However the wheel is numbered after a silence of several turns, it is numbered rightly two turns later."""
    wheel = catalogue.wheel(name)
    whole = signal(wheel, Shaft(-100.0).turn(1500, 14))
    edges, until = whole.edges(FINE), whole.until(FINE)
    cut = whole.without(3, 7, 4 * wheel.teeth + 9)
    teeth = track(cut.edges(FINE), wheel, FINE, until)
    truth = track(edges, wheel, FINE, until)
    late = teeth.ticks > truth.ticks[9 * wheel.teeth]
    where = np.searchsorted(truth.ticks, teeth.ticks[late])
    np.testing.assert_array_equal(teeth.tooth[late], truth.tooth[where])
    assert said(teeth.events)
