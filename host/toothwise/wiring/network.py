"""A small linear circuit solved by nodal analysis: levels at rest, sine response, and response to a step.

Kirchhoff's current law over conductances and capacitances, with some nodes held at a voltage. Used for the
computed thresholds and delays; the simulator is the independent second opinion, with the diodes and the comparator
that are not linear.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothwise.wiring.spread import Values

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Element:
    """A part with two ends. kind: "R", "C", "I" (a current from a to b), "J" (the capacitance of diodes that
    are left out here), or a diode's model ("silicon", "schottky"), anode at a. The simulated circuit has the diodes
    themselves in place of "I" and "J".

    value: the name under which its value is kept; empty for a diode.
    """

    kind: str
    ref: str
    a: str
    b: str
    value: str = ""


class Network:
    """Resistors, capacitors and steady currents among `elements`; every node in `held` is kept at a given voltage.

    Diodes are left out: the computed figures hold where no clamp conducts, and the simulation checks that.
    """

    def __init__(self, elements: Iterable[Element], values: Values, held: tuple[str, ...]) -> None:
        linear = [e for e in elements if e.kind in ("R", "C", "I", "J")]
        nodes = sorted({node for e in linear for node in (e.a, e.b)} - set(held))
        self._at = {node: i for i, node in enumerate(nodes)}
        self._held = {node: i for i, node in enumerate(held)}
        free, fixed = len(nodes), len(held)
        self._g = np.zeros((free, free))
        self._c = np.zeros((free, free))
        self._g_held = np.zeros((free, fixed))
        self._c_held = np.zeros((free, fixed))
        self._inject = np.zeros(free)
        for e in linear:
            if e.kind == "I":
                for node, sign in ((e.a, -1.0), (e.b, 1.0)):
                    if node in self._at:
                        self._inject[self._at[node]] += sign * values[e.value]
                continue
            own, other = (self._g, self._g_held) if e.kind == "R" else (self._c, self._c_held)
            amount = 1 / values[e.value] if e.kind == "R" else values[e.value]
            for here, there in ((e.a, e.b), (e.b, e.a)):
                if here not in self._at:
                    continue
                i = self._at[here]
                own[i, i] += amount
                if there in self._at:
                    own[i, self._at[there]] -= amount
                else:
                    other[i, self._held[there]] += amount

    def _drive(self, held_v: Mapping[str, float]) -> Array:
        return np.array([held_v[node] for node in self._held])

    def _settled(self, held_v: Mapping[str, float]) -> Array:
        settled: Array = np.asarray(
            np.linalg.solve(self._g, self._g_held @ self._drive(held_v) + self._inject), dtype=np.float64
        )
        return settled

    def rest(self, held_v: Mapping[str, float]) -> dict[str, float]:
        """Voltage of every free node once all has settled."""
        solved = self._settled(held_v)
        return {node: float(solved[i]) for node, i in self._at.items()}

    def sine(self, node_plus: str, node_minus: str, hertz: float, held_v: Mapping[str, float]) -> complex:
        """Complex v(plus) - v(minus) when the held nodes swing with the given amplitudes."""
        jw = 2j * np.pi * hertz
        solved = np.linalg.solve(self._g + jw * self._c, (self._g_held + jw * self._c_held) @ self._drive(held_v))
        return complex(solved[self._at[node_plus]] - solved[self._at[node_minus]])

    def after_step(
        self, start_v: Mapping[str, float], held_v: Mapping[str, float]
    ) -> Callable[[Array], dict[str, Array]]:
        """Free nodes from `start_v` on, held nodes at `held_v` from time zero; returns time in s -> voltages.

        Each free node needs some capacitance; the circuits here give every one its stray.
        """
        end = self._settled(held_v)
        rates, modes = np.linalg.eig(np.linalg.solve(self._c, self._g))
        weights = np.linalg.solve(modes, np.array([start_v[node] for node in self._at]) - end)

        def at(time_s: Array) -> dict[str, Array]:
            decay = np.exp(-np.outer(rates, time_s))
            now = np.real(modes @ (weights[:, None] * decay)) + end[:, None]
            return {node: now[i] for node, i in self._at.items()}

        return at


def first_crossing(rises_through_zero: Callable[[Array], Array], longest_s: float) -> float:
    """First time in s, up to `longest_s`, at which the function of time reaches zero from below; nan if never.

    Looks on a grid of 400 steps, evenly spaced in the logarithm from longest/1e5, then three times on a grid of 20
    steps within the step found, and takes the last one as straight.
    """
    grid = np.concatenate([[0.0], np.geomspace(longest_s / 1e5, longest_s, 400)])
    for _ in range(4):
        level = rises_through_zero(grid)
        above = np.flatnonzero(level >= 0)
        if above.size == 0:
            return float("nan")
        at = int(above[0])
        if at == 0:
            return float(grid[0])
        low, high = float(grid[at - 1]), float(grid[at])
        share = -level[at - 1] / (level[at] - level[at - 1])
        grid = np.linspace(low, high, 21)
    return low + float(share) * (high - low)
