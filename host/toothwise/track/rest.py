"""Where a wheel came to rest or turned back, or a line was still for too long: the count begins anew."""

from __future__ import annotations

import math

from toothwise.track import motion
from toothwise.track.geometry import Geometry
from toothwise.track.node import Node


def between(
    node: Node, tick: int, geometry: Geometry, tick_s: float, lost: bool, known: bool
) -> tuple[float, bool, float]:
    """What it costs, in nats, that the count begins anew with the edge at `tick`.

    lost: whether the line was still for more than a turn. known: whether the last turns' swing is known.
    Returns that cost; whether the wheel came to rest, where it was slow enough and the line still for longer than a
    step takes; and what is still to be paid if it was started again and did not only turn back.
    """
    if not node.pace:
        return math.inf, False, 0.0
    rest, owed = math.inf, 0.0
    span, step = tick - node.tick, geometry.span(node.count, 1)
    still_s = span * tick_s
    silent = motion.SILENT if lost else math.inf
    if motion.reach_deg(node.pace * tick_s) > step:
        return silent, False, 0.0
    if span >= 2.5 * geometry.largest_deg * node.pace:
        rest = motion.rest_cost(still_s)
    if span > step * node.pace and still_s < motion.ROCKING_S:
        again = node.resting and node.depth <= geometry.teeth // 2
        turn = motion.TURN_AGAIN if again else motion.TURN_BACK
        owed = max(motion.rest_cost(still_s) - turn, 0.0)
        rest = min(rest, turn)
    if rest < math.inf:
        told = motion.run_down(node.short - node.long)
        least = motion.STOPS_AT_LEAST
        if span >= 360.0 * node.pace:
            least = max(least - max(told - rest, 0.0), 0.0)  # what ran down so plainly has no turn left in it
        rest = max(rest - told, min(rest, least))
        rest += motion.stop_cost(node.pace * tick_s, step, node.slowing)
        if node.abrupt > 0:
            rest -= motion.ABRUPT  # the same event, paid for already
        if known and not node.unusual:
            rest += motion.UNUSUAL
    return min(rest, silent), rest <= silent, owed if rest <= silent else 0.0


def any_tooth(anew: Node, geometry: Geometry, known: bool) -> list[Node]:
    """What the first edge after a rest or a long silence may be; known as in `between`."""
    assert anew.parent is not None
    before = anew.parent
    turn = (anew.count // geometry.teeth + 1) * geometry.teeth
    nodes = []
    for tooth in range(geometry.symmetry):
        node = Node(anew.edge, anew.tick, turn + tooth, anew.cost, before)
        if before.rested < 0:  # else any tooth was as likely already
            node.cost += math.log(geometry.symmetry)
        node.width, node.unusual, node.resting = before.width, known, anew.resting
        node.rested = anew.edge if before.rested < 0 else before.rested
        node.owed = before.owed + anew.owed
        node.limit = before.limit if before.owed else before.short - motion.THROWN_BACK
        nodes.append(node)
    return nodes
