"""Running an engine through a course of phases: cranking, starting, idling, running up, stopping.

The energy of rotation is integrated over crank angle: each step adds the gas work of that step (exact, from
the templates) and what friction, starter and load do at the step's starting speed.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, radians, sqrt
from typing import Literal

import numpy as np

from toothwise.model.engine import AMBIENT_PA, BURN_LEAD_DEG, Engine, Starter
from toothwise.model.motion import Floats, Motion

RAD_S = pi / 30
"""Radians a second in one revolution a minute."""

CATCHING, CHARGE = 0.5, 0.5
"""Below this share of the wanted speed a firing engine is still catching, and burns at least this share of a full
charge: its manifold is not drawn down yet, and it is enriched. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of the course.

    what: "rest" stands still; "crank" lets the starter turn the engine unfired; "fire" burns and follows a
        straight line from the speed it finds to `rpm`; "coast" cuts the fuel until the engine stands.
    seconds: how long; for "coast" only an upper bound.
    rpm: the speed the starter makes on average, or the speed to reach at the end of "fire".
    load_nm: brake torque from outside.
    rock: whether a stop may swing back off a compression.
    """

    what: Literal["rest", "crank", "fire", "coast"]
    seconds: float
    rpm: float = 0.0
    load_nm: float = 0.0
    rock: bool = False


@dataclass(frozen=True, slots=True)
class Firing:
    """One cylinder's turn: where and when its top dead centre passed, and the heat it got."""

    t_s: float
    angle_deg: float
    slot: int
    heat_j: float
    advance_deg: float


@dataclass(frozen=True, eq=False)
class Drive:
    """A motion of the crank with what happened on the way.

    starter: spans of time in seconds in which the starter drew current.
    backwards: spans in which the crank turned against its normal direction.
    """

    motion: Motion
    firings: tuple[Firing, ...] = ()
    starter: tuple[tuple[float, float], ...] = ()

    @property
    def backwards(self) -> tuple[tuple[float, float], ...]:
        t = self.motion.t_s
        return tuple((float(t[s.first]), float(t[s.last])) for s in self.motion.spins if s.direction < 0)


def idle(seconds: float, rpm: float = 800.0) -> list[Phase]:
    """Steady idle."""
    return [Phase("fire", seconds, rpm)]


def start(crank_s: float = 1.5, rpm: float = 200.0, idle_rpm: float = 850.0, idle_s: float = 2.0) -> list[Phase]:
    """From rest: cranking, catching, idling."""
    return [
        Phase("rest", 0.3),
        Phase("crank", crank_s, rpm),
        Phase("fire", 0.6, idle_rpm * 1.3),
        Phase("fire", 0.8, idle_rpm),
        Phase("fire", idle_s, idle_rpm),
    ]


def stop(rock: bool = True) -> list[Phase]:
    """Fuel cut, run down, stand."""
    return [Phase("coast", 20.0, rock=rock), Phase("rest", 0.8)]


