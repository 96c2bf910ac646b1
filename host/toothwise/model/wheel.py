"""A wheel as it left the machine shop and as life treated it, against the pattern it should have.

Angles are degrees of the shaft whose motion is given: crank degrees for a crank wheel; for a cam wheel either
the cam's own (360) or crank degrees (720), as its pattern says.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from toothwise.model.motion import Floats
from toothwise.wheel.pattern import Wheel


@dataclass(frozen=True, eq=False)
class MadeWheel:
    """A wheel with its faults.

    error_deg: timing edge of each tooth against the pattern; empty for none.
    width_deg: how wide each tooth is; empty takes the pattern's widths, else `duty` of the pitch.
    height: of each tooth, 1 is whole, 0 is missing; empty for all whole.
    chip_deg: what is broken off each tooth's (leading, trailing) flank; empty for none.
    runout: (order 1, order 2) angle error amplitudes in degrees, with `runout_phase_deg`.
    moved: (time in s, degrees) pairs, straight lines between, held outside: a slipping ring, a phaser, a
        stretching chain, a belt that jumps (two pairs close together). Positive is later.
    radius_mm: sets the tooth pitch in millimetres, which sets how fast the signal falls with the air gap.
    """

    wheel: Wheel
    error_deg: tuple[float, ...] = ()
    width_deg: tuple[float, ...] = ()
    height: tuple[float, ...] = ()
    chip_deg: tuple[tuple[float, float], ...] = ()
    runout: tuple[float, float] = (0.0, 0.0)
    runout_phase_deg: tuple[float, float] = (0.0, 0.0)
    moved: tuple[tuple[float, float], ...] = ()
    duty: float = 0.5
    radius_mm: float = 75.0

    @property
    def turn_deg(self) -> float:
        return self.wheel.turn_deg

    @property
    def pitch_mm(self) -> float:
        """One slot along the rim."""
        return 2 * np.pi * self.radius_mm / self.wheel.slots

    @cached_property
    def timing_error_deg(self) -> Floats:
        """Where each timing edge really is against the pattern: tooth errors and runout together."""
        angles = np.array(self.wheel.angles_deg)
        error = np.array(self.error_deg) if self.error_deg else np.zeros(len(angles))
        turn = np.radians(angles * 360.0 / self.turn_deg)
        for order, (size, phase) in enumerate(zip(self.runout, self.runout_phase_deg, strict=True), 1):
            error = error + size * np.sin(order * turn + np.radians(phase))
        return np.asarray(error)

    @cached_property
    def timing_deg(self) -> Floats:
        """Angle of each tooth's timing edge."""
        return np.asarray(np.array(self.wheel.angles_deg) + self.timing_error_deg)

    @cached_property
    def widths(self) -> Floats:
        """Width of each whole tooth in degrees."""
        if self.width_deg:
            return np.array(self.width_deg)
        if self.wheel.widths_deg is not None:
            return np.array(self.wheel.widths_deg)
        steps = self.wheel.steps_deg
        return np.asarray(self.duty * np.minimum(np.minimum(steps, np.roll(steps, 1)), self.wheel.pitch_deg))

    @cached_property
    def heights(self) -> Floats:
        return np.array(self.height) if self.height else np.ones(self.wheel.teeth)

    @cached_property
    def chips(self) -> Floats:
        return np.array(self.chip_deg) if self.chip_deg else np.zeros((self.wheel.teeth, 2))

    def air_gap_change_mm(self, angles_deg: Floats) -> Floats:
        """How much wider the air gap is at each angle of the wheel: the eccentricity and ovality behind the
        runout, a quarter wave ahead of its angle error."""
        turn = np.radians(angles_deg * 360.0 / self.turn_deg)
        change = np.zeros_like(turn)
        for order, (size, phase) in enumerate(zip(self.runout, self.runout_phase_deg, strict=True), 1):
            change += self.radius_mm * np.sin(np.radians(size)) * np.cos(order * turn + np.radians(phase))
        return change

    def shift_deg(self, t_s: Floats) -> Floats:
        """How far the whole ring has moved on its shaft at each time."""
        if not self.moved:
            return np.zeros_like(t_s)
        at, by = zip(*self.moved, strict=True)
        return np.asarray(np.interp(t_s, at, by))

    def without(self, *teeth: int) -> MadeWheel:
        """The same wheel with teeth broken off, numbered from 1."""
        height = self.heights.copy()
        height[np.array(teeth) - 1] = 0.0
        return replace(self, height=tuple(height.tolist()))

    def chipped(self, tooth: int, lead_deg: float, trail_deg: float = 0.0, height: float = 1.0) -> MadeWheel:
        """The same wheel with a tooth whose flanks are set back, and perhaps its tip lowered."""
        chips, heights = self.chips.copy(), self.heights.copy()
        chips[tooth - 1] = lead_deg, trail_deg
        heights[tooth - 1] = height
        return replace(self, chip_deg=tuple(map(tuple, chips.tolist())), height=tuple(heights.tolist()))

    def bent(self, tooth: int, deg: float) -> MadeWheel:
        """The same wheel with one tooth moved along the rim."""
        error = np.array(self.error_deg) if self.error_deg else np.zeros(self.wheel.teeth)
        error[tooth - 1] += deg
        return replace(self, error_deg=tuple(error.tolist()))


def machined(
    wheel: Wheel,
    rng: np.random.Generator,
    *,
    error_deg: float = 0.05,
    runout_deg: float = 0.05,
    duty: float = 0.5,
    even: bool = True,
) -> MadeWheel:
    """A whole wheel with random errors no larger than given, evenly or normally spread (clipped there)."""
    n = wheel.teeth
    error = (
        rng.uniform(-error_deg, error_deg, n)
        if even
        else np.clip(rng.normal(0, error_deg / 2, n), -error_deg, error_deg)
    )
    share = rng.uniform(0, 1)
    runout = (runout_deg * share, runout_deg * (1 - share))
    phase = tuple(rng.uniform(0, 360, 2).tolist())
    return MadeWheel(wheel, tuple(error.tolist()), runout=runout, runout_phase_deg=(phase[0], phase[1]), duty=duty)
