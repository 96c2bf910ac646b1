"""The careful tracker: several explanations of the edges side by side, until one is left.

An explanation (`Node`) says: this edge is that tooth, and before it came such a path. Each new edge is, in every
explanation, either the next tooth, or a later one with teeth missing between, or no tooth at all, or the first one
after the wheel came to rest or the line was still for long. Each costs what `motion` says; explanations that agree on
where they are keep only the cheapest path; those that have become hopeless are dropped. What all survivors have in
common is decided. This is the Viterbi algorithm with pruning.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from copy import copy

import numpy as np
from numpy.typing import NDArray

from toothwise.track import motion, rest
from toothwise.track.geometry import Geometry
from toothwise.track.node import Node, path
from toothwise.track.profile import Profile
from toothwise.track.shake import tooth_deg
from toothwise.track.widths import Widths

HOPELESS = 14.0
"""An explanation this many nats behind the best will not come back."""

HOPELESS_AT_FIRST = 30.0
"""The same for the first turns of a wheel with few teeth, where a wrong start can look good for a turn."""


PACES = 2.5
"""Two explanations agree on where they are only if their speeds do, to a factor of exp(1 / 2.5)."""

TAKEN_UP = 9
"""Teeth from which the speed is taken up again when doubt arises."""

SETTLED = 5.5
"""The careful tracker hands over once all other explanations are within so little of hopeless."""


Way = tuple[int, float, int, bool, float, float, float]
"""A way to go on from a node: teeth left out, nats, the child's `abrupt` and `unusual`, degrees from tooth to tooth,
and the squared log units that speed usually changes by over them, and that the teeth put in."""

Speed = tuple[float, float, float]
"""A node's filtered speed and its variance after one more interval, and how far that was off, in log units."""