class Course:
    """One run of an engine; `run` is the way in."""

    def __init__(self, engine: Engine, rng: np.random.Generator, start_deg: float, start_rpm: float) -> None:
        self.engine, self.rng = engine, rng
        # Steps sit on a grid that starts BURN_LEAD_DEG before slot 0's top dead centre.
        self.origin_deg = engine.first_tdc_deg - BURN_LEAD_DEG
        self.step = round((start_deg - self.origin_deg) / engine.step_deg)
        self.w = start_rpm * RAD_S
        self.t = [0.0]
        self.at = [self.step]
        self.speeds = [self.w]
        self.heats: dict[int, float] = {}
        self.firings: list[Firing] = []
        self.starter: list[tuple[float, float]] = []
        self.trim_nm = 0.0
        self.manifold = AMBIENT_PA
        self.turned_by: Starter | None = None
        self.fixed, self.per_pa = engine.unfired_work
        self.inertia = np.append(engine.inertias.ravel(), engine.inertias[0, 0])
        self.total = engine.cylinders * engine.steps

    def phase(self, phase: Phase) -> None:
        if phase.what == "rest":
            self._node(self.t[-1] + phase.seconds, self.step, 0.0)
            self.w = 0.0
            self.heats.clear()
            self.turned_by = None
            return
        began, end, from_w = self.t[-1], self.t[-1] + phase.seconds, self.w
        if phase.what == "crank":
            self.turned_by = Starter.turning(self.engine, phase.rpm)
            self.starter.append((began, began))
        elif phase.what == "coast":
            self.turned_by = None
        while self.t[-1] < end:
            # The starter helps a catching engine until it has outrun it.
            if self.turned_by and phase.what == "fire" and self.w > self.turned_by.free_rad_s:
                self.turned_by = None
            self._segment(phase, self.turned_by, began, from_w, end)
            if self.turned_by:
                self.starter[-1] = (self.starter[-1][0], self.t[-1])
            elif self.w == 0.0:
                if phase.rock:
                    self._rock(phase)
                break

    def _stand(self) -> None:
        """The last node is where the crank stands; one step between two standstills is no movement."""
        if len(self.at) > 1 and self.speeds[-2] == 0.0 and self.at[-2] != self.at[-1]:
            self.t.pop()
            self.at.pop()
            self.speeds.pop()
        self.speeds[-1] = 0.0
        self.step, self.w = self.at[-1], 0.0

    def _node(self, t: float, step: int, w: float) -> None:
        self.t.append(t)
        self.at.append(step)
        self.speeds.append(w)

    def _heat(self, phase: Phase, slot: int, began: float, from_w: float) -> tuple[float, float]:
        """Heat for the coming firing and the manifold pressure that goes with it."""
        engine = self.engine
        if phase.what != "fire":
            return 0.0, (0.95 if phase.what == "crank" else 0.4) * AMBIENT_PA
        share = min(1.0, (self.t[-1] - began) / phase.seconds)
        aim = from_w + (phase.rpm * RAD_S - from_w) * share
        rise = (phase.rpm * RAD_S - from_w) / phase.seconds
        lag = aim - self.w
        self.trim_nm = min(40.0, max(-40.0, self.trim_nm + 0.02 * engine.inertia * lag))
        need = engine.friction_nm + engine.friction_nm_s * self.w + phase.load_nm + engine.inertia * rise
        need += self.trim_nm + 1.5 * engine.inertia * lag
        manifold = AMBIENT_PA * min(1.0, max(0.3, 0.25 + 0.5 * need / (30.0 * engine.cylinders / 4) * 0.25))
        work = need * radians(engine.segment_deg) + engine.unfired_loss_j(manifold)
        heat = max(0.0, min(engine.full_heat_j, engine.heat_for(work)))
        if self.w < CATCHING * phase.rpm * RAD_S:
            heat = max(heat, CHARGE * engine.full_heat_j)
        heat *= float(engine.strengths[slot]) * (1 + engine.variation * self.rng.standard_normal())
        if self.rng.random() < engine.misfires[slot]:
            heat = 0.0
        return max(0.0, heat), manifold

    def _segment(self, phase: Phase, starter: Starter | None, began: float, from_w: float, end: float) -> None:
        """To the end of the firing segment, or to standstill, or to the phase's end."""
        engine = self.engine
        number, offset = divmod(self.step, engine.steps)
        slot = number % engine.cylinders
        if number not in self.heats:
            heat, self.manifold = self._heat(phase, slot, began, from_w)
            self.heats[number] = heat
        works = self.fixed[slot] + self.manifold * self.per_pa[slot]
        for back in range(len(engine.burn_work)):
            burnt = self.heats.get(number - back, 0.0)
            if burnt:
                works = works + burnt * engine.burn_work[back]
        extra = engine.starter_inertia if starter else 0.0
        # The starter's armature joins or leaves at the crank's speed; only its energy changes.
        inertia = (self.inertia[slot * engine.steps : (slot + 1) * engine.steps + 1] + extra).tolist()
        turn = radians(engine.step_deg)
        drag, drag_w = (engine.friction_nm + phase.load_nm) * turn, engine.friction_nm_s * turn
        stall, per_w, creep = 0.0, 0.0, 0.0
        if starter:
            stall, per_w, creep = (
                starter.stall_nm * turn,
                starter.stall_nm / starter.free_rad_s * turn,
                starter.creep_rad_s,
            )
        w, t, step = self.w, self.t[-1], self.step
        energy = 0.5 * inertia[offset] * w * w
        ts, ws = self.t, self.speeds
        for k, work in enumerate(works[offset:].tolist(), offset):
            energy += work - drag - drag_w * w
            if starter:
                energy += max(0.0, stall - per_w * w)
            floor = 0.5 * inertia[k + 1] * creep * creep
            if energy <= floor:
                energy = floor
                if not starter:
                    # Stands somewhere within this step; the step's start is near enough.
                    self.step = step
                    self._stand()
                    return
            after = sqrt(2.0 * energy / inertia[k + 1])
            t += 2.0 * turn / (w + after)
            step += 1
            w = after
            ts.append(t)
            self.at.append(step)
            ws.append(w)
            if t >= end:
                break
        self.w, self.step = w, step
        if step == (number + 1) * engine.steps:
            self._fired(number, slot)

    def _fired(self, number: int, slot: int) -> None:
        engine = self.engine
        tdc = number * engine.segment_deg + BURN_LEAD_DEG + self.origin_deg
        self.heats.pop(number - len(engine.burn_work), None)
        top = number * engine.steps + round(BURN_LEAD_DEG / engine.step_deg)
        at = len(self.at) - 1
        while at >= 0 and self.at[at] > top:
            at -= 1
        if at < 0 or self.at[at] != top:
            return  # the run began within this segment, after its top dead centre
        self.firings.append(Firing(self.t[at], tdc, slot, self.heats[number], engine.advance_deg))

    def _rock(self, phase: Phase) -> None:
        """Swings back and forth off the trapped gas until friction holds it, at most a few times."""
        engine = self.engine
        turn = radians(engine.step_deg)
        works = (self.fixed + self.manifold * self.per_pa).ravel()
        hold = (engine.friction_nm + phase.load_nm) * turn
        for _ in range(8):
            # Gas work of one step forwards from here; a push beyond friction moves the crank its way.
            ahead, behind = float(works[self.step % self.total]), -float(works[(self.step - 1) % self.total])
            way = 1 if ahead > hold else -1 if behind > hold else 0
            if way == 0:
                return
            self.w = 0.0
            energy = 0.0
            for _ in range(self.total // 4):
                at = self.step if way > 0 else self.step - 1
                energy += way * float(works[at % self.total]) - hold
                if energy <= 0.0:
                    break
                after = sqrt(2.0 * energy / float(self.inertia[(self.step + way) % self.total]))
                self.step += way
                self._node(self.t[-1] + 2.0 * turn / (abs(self.w) + after), self.step, way * after)
                self.w = after
            self._stand()

    def drive(self) -> Drive:
        angle: Floats = np.array(self.at) * self.engine.step_deg + self.origin_deg
        t, speed = np.array(self.t), np.degrees(np.array(self.speeds))
        # Where a stop set a node's speed to 0, the step before it takes its time from the new mean speed.
        step = np.diff(angle)
        mean = np.abs(speed[:-1] + speed[1:]) / 2
        moving = step != 0
        span = np.where(moving, np.abs(step) / np.where(moving, mean, 1.0), np.diff(t))
        exact = np.concatenate(([0.0], np.cumsum(span)))

        def moved(s: float) -> float:
            return float(np.interp(s, t, exact))

        firings = tuple(Firing(moved(f.t_s), f.angle_deg, f.slot, f.heat_j, f.advance_deg) for f in self.firings)
        return Drive(Motion(exact, angle, speed), firings, tuple((moved(a), moved(b)) for a, b in self.starter))


def run(
    engine: Engine,
    phases: list[Phase],
    rng: np.random.Generator,
    *,
    start_deg: float = 0.0,
    start_rpm: float | None = None,
) -> Drive:
    """Through the phases in order. A course that begins with "fire" or "coast" begins at speed."""
    if start_rpm is None:
        start_rpm = phases[0].rpm if phases[0].what == "fire" else 0.0
    course = Course(engine, rng, start_deg, start_rpm)
    for phase in phases:
        course.phase(phase)
    return course.drive()
