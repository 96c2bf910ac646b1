"""One explanation of everything up to one edge, and the path that led to it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from toothwise.track import motion
from toothwise.track.geometry import Geometry

TAIL = 8
"""Teeth at the end of a stretch that a stopping wheel may have spoilt."""


EVEN = 1.33
"""Speeds within such a factor are even enough for a wheel that turns on."""


class Node:
    """One explanation of everything up to one edge.

    edge: index of the edge that is the latest tooth. count: that tooth's number, counted on through the turns
    (tooth = count % teeth). before, span_*: the interval that ended here, from tooth `before`. pace, spread: the
    speed as filtered up to here, in ticks a degree, and its variance in squared log units. depth: intervals since the
    stretch began. width: log of the teeth's width so far against the expected one (see `Widths`).
    clean: intervals in a row without a fault. edges_since: edges passed over since.
    short, long: log of the pace, averaged over the last quarter turn and over the last turn.
    owed, limit: nats to pay should the wheel be seen quicker than this log of the pace: then it did not only turn back.
    rested: edge before which the wheel first came to rest, or the line was still for too long to count, -1 if
    neither. resting: whether it was the wheel, the latest time.
    slowing: log of the latest interval's pace against that expected. abrupt: +1 while slowing down, -1 while speeding
    up by more than an engine's swing does, else 0. unusual: whether the swing of the last turns was left.
    """

    __slots__ = (
        "abrupt", "before", "clean", "cost", "count", "depth", "edge", "edges_since", "limit", "long", "owed", "pace",
        "parent", "rested", "resting", "short", "slowing", "span_deg", "span_ticks", "spread", "tick", "unusual",
        "width",
    )  # fmt: skip

    def __init__(self, edge: int, tick: int, count: int, cost: float, parent: Node | None) -> None:
        self.edge = edge
        self.tick = tick
        self.count = count
        self.cost = cost
        self.parent = parent
        self.before = count
        self.span_ticks = 0
        self.pace = 0.0
        self.spread = 0.0
        self.width = 0.0
        self.span_deg = 0.0
        self.depth = 0
        self.clean = 0
        self.edges_since = 0
        self.rested = -1
        self.resting = False
        self.slowing = 0.0
        self.abrupt = 0
        self.unusual = False
        self.short = 0.0
        self.long = 0.0
        self.owed = 0.0
        self.limit = 0.0


def path(node: Node) -> list[Node]:
    """The explanation from its beginning to `node`."""
    nodes: list[Node] = []
    walk: Node | None = node
    while walk is not None:
        nodes.append(walk)
        walk = walk.parent
    nodes.reverse()
    return nodes


def without_slowing_down(nodes: Sequence[Node], geometry: Geometry) -> Sequence[Node]:
    """The last teeth of a stretch, without what only a wheel coming to rest would explain.

    A tooth is only missed, and an edge only extra, if the wheel is seen turning on afterwards: faster than the
    doubtful interval would mean with no tooth missing, or, behind an extra edge, evenly for two teeth. A wheel that
    stops does so within a tooth, and rocks back. Of one that was seen running down, nothing doubtful in the last turn
    is believed.
    """
    quickest = math.inf
    runs_down = nodes[-1].short - nodes[-1].long > 2.0 * motion.RUN_DOWN_SIGMA
    for i in range(len(nodes) - 1, 0, -1):
        node, before = nodes[i], nodes[i - 1]
        plain = node.span_ticks / geometry.span(before.count, 1)
        doubtful = node.count - before.count > 1 or (node.edge - before.edge > 1 and not _evenly(nodes[i:]))
        unseen = quickest > 0.75 * plain and len(nodes) - i <= TAIL
        if doubtful and (unseen or (runs_down and nodes[-1].count - node.count < geometry.teeth)):
            return without_slowing_down(nodes[:i], geometry)
        quickest = min(quickest, node.span_ticks / node.span_deg)
    return nodes


def _evenly(nodes: Sequence[Node]) -> bool:
    """Whether two teeth follow the first, or one over a quarter turn, without a fault and at its own speed."""
    far = len(nodes) > 1 and nodes[1].span_deg >= 90.0
    nodes = nodes[: 2 if far else 3]
    if len(nodes) < (2 if far else 3) or nodes[-1].clean < len(nodes) - 1:
        return False
    paces = [node.span_ticks / node.span_deg for node in nodes]
    return max(paces) < EVEN * min(paces)


def columns(nodes: Sequence[Node]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Edges, counts and ticks of a path."""
    table = np.array([(node.edge, node.count, node.tick) for node in nodes], np.int64).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2]
