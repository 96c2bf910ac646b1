"""Which wheel it is: right or undecided, never wrong."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.edges.signal import Edges
from toothwise.model import drive
from toothwise.model.engine import healthy
from toothwise.model.made import Scenario, make
from toothwise.model.sensor import Coil, Comparator
from toothwise.model.wheel import machined
from toothwise.wheel import catalogue
from toothwise.wheel.explain import is_even
from toothwise.wheel.identify import identify
from toothwise.wheel.pattern import Wheel

from tests.wheel.turned import CLOCK, turned

TOLD = [name for name in catalogue.NAMES if not is_even(catalogue.wheel(name))]
EVEN = [name for name in catalogue.NAMES if is_even(catalogue.wheel(name))]
COMPRESSIONS = ((2.0, 0.2, 40.0), (0.5, 0.05, 200.0))
"""Four cylinders at the starter: within the usual 15 to 30 % (from memory)."""


@pytest.mark.parametrize("level", [0, 1])
@pytest.mark.parametrize("name", TOLD)
def test_three_turns_at_the_starter_tell_the_wheel(name: str, level: int) -> None:
    edges = turned(catalogue.wheel(name), 3, start_deg=77.0, waves=COMPRESSIONS, level=level)
    found = identify(edges, CLOCK)
    assert found.wheel is not None, found.candidates
    assert found.wheel.name == name


@given(
    name=st.sampled_from(catalogue.NAMES),
    start=st.floats(0.0, 360.0),
    level=st.integers(0, 1),
    rpm=st.floats(60.0, 300.0),
    order=st.sampled_from([1.5, 2.0, 2.5, 3.0, 4.0]),
    depth=st.floats(0.0, 0.35),
    phase=st.floats(0.0, 360.0),
    duty=st.floats(0.4, 0.6),
    turns=st.floats(0.3, 4.0),
    seed=st.integers(0, 1000),
)
@settings(max_examples=60, deadline=None)
def test_never_wrong(
    name: str, start: float, level: int, rpm: float, order: float, depth: float, phase: float, duty: float,
    turns: float, seed: int,
) -> None:  # fmt: skip
    waves = ((order, depth, phase),)
    edges = turned(
        catalogue.wheel(name), turns, rpm=rpm, start_deg=start, waves=waves, level=level, duty=duty, seed=seed
    )
    found = identify(edges, CLOCK)
    assert found.wheel is None or found.wheel.name == name


@pytest.mark.parametrize("name", EVEN)
def test_equal_teeth_are_not_counted(name: str) -> None:
    found = identify(turned(catalogue.wheel(name), 6, waves=COMPRESSIONS), CLOCK)
    assert found.wheel is None
    if len(catalogue.wheel(name).angles_deg) > 4:
        assert set(EVEN) & set(found.candidates)


@pytest.mark.parametrize("name", ["58-2", "32-2", "40-1", "20-1"])
def test_any_wheel_with_gaps_is_found_by_them(name: str) -> None:
    found = identify(turned(catalogue.wheel(name), 3.2, waves=COMPRESSIONS), CLOCK)
    assert found.wheel is not None, found.candidates
    assert found.wheel.name == name


@pytest.mark.parametrize("level", [0, 1])
@pytest.mark.parametrize("name", ["60-2", "36-1", "36-2", "24-1"])
def test_a_coil_on_either_level(name: str, level: int) -> None:
    """Crossings on slot centres show the one long interval as two medium ones: 2.0 twice for N-2, 1.5 twice for N-1
    [D]; this must not pass for another wheel."""
    edges = turned(catalogue.wheel(name), 3, waves=COMPRESSIONS, level=level, halfway=True)
    found = identify(edges, CLOCK)
    assert found.wheel is not None, found.candidates
    assert found.wheel.name == name
    steady = turned(catalogue.wheel(name), 3, level=level, halfway=True, error_deg=0.0)
    other = steady.ticks[steady.levels != level]
    ratio = np.diff(other) / np.median(np.diff(other))
    assert np.sort(ratio)[-2:] == pytest.approx([1.0 + len(catalogue.wheel(name).gaps[0]) / 2] * 2, rel=0.02)


@given(scale=st.integers(1, 40), shift=st.integers(0, 2**40))
@settings(max_examples=10, deadline=None)
def test_neither_clock_nor_speed_matters(scale: int, shift: int) -> None:
    edges = turned(catalogue.wheel("36-1"), 3, waves=COMPRESSIONS)
    moved = Edges(edges.ticks * scale + shift, edges.levels)
    assert identify(moved, CLOCK) == identify(edges, CLOCK)


def test_a_turn_and_a_half_is_not_enough() -> None:
    assert identify(turned(catalogue.wheel("60-2"), 1.5), CLOCK).wheel is None


@pytest.mark.parametrize("name", ["60-2", "36-1", "12-1", "6+1"])
def test_faults_here_and_there_do_not_hide_the_wheel(name: str) -> None:
    wheel = catalogue.wheel(name)
    edges = turned(wheel, 40, waves=COMPRESSIONS)
    keep = np.ones(len(edges), bool)
    for at in np.random.default_rng(8).choice(len(edges) - 2, 4, replace=False).tolist():
        keep[at : at + 2] = False  # a tooth, or what lies between two
    found = identify(Edges(edges.ticks[keep], edges.levels[keep]), CLOCK)
    assert found.wheel is not None, found.candidates
    assert found.wheel.name == name


def test_a_wheel_that_nobody_knows_stays_unnamed() -> None:
    rng = np.random.default_rng(4)
    for _ in range(6):
        slots = np.sort(rng.choice(30, 18, replace=False))
        wheel = Wheel("own", tuple(((slots - slots[0]) * 12.0).tolist()), 30)
        assert len(wheel.gaps) > 1
        assert identify(turned(wheel, 3, waves=COMPRESSIONS), CLOCK).wheel is None


def test_a_swing_beyond_an_engine_s_explains_nothing() -> None:
    """Wheels that would be the catalogue's, or it twice over, if only the speed swung enough."""
    for slots, empty in ((23, (8, 18, 20)), (16, (3, 10)), (17, (3, 6, 13)), (8, (3, 7, 8)), (13, (5, 8, 13))):
        full = [s for s in range(slots) if s + 1 not in empty]
        wheel = Wheel("own", tuple(s * 360.0 / slots for s in full), slots)
        assert identify(turned(wheel, 3, seed=1), CLOCK).wheel is None, empty