class Beam:
    """Explanations of one stretch of edges in which the wheel keeps turning.

    geometry: of the wheel. tick_s: seconds a tick. blind: stretches (begin, end) no conclusion may be drawn from.
    profile: what the last turns showed; the owner replaces it when a new stretch begins. widths: what trailing
    edges tell, and width_of, ticks from a timing edge to the opposite one after it (-1: none); None without them.
    """

    def __init__(self, geometry: Geometry, tick_s: float, blind: Sequence[tuple[int, int]] = ()) -> None:
        self.geometry = geometry
        self.profile = Profile(geometry)
        self.tick_s = tick_s
        self.blind = blind
        self.live: list[Node] = []
        self.hopeless = HOPELESS
        self.widths: Widths | None = None
        self.width_of: Callable[[int], int] = _no_width
        self.tooth_deg = motion.TOOTH_DEG
        self._passed = 0  # tick of the edge before the one taken in now
        self._latest = 0
        # With no speed known yet: as long as a tooth and a half take at 15 rpm.
        self.first_span_most = (geometry.largest_deg + 0.5 * geometry.smallest_deg) / (15.0 * 6.0) / tick_s
        self.least_deg_ticks = 1.0 / (motion.STEP_RPM_MOST * 6.0 * tick_s)

    def begin(self, edge: int, tick: int, counts: Sequence[int]) -> None:
        """Start a stretch at an edge that may be any of these teeth."""
        self.live = [Node(edge, tick, count, 0.0, None) for count in counts]

    def resume(self, node: Node, counts: NDArray[np.int64], ticks: NDArray[np.int64], renumber: bool) -> None:
        """Go on from a tooth that is beyond doubt; counts, ticks: the last teeth up to it.

        renumber: whether it may also be any other tooth.
        """
        self.tooth_deg = tooth_deg(counts, ticks, self.geometry)
        paces = self._paces(counts, ticks)
        node.parent, node.cost, node.edges_since, node.clean, node.spread = None, 0.0, 0, 0, 0.0
        node.pace, node.abrupt, node.unusual, node.short, node.long = 0.0, 0, False, 0.0, 0.0
        for span, degrees in paces[:-TAKEN_UP]:
            self._average(node, math.log(span / degrees), degrees)
        for span, degrees in paces[-TAKEN_UP:]:
            self._filter(node, span, degrees)
            node.span_deg = degrees
        self.live = [node]
        if renumber:
            for more in range(1, self.geometry.symmetry):
                other = copy(node)
                other.count, other.before, other.cost = node.count + more, node.before + more, motion.RENUMBER
                other.unusual = self.profile.sigma < math.inf
                self.live.append(other)

    def _paces(self, counts: NDArray[np.int64], ticks: NDArray[np.int64]) -> list[tuple[int, float]]:
        """Ticks and degrees of each interval between teeth."""
        each = zip(counts.tolist(), np.diff(counts).tolist(), np.diff(ticks).tolist(), strict=False)
        return [(span, self.geometry.span(count, more)) for count, more, span in each]

    @staticmethod
    def _average(node: Node, log_pace: float, degrees: float) -> None:
        """Bring the averages of a node's pace up to date with one more interval."""
        if not node.long:
            node.short = node.long = log_pace
        node.short += (log_pace - node.short) * degrees / (degrees + motion.SHORT_DEG)
        node.long += (log_pace - node.long) * degrees / (degrees + motion.LONG_DEG)

    def _filter(self, node: Node, span: int, degrees: float) -> None:
        """Bring a node's filtered speed up to date with one more interval."""
        measured = span / degrees
        self._average(node, math.log(measured), degrees)
        noise = motion.teeth_variance(degrees, self.tooth_deg)
        if not node.pace:
            node.pace, node.spread = measured, noise
            return
        node.pace, node.spread, node.slowing = _filtered(node, measured, self._moved(node, degrees), noise)

    def _moved(self, node: Node, degrees: float) -> float:
        """Usual change in the log of speed from the node's latest interval to one of so many degrees, squared."""
        return motion.moved_variance(degrees, node.span_deg, node.pace * self.tick_s, self.geometry.cycle_deg)

    def best(self) -> Node:
        return min(self.live, key=_cost)

    def best_to_rest(self) -> Node:
        """The best explanation if nothing more comes: slowing down is then no wonder."""
        return min(self.live, key=lambda node: node.cost - (motion.ABRUPT if node.abrupt > 0 else 0.0))

    def lost(self, tick: int) -> bool:
        """Whether an edge at `tick` comes too long after the latest tooth in every explanation to be counted to."""
        return all(self._is_lost(node, tick) for node in self.live)

    def _is_lost(self, node: Node, tick: int) -> bool:
        if not node.pace:
            return tick - node.tick > self.first_span_most
        lost_deg = self.geometry.lost_deg
        span, limit = tick - node.tick, lost_deg * node.pace
        return span > limit and span > limit * math.exp(2.0 * math.sqrt(self._moved(node, lost_deg)))

    def _hidden(self, start: int, end: int) -> bool:
        return any(b < end and e > start for b, e in self.blind)

    def step(self, edge: int, tick: int) -> None:
        """Take in the next edge."""
        self._passed, self._latest = self._latest, tick
        teeth = self.geometry.teeth
        # Teeth that look alike are one place, unless the swing of the last turns tells them apart; at first even
        # the two turns of an engine cycle are.
        alike = self.geometry.symmetry
        known = self.profile.sigma < math.inf
        if known:
            alike = 2 * teeth if self.hopeless == HOPELESS_AT_FIRST else teeth
        new: dict[tuple[int, int, int, bool, bool], Node] = {}
        anew: Node | None = None
        most = 16 + 4 * max(alike, teeth)
        live = sorted(self.live, key=_cost)
        # The cheapest way on from the best explanation bounds what is worth looking at in all the others.
        bound = far = live[0].cost + self._extra(live[0]) + self.hopeless
        reachable: list[Node] = []
        waiting: list[float] = []
        room = most  # how many more explanations there may be before the dearest ones have no place
        for node in live:
            if len(new) + len(waiting) > room:
                costs = sorted([*map(_cost, new.values()), *waiting])
                bound = min(bound, costs[most - 1])
                room = len(costs) + most // 8
            if node.cost > bound:
                break
            span = tick - node.tick
            lost = self._is_lost(node, tick)
            if lost and self.blind and self._hidden(node.tick, tick):
                cost, resting, owed = 0.0, False, 0.0
            else:
                cost, resting, owed = rest.between(node, tick, self.geometry, self.tick_s, lost, known)
            if node.cost + cost < min(far, anew.cost if anew is not None else math.inf):
                anew = Node(edge, tick, node.count, node.cost + cost, node)
                anew.resting, anew.owed = resting, owed
                far = min(far, anew.cost + self.hopeless)
                bound = min(bound, far)
            if lost:
                continue
            reachable.append(node)
            waiting.append(node.cost + self._extra(node))
            width = self._width(node, edge) if self.widths is not None else -1
            fresh = node.rested >= 0 and node.depth < 8  # what tells a start from a swing is still to come
            for way in self._options(node, span, bound - node.cost):
                skip, cost, abrupt, unusual, degrees, moved, noise = way
                total = node.cost + cost
                if total > bound:
                    continue
                measured = span / degrees
                owing = node.owed > 0.0 and math.log(measured) >= node.limit
                speed = _filtered(node, measured, moved, noise) if node.pace else (measured, noise, 0.0)
                if abrupt:  # what went before says little of what comes
                    speed = measured, noise, speed[2]
                key = ((node.count + 1 + skip) % alike, int(PACES * math.log(speed[0])), 2 if fresh else abrupt,
                       unusual, owing)  # fmt: skip
                rival = new.get(key)
                if rival is not None and rival.cost <= total:
                    continue
                child = self._child(node, edge, tick, way, speed, owing)
                if width > 0 and self.widths is not None:
                    child.cost += self._judge_width(node, child, width)
                if rival is not None and rival.cost <= child.cost:
                    continue
                new[key] = child
                far = min(far, child.cost + self.hopeless)
                bound = min(bound, far)
        kept = [node for node in new.values() if node.cost <= bound]
        for node, cost in zip(reachable, waiting, strict=True):
            if cost > bound:
                continue
            node.cost = cost
            node.edges_since += 1
            kept.append(node)
        self.live = kept if len(kept) <= most else sorted(kept, key=_cost)[:most]
        if anew is not None:
            # One explanation, if of many teeth: ways to count across the silence don't take its place.
            self.live += [node for node in rest.any_tooth(anew, self.geometry, known) if node.cost <= far]

    def _child(self, node: Node, edge: int, tick: int, way: Way, speed: Speed, owing: bool) -> Node:
        """The explanation carried on: the edge is the tooth after some missing ones. speed: as from `_filtered`;
        owing: whether what the node still has to pay is not due yet."""
        skip, cost, abrupt, unusual, degrees, _, _ = way
        span = tick - node.tick
        child = Node(edge, tick, node.count + 1 + skip, node.cost + cost, node)
        child.pace, child.spread, child.slowing = speed
        child.width, child.short, child.long = node.width, node.short, node.long
        child.owed, child.limit = node.owed, node.limit
        if node.owed and not owing:
            child.cost, child.owed = child.cost + node.owed, 0.0
        self._average(child, math.log(span / degrees), degrees)
        child.unusual, child.abrupt = unusual, abrupt
        child.before, child.span_ticks, child.span_deg = node.count, span, degrees
        child.depth = node.depth + 1
        child.rested, child.resting = node.rested, node.resting
        child.clean = 0 if skip or node.edges_since else node.clean + 1
        return child

    def _width(self, node: Node, edge: int) -> int:
        """Ticks from the node's tooth to the last opposite edge before `edge`: a tooth split by a dip is as wide as
        ever. -1 where there is none."""
        if not node.edges_since:
            return self.width_of(node.edge)
        width = self.width_of(edge - 1)
        return self._passed + width - node.tick if width >= 0 else -1

    def _judge_width(self, node: Node, child: Node, width: int) -> float:
        """Nats against the node's tooth being as wide as it was, seen from the next; the child's width follows."""
        assert self.widths is not None
        lost = child.count - node.count - 1 if not node.edges_since else -1
        cost, follow = self.widths.judge(
            node.count, node.width, width, child.span_ticks, child.span_deg, node.pace, self.tick_s, lost
        )
        child.width = node.width + follow
        return cost

    @staticmethod
    def _extra(node: Node) -> float:
        """What it costs to pass over an edge."""
        if not node.edges_since:
            return motion.EXTRA_FIRST
        return motion.EXTRA_MORE if node.edges_since < motion.EXTRA_BURST else motion.EXTRA_STILL_MORE

    def _options(self, node: Node, span: int, worth: float) -> list[Way]:
        """Each way the edge `span` ticks after the node's tooth may be a tooth, for at most `worth` nats."""
        geometry = self.geometry
        angle = geometry.angle
        first = node.count % geometry.teeth
        start = angle[first]
        hidden = bool(self.blind) and self._hidden(node.tick, node.tick + span)
        found: list[Way] = []
        if not node.span_ticks:
            for skip in range(min(2, geometry.teeth)):
                degrees = angle[first + 1 + skip] - start
                if span >= self.least_deg_ticks * degrees:
                    cost = _missing(skip, hidden)
                    if node.resting:
                        before = geometry.steps[first - 1]
                        cost += motion.start_cost(span * self.tick_s / degrees, before + degrees)
                    if cost <= worth:
                        noise = motion.teeth_variance(degrees, self.tooth_deg)
                        found.append((skip, cost, 0, node.unusual, degrees, 0.0, noise))
            return found
        expected = span / node.pace  # degrees, had the speed stayed
        nearest = angle[first + 1] - start
        if expected < 0.2 * nearest:
            return found
        from_rest = self._from_rest(node)
        pace_s = node.pace * self.tick_s
        least = 0
        if expected > 3.0 * nearest:
            # Far beyond the next tooth: begin the search where it may be.
            least = max(bisect_left(angle, start + 0.3 * expected, first + 1) - first - 1, 0)
        usual = self._as_before(node)
        for skip in range(least, 2 * geometry.teeth - 1):
            degrees = angle[first + 1 + skip] - start
            fixed = _missing(skip, hidden)
            if span < self.least_deg_ticks * degrees or fixed > worth:
                break
            error = math.log(expected / degrees)
            if node.resting and node.depth == 1:
                fixed += motion.penalty(max(motion.LEAST_SLOWING + error, 0.0), motion.SLOWING_SIGMA)
            quantum = 1.0 / span + 1.0 / node.span_ticks
            moved = motion.moved_variance(degrees, node.span_deg, pace_s, geometry.cycle_deg, from_rest)
            noise = motion.teeth_variance(degrees, self.tooth_deg)
            sigma = math.sqrt(node.spread + moved + noise + quantum * quantum)
            cost = motion.penalty(error, sigma)
            unusual = node.unusual
            if usual is not None and skip < len(usual[1]) and self.profile.sigma < sigma:
                known = math.log(span * usual[0] / (node.span_ticks * usual[1][skip]))
                as_usual = motion.penalty(known, math.hypot(self.profile.sigma, quantum))
                if unusual:
                    cost = min(cost, as_usual)
                else:
                    leaving = cost + fixed + motion.UNUSUAL
                    if as_usual > 0.5 and leaving <= worth:
                        found.append((skip, leaving, 0, True, degrees, moved, noise))
                    cost = as_usual
            if not skip and abs(error) > sigma:
                way = 1 if error > 0.0 else -1
                freely = 0.0 if node.abrupt == way else motion.ABRUPT
                if freely <= worth:
                    wide = math.hypot(sigma, motion.torque_sigma(degrees, node.span_deg, pace_s))
                    freely += motion.penalty(error, wide) + math.log(wide / sigma)
                if freely <= worth:
                    found.append((skip, freely, way, self.profile.sigma < math.inf, degrees, moved, noise))
            if cost + fixed <= worth:
                found.append((skip, cost + fixed, 0, unusual, degrees, moved, noise))
            elif error < 0.0:
                break
        return found

    def _as_before(self, node: Node) -> tuple[float, list[float]] | None:
        """Relative durations of the interval before and of those ahead, if the last turns tell."""
        if not self.profile.used or self.profile.sigma == math.inf or node.rested >= 0:
            return None
        return self.profile.spans(node.before, node.count, min(self.geometry.teeth + 1, 8))

    def _from_rest(self, node: Node) -> int:
        """Which interval after a start from rest comes next, where the wheel may have started just now."""
        if node.depth > 8 or not node.span_ticks:
            return 0
        omega = node.span_deg * motion.RAD / (node.span_ticks * self.tick_s)
        moved = (node.depth + 1) * self.geometry.largest_deg * motion.RAD
        return node.depth if omega * omega <= 2.0 * motion.MOST_RAD_S2 * moved else 0

    def rest(self) -> int:
        """Edge before which the wheel came to rest in every explanation; -1 if there is none."""
        edges = {node.rested for node in self.live}
        return edges.pop() if len(edges) == 1 else -1

    def shared(self) -> Node | None:
        """The latest tooth that all explanations agree on."""
        best = self.best()
        spine = {id(node): node for node in path(best)}
        agreed = best
        for node in self.live:
            walk: Node | None = node
            while walk is not None and id(walk) not in spine:
                walk = walk.parent
            if walk is None:
                return None
            if walk.edge < agreed.edge:
                agreed = walk
        return agreed

    def alone(self, clean: int, back: int) -> Node | None:
        """A tooth beyond doubt, `back` teeth before the latest one of the one explanation left.

        None while others are left, or fewer than `clean` intervals lie without a fault behind it.
        """
        best = self.best()
        if best.clean < clean or best.edges_since:
            return None
        sure = best
        for _ in range(back):
            if sure.parent is None:
                return None
            sure = sure.parent
        far = best.cost + self.hopeless - SETTLED
        rivals = (node for node in self.live if node.cost <= far)
        return None if any(_differ(best, node, sure) for node in rivals) else sure


