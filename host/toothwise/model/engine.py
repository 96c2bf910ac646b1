"""What turns and brakes a crankshaft: gas in the cylinders, moving masses, friction and the starter.

Works are in joules, torques in newton metres, angles in crank degrees, speeds in radians a second. All
engine data are invented and only plausible; nothing here describes a maker's engine.

Gas pressure over the cycle is a polytropic compression whose level each cylinder keeps only in part (leaks),
plus the pressure that a Wiebe burn of a given heat adds. Both are linear in their strength, so every
cylinder's work per step is a template times a number, and a cycle is a few vector products.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from toothwise.model.motion import Floats

AMBIENT_PA = 101_325.0
POLYTROPIC = 1.32
"""Compression exponent of an air-fuel mix that loses some heat to the walls; common practice, no source."""

BURN_LEAD_DEG = 60.0
"""A cylinder's segment of work starts so long before its top dead centre; no burn starts earlier."""

_FINE_DEG = 0.25


def piston_m(angle_deg: Floats, crank_m: float, rod_m: float) -> Floats:
    """Distance of the piston from top dead centre; exact crank-slider geometry, angle from there."""
    a = np.radians(angle_deg)
    return np.asarray(crank_m * (1 - np.cos(a)) + rod_m - np.sqrt(rod_m**2 - (crank_m * np.sin(a)) ** 2))


def piston_m_per_rad(angle_deg: Floats, crank_m: float, rod_m: float) -> Floats:
    """Piston speed over crank speed: the lever at which the gas turns the crank."""
    a = np.radians(angle_deg)
    return np.asarray(crank_m * np.sin(a) * (1 + crank_m * np.cos(a) / np.sqrt(rod_m**2 - (crank_m * np.sin(a)) ** 2)))


