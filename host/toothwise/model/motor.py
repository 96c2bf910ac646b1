"""A test bench that nobody built: a 12 V motor with a test wheel, and the edges that sensor and master make of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Batch, Edges
from toothwise.model.wheel import MadeWheel

STEP_S = 0.001
RAD_S = math.pi / 30.0


@dataclass(slots=True)
class Motor:
    """A permanent-magnet motor on a battery through a pulse-width controller; inductance left out.

    per_rpm_v: volts a revolution a minute makes. ohm: of windings and brushes. inertia: kg·m² of rotor and wheel.
    friction_nm, drag: dry friction and N·m per rad/s. battery_v, battery_ohm: sags with the current.
    sags: (from, to, volts) when the supply is lower still. rpm, turns: now.
    """

    per_rpm_v: float = 0.0030
    ohm: float = 0.25
    inertia: float = 0.002
    friction_nm: float = 0.02
    drag: float = 2e-5
    battery_v: float = 12.6
    battery_ohm: float = 0.04
    sags: tuple[tuple[float, float, float], ...] = ()
    rpm: float = 0.0
    turns: float = 0.0
    now_s: float = field(default=0.0)

    def step(self, width: float, dt_s: float = STEP_S) -> float:
        """Go on for `dt_s` with this pulse width, 0 to 1; 0 is let go: it coasts. Returns the speed in rpm."""
        speed = self.rpm * RAD_S
        per_rad = self.per_rpm_v / RAD_S
        supply = next((v for a, b, v in self.sags if a <= self.now_s < b), self.battery_v)
        torque = 0.0
        if width > 0.0:
            # Averaged over a pulse: the motor sees width x supply through its own and width² of the battery's ohms.
            current = (width * supply - per_rad * speed) / (self.ohm + width**2 * self.battery_ohm)
            torque = per_rad * max(current, 0.0)  # the controller does not brake
        rubbing = self.friction_nm + self.drag * speed
        if speed <= 0.0 and torque <= self.friction_nm:
            self.rpm = 0.0
        else:
            self.rpm = max(speed + (torque - rubbing) / self.inertia * dt_s, 0.0) / RAD_S
        self.turns += (speed / RAD_S + self.rpm) / 2.0 * dt_s / 60.0
        self.now_s += dt_s
        return self.rpm


@dataclass(frozen=True, slots=True)
class Seeing:
    """What one channel's sensor makes of the wheel: where it stands, how it shakes, from what speed it sees."""

    at_deg: float = 0.0
    jitter_deg: float = 0.01
    wakes_rpm: float = 0.0
    drops: float = 0.0


def spin(
    motor: Motor,
    width: Callable[[], float],
    made: MadeWheel,
    channels: dict[str, Seeing],
    tick_hz: int,
    rng: np.random.Generator,
    slice_s: float = 0.01,
) -> Iterator[Batch]:
    """Batches of edges for ever, `slice_s` of the motor's time each; `width` is asked once a slice. Teeth are high."""
    lead = np.array(made.timing_deg)
    places = np.concatenate([lead, lead + made.widths])
    levels = np.concatenate([np.ones(len(lead), np.uint8), np.zeros(len(lead), np.uint8)])
    held: dict[str, list[tuple[int, int]]] = {name: [] for name in channels}
    lit = dict.fromkeys(channels, False)
    latest = dict.fromkeys(channels, -1)
    per_slice = max(1, round(slice_s / STEP_S))
    while True:
        t0 = motor.now_s
        given = width()
        nodes = [360.0 * motor.turns]
        for _ in range(per_slice):
            motor.step(given)
            nodes.append(360.0 * motor.turns)
        until = int(motor.now_s * tick_hz)
        edges = {}
        for name, seeing in channels.items():
            at, level = _crossings(np.array(nodes), t0, motor.rpm, places, levels, seeing, rng)
            held[name] += zip((at * tick_hz).astype(np.int64).tolist(), level.tolist(), strict=True)
            held[name].sort()
            out = []
            while held[name] and held[name][0][0] < until:
                tick, after = held[name].pop(0)
                if bool(after) != lit[name] and tick > latest[name]:
                    out.append((tick, after))
                    lit[name], latest[name] = bool(after), tick
            edges[name] = _edges(out)
        yield Batch(until, edges)


def _crossings(
    nodes: NDArray[np.float64],
    t0: float,
    rpm: float,
    places: NDArray[np.float64],
    levels: NDArray[np.uint8],
    seeing: Seeing,
    rng: np.random.Generator,
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """When the wheel's edges pass this sensor while the wheel turns through the nodes, a millisecond apart."""
    first, last = float(nodes[0]) - seeing.at_deg, float(nodes[-1]) - seeing.at_deg
    if last <= first or rpm < seeing.wakes_rpm:
        return np.empty(0), np.empty(0, np.uint8)
    turn = np.arange(math.floor(first / 360.0) - 1, math.floor(last / 360.0) + 1)
    angle = (places[None, :] + 360.0 * turn[:, None]).ravel()
    after = np.tile(levels, len(turn))
    inside = (angle > first) & (angle <= last)
    angle, after = angle[inside], after[inside]
    steps = np.concatenate([[True], np.diff(nodes) > 0.0])
    at = np.interp(angle + seeing.at_deg, nodes[steps], t0 + STEP_S * np.flatnonzero(steps))
    speed = max(rpm * 6.0, 1.0)
    at = at + np.abs(rng.normal(0.0, seeing.jitter_deg, len(at))) / speed if seeing.jitter_deg else at
    keep = rng.random(len(at)) >= seeing.drops / max(len(places) // 2, 1)
    return at[keep], after[keep]


def _edges(rows: list[tuple[int, int]]) -> Edges:
    ticks, levels = zip(*rows, strict=True) if rows else ((), ())
    return Edges(np.array(ticks, np.int64), np.array(levels, np.uint8))
