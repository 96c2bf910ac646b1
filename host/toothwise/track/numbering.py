"""When faults come so regularly that it may be the numbers of the teeth that are wrong."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from toothwise.track.node import Node


class FaultyTurns:
    """Turns in a row with two faults or more, and when to ask whether it is the numbering that is wrong.

    Teeth numbered wrongly show at least two in each: at the gap, and where the gap is thought to be. Asked after the
    second such turn, and if the numbers were right, after the fourth, eighth, ... of the row.
    """

    def __init__(self, teeth: int) -> None:
        self._teeth = teeth
        self._latest = -2
        self._faults = 0  # in that turn
        self._row = 0
        self._ask_at = 2

    def note(self, nodes: Sequence[Node]) -> None:
        for before, node in pairwise(nodes):
            if node.count - before.count == 1 and node.edge - before.edge == 1:
                continue
            turn = before.count // self._teeth
            if turn != self._latest:
                if turn > self._latest + 1 or self._faults < 2:
                    self._row, self._ask_at = 0, 2
                self._latest, self._faults = turn, 0
            self._faults += 1
            if self._faults == 2:
                self._row += 1

    def due(self) -> bool:
        return self._row >= self._ask_at

    def asked(self, really: bool) -> None:
        if really:
            self._ask_at = 2 * self._row
