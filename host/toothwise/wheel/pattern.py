"""A wheel as the angles of its teeth.

An angle is in degrees of the wheel's own rotation unless `turn_deg` is 720: a cam wheel described over two
turns of the crank. Tooth 1 is the first tooth after the longest gap; its timing edge is at angle 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Wheel:
    """A pattern of teeth that repeats every `turn_deg` degrees.

    name: "60-2", "36+1", or the user's own.
    angles_deg: where each tooth's timing edge passes, rising, from 0.0, one a tooth.
    widths_deg: how long each tooth lasts after its timing edge; None where the width says nothing
        (it then is about half a pitch and may vary with speed).
    turn_deg: 360, or 720 for a pattern given over a whole engine cycle.
    slots: pitches in a turn where the pattern has an even pitch, else the number of teeth.
    widths_carry_code: the widths differ from tooth to tooth in a way the pattern does not know; nothing may be
        concluded from a trailing edge.
    """

    name: str
    angles_deg: tuple[float, ...]
    slots: int
    turn_deg: float = 360.0
    widths_deg: tuple[float, ...] | None = None
    widths_carry_code: bool = False

    def __post_init__(self) -> None:
        angles = self.angles_deg
        if not angles or angles[0] != 0.0:
            raise ValueError(f"wheel {self.name}: tooth 1 must be at 0 degrees")
        if any(b <= a for a, b in pairwise(angles)) or angles[-1] >= self.turn_deg:
            raise ValueError(f"wheel {self.name}: angles must rise from 0 and stay below {self.turn_deg:g}")
        if self.widths_deg is not None and len(self.widths_deg) != len(angles):
            raise ValueError(f"wheel {self.name}: one width a tooth, or none at all")

    @property
    def teeth(self) -> int:
        """How many teeth the wheel has."""
        return len(self.angles_deg)

    @property
    def pitch_deg(self) -> float:
        """One slot, in degrees."""
        return self.turn_deg / self.slots

    @property
    def slots_a_turn(self) -> int:
        """Slots that pass in a turn of the crank."""
        return round(self.slots * 360.0 / self.turn_deg)

    @cached_property
    def steps_deg(self) -> NDArray[np.float64]:
        """steps_deg[i]: from tooth i+1's timing edge to the next tooth's; the last one is the step to tooth 1."""
        return np.diff(np.array([*self.angles_deg, self.turn_deg]))

    @cached_property
    def symmetry(self) -> int:
        """Teeth after which the pattern looks the same again: `teeth` for 60-2, 1 for a plain wheel."""
        steps = np.round(self.steps_deg, 6)
        widths = np.zeros(self.teeth) if self.widths_deg is None else np.array(self.widths_deg)
        for shift in range(1, self.teeth):
            same = self.teeth % shift == 0 and np.array_equal(steps, np.roll(steps, shift))
            if same and np.array_equal(widths, np.roll(widths, shift)):
                return shift
        return self.teeth

    @cached_property
    def gaps(self) -> list[list[int]]:
        """The empty slots, run by run, numbered from 1 after the last gap: 60-2 gives [[59, 60]].

        Only a pattern with an even pitch has any.
        """
        position = np.array(self.angles_deg) / self.pitch_deg
        whole = np.rint(position).astype(int)
        if np.abs(position - whole).max() > 0.01:
            return []
        runs: list[list[int]] = []
        for slot in sorted(set(range(self.slots)) - set(whole.tolist())):
            if runs and runs[-1][-1] == slot:
                runs[-1].append(slot + 1)
            else:
                runs.append([slot + 1])
        return runs
