"""The self-check pattern: what the board plays and what the host expects come from one function."""

from __future__ import annotations

from itertools import pairwise

import pytest
from toothwise.firmware import pattern_out

CLOCKS = (62_500_000, 75_000_000, 1_000_000)


@pytest.mark.parametrize("hz", CLOCKS)
def test_edges_alternate_and_never_touch(hz: int) -> None:
    edges = pattern_out.edges(hz)
    assert edges[0] == (0, 1)
    assert [level for _, level in edges] == [(n + 1) % 2 for n in range(len(edges))]
    assert all(b[0] - a[0] >= 6 * hz // 1_000_000 for a, b in pairwise(edges))


@pytest.mark.parametrize("hz", CLOCKS)
def test_counts_follow_from_what_is_left_out_and_added(hz: int) -> None:
    edges = pattern_out.edges(hz)
    turns = 1 + max(revolution for revolution, _ in (*pattern_out.LEFT_OUT, *pattern_out.ADDED))
    pulses = len(edges) // 2
    least = turns * 58 - len(pattern_out.LEFT_OUT) + len(pattern_out.ADDED)
    assert (pulses - least) % 58 == 0 and 0 <= (pulses - least) // 58 <= 2


@pytest.mark.parametrize("hz", CLOCKS)
def test_sweep_from_30_to_9000_rpm(hz: int) -> None:
    """With 60 slots, slots a second are rpm. [D]"""
    steps = list(pattern_out.steps(hz))
    first = steps[0][1] + steps[1][1]
    last = steps[-2][1] + steps[-1][1]
    assert hz / first == pytest.approx(30, rel=0.001)
    assert 9000 <= hz / last < 9000 * 1.3
    assert pattern_out.totals(hz) == (len(pattern_out.edges(hz)), sum(ticks for _, ticks in steps))


def test_same_pattern_on_any_clock() -> None:
    """Up to the rounding of a tick, time and again the same places."""
    fine = pattern_out.edges(62_500_000)
    coarse = pattern_out.edges(1_000_000)
    assert len(fine) == len(coarse)
    drift = [abs(a / 62.5 - b) for (a, _), (b, _) in zip(fine, coarse, strict=True)]
    assert max(drift) < 2 * len(fine)


def test_soft_player_keeps_its_schedule() -> None:
    """Against a clock that only moves when it is read: each change comes when due, late by less than a wait."""

    class Pin:
        changes: list[tuple[int, int]]

        def __init__(self) -> None:
            self.changes = []
            self.level = 0

        def value(self, level: int) -> None:
            if level != self.level:
                self.changes.append((now[0], level))
                self.level = level

    now = [0]

    def us() -> int:
        now[0] += 3
        return now[0]

    pin = Pin()
    player = pattern_out.SoftPlayer(pin, us)
    count, _ = player.play(1_000_000)
    while player.turn():
        now[0] += 900  # a loop turn
    expected = pattern_out.edges(1_000_000, pattern_out.SOFT_TOP_RPM)
    start = pin.changes[0][0]
    assert [level for _, level in pin.changes] == [level for _, level in expected]
    assert all(abs(at - start - due) <= 12 for (at, _), (due, _) in zip(pin.changes, expected, strict=True))
    assert player.edges == count == len(expected)
    assert not player.rate(1000, 100)