@dataclass(frozen=True, eq=False)
class Engine:
    """A four-stroke engine with evenly spaced firings.

    cylinders: 3 to 8. A firing slot s has its top dead centre at `first_tdc_deg` + s·720/cylinders.
    strength: share of the normal heat each firing slot turns into work, 1 is healthy.
    compression: share of the normal compression each slot keeps, 1 is healthy.
    variation: relative standard deviation of heat from cycle to cycle, each cylinder on its own.
    misfire: chance that a slot's firing fails altogether, one a slot.
    inertia, starter_inertia: kg·m², the second only while the starter is engaged (geared up armature).
    friction_nm, friction_nm_s: constant part and part per rad/s.
    first_tdc_deg: crank angle of slot 0's top dead centre, counted from the wheel's angle 0.
    """

    cylinders: int = 4
    bore_m: float = 0.084
    crank_m: float = 0.045
    rod_m: float = 0.145
    ratio: float = 10.0
    inertia: float = 0.2
    starter_inertia: float = 0.5
    piston_kg: float = 0.45
    friction_nm: float = 20.0
    friction_nm_s: float = 0.012
    advance_deg: float = 10.0
    burn_deg: float = 50.0
    full_heat_j: float = 1300.0
    variation: float = 0.05
    first_tdc_deg: float = 84.0
    strength: tuple[float, ...] = ()
    compression: tuple[float, ...] = ()
    misfire: tuple[float, ...] = ()
    leak: float = 0.12
    """Share of the compression work that even a healthy cylinder does not give back."""

    def __post_init__(self) -> None:
        if not 3 <= self.cylinders <= 8:
            raise ValueError("an engine here has 3 to 8 cylinders")
        for name in ("strength", "compression", "misfire"):
            if len(getattr(self, name)) not in (0, self.cylinders):
                raise ValueError(f"{name}: one number a cylinder, or none at all")

    def _per_slot(self, values: tuple[float, ...], healthy: float) -> Floats:
        return np.array(values or (healthy,) * self.cylinders, float)

    @property
    def strengths(self) -> Floats:
        return self._per_slot(self.strength, 1.0)

    @property
    def misfires(self) -> Floats:
        return self._per_slot(self.misfire, 0.0)

    @property
    def segment_deg(self) -> float:
        """From one firing to the next."""
        return 720.0 / self.cylinders

    @cached_property
    def steps(self) -> int:
        """Steps of integration a segment, each about two degrees."""
        return round(self.segment_deg / 2.0)

    @property
    def step_deg(self) -> float:
        return self.segment_deg / self.steps

    @property
    def piston_area_m2(self) -> float:
        return float(np.pi / 4 * self.bore_m**2)

    @property
    def swept_m3(self) -> float:
        return 2 * self.crank_m * self.piston_area_m2

    def _fine(self) -> tuple[Floats, Floats, Floats]:
        """Angle from top dead centre −360…360 at step centres, volume, and lever."""
        angle = np.arange(-360.0, 360.0, _FINE_DEG) + _FINE_DEG / 2
        clearance = self.swept_m3 / (self.ratio - 1)
        volume = clearance + self.piston_area_m2 * piston_m(angle, self.crank_m, self.rod_m)
        return angle, volume, piston_m_per_rad(angle, self.crank_m, self.rod_m)

    def compression_pa(self, manifold_pa: float, kept: float) -> Floats:
        """Unfired cylinder pressure over the cycle at the fine steps."""
        angle, volume, _ = self._fine()
        squeeze = (volume.max() / volume) ** POLYTROPIC - 1
        down = np.where(angle > 0, 1 - self.leak, 1.0)
        closed = manifold_pa * (1 + kept * squeeze * down)
        pressure = np.where(np.abs(angle) <= 180.0, closed, np.where(angle > 180.0, AMBIENT_PA, manifold_pa))
        return np.asarray(pressure)

    def burn_pa(self) -> Floats:
        """Extra pressure that one joule of heat makes over the cycle, at the fine steps.

        d(p·V^n) = (n − 1)·V^(n−1)·dQ with a Wiebe burn, exponent 2 and 99.9 % burnt at the end.
        """
        angle, volume, _ = self._fine()
        into = np.clip((angle + self.advance_deg) / self.burn_deg, 0.0, None)
        heat = np.diff(1 - np.exp(-6.9 * into**3), prepend=0.0)
        grown = np.cumsum((POLYTROPIC - 1) * volume ** (POLYTROPIC - 1) * heat)
        return np.asarray(np.where(angle <= 180.0, grown / volume**POLYTROPIC, 0.0))

    def _works(self, pressure_pa: Floats) -> Floats:
        """Pressure over one cylinder's cycle to work a fine step; ambient below the piston cancels out."""
        _, _, lever = self._fine()
        return np.asarray(pressure_pa * self.piston_area_m2 * lever * np.radians(_FINE_DEG))

    @cached_property
    def unfired_work(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Work a step of the unfired engine, (slots, steps), as (constant part, part per pascal of manifold).

        Row s starts BURN_LEAD_DEG before slot s's top dead centre.
        """
        per_pa = np.zeros((2, self.cylinders, self.steps))
        for slot, kept in enumerate(self._per_slot(self.compression, 1.0).tolist()):
            for row, manifold in enumerate((0.0, 1.0)):
                work = self._works(self.compression_pa(manifold, kept) - AMBIENT_PA)
                per_pa[row] += self._stepped(work, slot)
        return per_pa[0], per_pa[1] - per_pa[0]

    def _stepped(self, fine_work: Floats, slot: int) -> Floats:
        """One cylinder's work a fine step, −360° to 360° about its own top dead centre, onto the
        engine's steps of the whole cycle, (slots, steps)."""
        cumulative = np.concatenate(([0.0], np.cumsum(fine_work)))
        total = cumulative[-1]
        edges = np.arange(self.cylinders * self.steps + 1) * self.step_deg - BURN_LEAD_DEG - slot * self.segment_deg
        turns, within = np.divmod(edges + 360.0, 720.0)
        whole = np.interp(within, np.arange(len(cumulative)) * _FINE_DEG, cumulative) + turns * total
        return np.asarray(np.diff(whole).reshape(self.cylinders, self.steps))

    @cached_property
    def burn_work(self) -> NDArray[np.float64]:
        """Work a step of one joule of heat, (m, steps): row i is the i-th segment of a firing."""
        work = self._stepped(self._works(self.burn_pa()), 0)
        used = max(1, int(np.ceil((BURN_LEAD_DEG + 180.0) / self.segment_deg)))
        return np.asarray(work[:used])

    @cached_property
    def inertias(self) -> NDArray[np.float64]:
        """Effective inertia at each step's start, (slots, steps), with pistons, without starter."""
        angle = np.arange(self.cylinders * self.steps, dtype=np.float64) * self.step_deg - BURN_LEAD_DEG
        total = np.full(len(angle), self.inertia)
        for slot in range(self.cylinders):
            total += self.piston_kg * piston_m_per_rad(angle - slot * self.segment_deg, self.crank_m, self.rod_m) ** 2
        return np.asarray(total.reshape(self.cylinders, self.steps))

    def heat_for(self, work_j: float) -> float:
        """Heat one firing needs to do so much work."""
        return work_j / float(self.burn_work.sum())

    def unfired_loss_j(self, manifold_pa: float) -> float:
        """What compressing and pumping take, a segment on average."""
        fixed, per_pa = self.unfired_work
        return -float((fixed + manifold_pa * per_pa).sum()) / self.cylinders


def healthy(cylinders: int, **changes: float) -> Engine:
    """A petrol engine of so many cylinders, masses and friction in proportion."""
    size = cylinders / 4
    values: dict[str, float] = {
        "inertia": 0.2 * size,
        "starter_inertia": 0.5 * size,
        "friction_nm": 20.0 * size,
        "friction_nm_s": 0.012 * size,
        **changes,
    }
    return Engine(cylinders=cylinders, **values)  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class Starter:
    """Torque falls linearly from stall to the free-running speed."""

    stall_nm: float
    free_rad_s: float
    creep_rad_s: float = field(default=1.0)
    """Against a compression it cannot pass at once it creeps so fast, while the gas leaks down."""

    @staticmethod
    def turning(engine: Engine, rpm: float, *, manifold_pa: float = 0.95 * AMBIENT_PA, droop: float = 1.3) -> Starter:
        """One that turns the engine at about `rpm` on average."""
        mean = rpm * np.pi / 30
        brake = engine.friction_nm + engine.friction_nm_s * mean
        brake += engine.unfired_loss_j(manifold_pa) / np.radians(engine.segment_deg)
        return Starter(float(brake / (1 - 1 / droop)), float(mean * droop), float(mean * 0.25))