@pytest.mark.parametrize("count", [0, 1, 2, 3, 5])
def test_next_to_nothing_is_undecided(count: int) -> None:
    edges = turned(catalogue.wheel("60-2"), 1)
    assert identify(Edges(edges.ticks[:count], edges.levels[:count]), CLOCK).wheel is None


def test_edges_that_all_come_at_once_are_undecided() -> None:
    assert identify(Edges(np.zeros(200, np.int64), np.tile([0, 1], 100).astype(np.uint8)), CLOCK).wheel is None


def test_mirrored_wheels_are_told_apart() -> None:
    for name in ("36-2-2-2", "36-2-2-2-mirrored", "12+1@-10"):
        found = identify(turned(catalogue.wheel(name), 3), CLOCK)
        assert found.wheel is not None and found.wheel.name == name


@given(
    spans=st.lists(
        st.one_of(st.integers(0, 5), st.integers(1, 10**7), st.sampled_from([1000, 2000, 30])), max_size=300
    ),
    repeat=st.integers(1, 12),
)
@settings(max_examples=40, deadline=None)
def test_whatever_comes_there_is_an_answer(spans: list[int], repeat: int) -> None:
    ticks = np.cumsum(np.array(spans * repeat, np.int64))[:1500]
    found = identify(Edges(ticks, (np.arange(len(ticks)) % 2).astype(np.uint8)), CLOCK)
    assert found.wheel is None or found.wheel.name in found.candidates


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("name", ["48-2", "24-2"])
def test_a_gap_of_every_second_turn_is_no_swing(name: str, seed: int) -> None:
    # A start, where the slow first turn is the worst to tell a gap in, on a coil wired either way.
    rng = np.random.default_rng(seed)
    way = drive.run(healthy(4), drive.start(idle_s=0.5), rng, start_deg=rng.uniform(0, 720))
    coil = Coil(volts=1.0, reversed=bool(seed % 2), comparator=Comparator(high_v=0.02))
    made = make(Scenario(machined(catalogue.wheel(name), rng), way, coil), rng)
    edges = made.recording.edges["crank"]
    for many in (128, 256, 512):
        found = identify(Edges(edges.ticks[:many], edges.levels[:many]), made.recording.clock)
        assert found.wheel is None or found.wheel.name == name, many
