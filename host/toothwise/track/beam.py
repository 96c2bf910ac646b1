"""The careful tracker: several explanations of the edges side by side, until one is left.

An explanation (`Node`) says: this edge is that tooth, and before it came such a path. Each new edge is, in every
explanation, either the next tooth, or a later one with teeth missing between, or no tooth at all. Each costs what
`motion` says; explanations that agree on where they are keep only the cheapest path; those that have become
hopeless are dropped. What all survivors have in common is decided. This is the Viterbi algorithm with pruning.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence

from toothwise.track import motion
from toothwise.wheel.pattern import Wheel

HOPELESS = 14.0
"""An explanation this many nats behind the best will not come back."""


SETTLED = 10.0
"""The careful tracker hands over once all other explanations are so far behind."""


class Node:
    """One explanation of everything up to one edge.

    edge: index of the edge that is the latest tooth. count: that tooth's number, counted on through the turns
    (tooth = count % teeth). span_*: the interval before it. depth: intervals since the stretch began.
    clean: intervals in a row without a fault. edges_since: edges passed over since.
    """

    __slots__ = (
        "clean", "cost", "count", "depth", "edge", "edges_since", "parent", "span_deg", "span_ticks", "tick",
    )  # fmt: skip

    def __init__(self, edge: int, tick: int, count: int, cost: float, parent: Node | None) -> None:
        self.edge = edge
        self.tick = tick
        self.count = count
        self.cost = cost
        self.parent = parent
        self.span_ticks = 0
        self.span_deg = 0.0
        self.depth = 0
        self.clean = 0
        self.edges_since = 0


class Geometry:
    """The wheel's angles in the form that the inner loop wants: plain lists over two turns."""

    def __init__(self, wheel: Wheel) -> None:
        self.teeth = wheel.teeth
        self.turn_deg = 360.0  # a pattern over 720 degrees of crank is one turn of its own shaft
        scale = 360.0 / wheel.turn_deg
        one = [a * scale for a in wheel.angles_deg]
        self.angle = [a + 360.0 * turn for turn in range(3) for a in one]
        self.symmetry = wheel.symmetry
        self.steps = [self.angle[i + 1] - self.angle[i] for i in range(self.teeth)]
        self.largest_deg = max(self.steps)
        self.smallest_deg = min(self.steps)
        self.lost_deg = 360.0 + 0.5 * self.largest_deg
        """A line without a tooth for so long is not counted through."""

    def span(self, count: int, teeth: int) -> float:
        """Degrees from tooth `count` on by so many teeth (at most two turns)."""
        first = count % self.teeth
        return self.angle[first + teeth] - self.angle[first]