def _filtered(node: Node, measured: float, moved: float, noise: float) -> Speed:
    """A node's speed after one more interval (a Kalman filter of one state). moved, noise: variance of a usual change,
    and of what the teeth put in."""
    error = math.log(measured / node.pace)
    ahead = node.spread + moved
    total = ahead + noise
    # One odd interval must not drag the speed along.
    limit = 3.0 * math.sqrt(total)
    gain = ahead / total
    return node.pace * math.exp(gain * min(max(error, -limit), limit)), (1.0 - gain) * ahead, error


def _differ(best: Node, other: Node, sure: Node) -> bool:
    """Whether two explanations disagree about a tooth, but for the latest few behind `sure`.

    One that only thinks otherwise of the speed, or is a few teeth younger and unwilling to go on, does not.
    """
    one: Node | None = best
    two: Node | None = other
    while one is not two:
        if one is None or two is None:
            return True
        if one.edge > two.edge:
            if one.edge <= sure.edge:
                return True
            one = one.parent
        elif one.edge < two.edge or one.count != two.count:
            return True
        else:
            one, two = one.parent, two.parent
    return False


def _missing(skip: int, hidden: bool) -> float:
    return 0.0 if not skip or hidden else motion.MISSING_FIRST + motion.MISSING_MORE * (skip - 1)


def _no_width(edge: int) -> int:
    return -1


def _cost(node: Node) -> float:
    return node.cost