class Beam:
    """Explanations of one stretch of edges in which the wheel keeps turning.

    geometry: of the wheel. tick_s: seconds a tick. blind: whether a blind stretch lies between two ticks.
    """

    def __init__(self, geometry: Geometry, tick_s: float, blind: Sequence[tuple[int, int]] = ()) -> None:
        self.geometry = geometry
        self.tick_s = tick_s
        self.blind = blind
        self.live: list[Node] = []
        self.least_deg_ticks = 1.0 / (motion.STEP_RPM_MOST * 6.0 * tick_s)

    def begin(self, edge: int, tick: int, counts: Sequence[int]) -> None:
        """Start a stretch at an edge that may be any of these teeth."""
        self.live = [Node(edge, tick, count, 0.0, None) for count in counts]

    def resume(self, edge: int, tick: int, count: int, span_ticks: int, span_deg: float) -> None:
        """Go on from a tooth that is beyond doubt, with the interval that led to it."""
        node = Node(edge, tick, count, 0.0, None)
        node.span_ticks, node.span_deg, node.depth = span_ticks, span_deg, 1_000_000
        self.live = [node]

    def best(self) -> Node:
        return min(self.live, key=_cost)

    def limit_ticks(self) -> float:
        """How long after its latest tooth the best explanation loses count."""
        node = self.best()
        if not node.span_ticks:
            # No speed is known yet: as long as a tooth and a half take at 15 rpm.
            return (self.geometry.largest_deg + 0.5 * self.geometry.smallest_deg) / (15.0 * 6.0) / self.tick_s
        return self.geometry.lost_deg * node.span_ticks / node.span_deg

    def _hidden(self, start: int, end: int) -> bool:
        return any(b < end and e > start for b, e in self.blind)

    def step(self, edge: int, tick: int) -> None:
        """Take in the next edge."""
        teeth, symmetry = self.geometry.teeth, self.geometry.symmetry
        new: dict[int, Node] = {}
        live = sorted(self.live, key=_cost)
        # The cheapest way on from the best explanation bounds what is worth looking at in all the others.
        bound = live[0].cost + self._extra(live[0]) + HOPELESS
        for node in live:
            if node.cost > bound:
                break
            span = tick - node.tick
            for skip, cost in self._options(node, span, bound - node.cost):
                count = node.count + 1 + skip
                total = node.cost + cost
                key = count % symmetry
                rival = new.get(key)
                if rival is not None and rival.cost <= total:
                    continue
                child = Node(edge, tick, count, total, node)
                child.span_ticks = span
                child.span_deg = self.geometry.span(node.count, 1 + skip)
                child.depth = node.depth + 1
                child.clean = 0 if skip or node.edges_since else node.clean + 1
                new[key] = child
                bound = min(bound, total + HOPELESS)
        kept = [node for node in new.values() if node.cost <= bound]
        for node in live:
            cost = node.cost + self._extra(node)
            if cost > bound:
                continue
            node.cost = cost
            node.edges_since += 1
            kept.append(node)
        self.live = kept
        if len(kept) > 4 * teeth + 16:
            self.live = sorted(kept, key=_cost)[: 4 * teeth + 16]

    @staticmethod
    def _extra(node: Node) -> float:
        """What it costs to pass over an edge."""
        return motion.EXTRA_MORE if node.edges_since else motion.EXTRA_FIRST

    def _options(self, node: Node, span: int, worth: float) -> list[tuple[int, float]]:
        """(teeth left out, cost) for each way the edge `span` ticks after the node's tooth may be a tooth.

        worth: the most a way may cost.
        """
        geometry = self.geometry
        angle = geometry.angle
        first = node.count % geometry.teeth
        start = angle[first]
        hidden = bool(self.blind) and self._hidden(node.tick, node.tick + span)
        found: list[tuple[int, float]] = []
        if not node.span_ticks:
            for skip in range(min(2, geometry.teeth)):
                if span >= self.least_deg_ticks * (angle[first + 1 + skip] - start):
                    found.append((skip, _missing(skip, hidden)))
            return found
        expected = span * node.span_deg / node.span_ticks  # degrees, had the speed stayed
        nearest = angle[first + 1] - start
        if expected < 0.2 * nearest:
            return found
        before_s = node.span_ticks * self.tick_s
        rest = self._from_rest(node, before_s)
        skip = 0
        if expected > 3.0 * nearest:
            # Far beyond the next tooth: begin the search where it may be.
            skip = max(bisect_left(angle, start + 0.3 * expected, first + 1) - first - 1, 0)
        for skip in range(skip, 2 * geometry.teeth - 1):
            degrees = angle[first + 1 + skip] - start
            fixed = _missing(skip, hidden)
            if span < self.least_deg_ticks * degrees or fixed > worth:
                break
            error = math.log(expected / degrees)
            sigma = motion.change_sigma(degrees, node.span_deg, before_s, rest)
            quantum = 1.0 / span + 1.0 / node.span_ticks
            if quantum > 0.01:
                sigma = math.hypot(sigma, quantum)
            cost = fixed + motion.penalty(error, sigma)
            if cost <= worth:
                found.append((skip, cost))
            elif error < 0.0:
                break
        return found

    def _from_rest(self, node: Node, before_s: float) -> int:
        """Which interval after a start from rest comes next, where the wheel may have started just now."""
        if node.depth > 8:
            return 0
        omega = node.span_deg * motion.RAD / before_s
        moved = (node.depth + 1) * self.geometry.largest_deg * motion.RAD
        return node.depth if omega * omega <= 2.0 * motion.FROM_REST_RAD_S2 * moved else 0

    def alone(self, clean: int) -> Node | None:
        """The one explanation left, if it has been clean for so many intervals and nothing speaks against it."""
        best = self.best()
        if best.clean < clean or best.edges_since:
            return None
        if len(self.live) == 1:
            return best
        rivals = (node for node in self.live if node is not best)
        return best if all(node.cost > best.cost + SETTLED for node in rivals) else None


def _missing(skip: int, hidden: bool) -> float:
    return 0.0 if not skip or hidden else motion.MISSING_FIRST + motion.MISSING_MORE * (skip - 1)


def _cost(node: Node) -> float:
    return node.cost


def path(node: Node, until: Node | None = None) -> list[Node]:
    """The explanation from its beginning (or after `until`) to `node`."""
    nodes: list[Node] = []
    walk: Node | None = node
    while walk is not None and walk is not until:
        nodes.append(walk)
        walk = walk.parent
    nodes.reverse()
    return nodes
