"""What a wheel makes a sensor put on its wires, as straight pieces through (time s, value)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from toothwise.errors import Trouble
from toothwise.wheel.pattern import Wheel

Points = list[tuple[float, float]]
SWITCH_S = 1e-6  # how long a switching sensor takes from level to level, from memory


def slots(wheel: Wheel, count: int) -> NDArray[np.bool_]:
    """For slot 0, 1, ... `count`-1 after tooth 1's: whether it has a tooth.

    Raises Trouble for a wheel without an even pitch.
    """
    exact = np.array(wheel.angles_deg) / wheel.pitch_deg
    place = np.rint(exact).astype(int)
    if np.abs(exact - place).max() > 0.01:
        raise Trouble(
            f"the simulation turns wheels with an even pitch, and {wheel.name} has none",
            step="take one with as many teeth and an even pitch",
        )
    turn = np.zeros(wheel.slots, dtype=bool)
    turn[place] = True
    return np.resize(turn, count)


@dataclass(frozen=True)
class CoilWave:
    """A coil's voltage: a sine a tooth, nothing in a gap, after one tooth of run-in.

    volts: expression in `time` for the simulator, to be multiplied by the mask. mask: pieces, 1 over a tooth.
    starts_s: the slots' start times, one more than slots. span_s: the whole. fastest_s: the shortest slot. steady:
    constant speed.
    """

    volts: str
    mask: Points
    starts_s: NDArray[np.float64]
    span_s: float
    fastest_s: float
    steady: bool


def coil_wave(
    wheel: Wheel, from_rpm: float, to_rpm: float, count: int, weakest_v: float, at_rpm: float, most_v: float
) -> CoilWave:
    """Speed rises evenly in its logarithm over `count` slots; the peak is weakest_v x rpm / at_rpm up to most_v."""
    hertz = from_rpm * 6.0 / wheel.pitch_deg
    total = count + 1  # slots, the first of them the run-in
    ratio = to_rpm / from_rpm
    span_s = total / hertz if ratio == 1 else total * math.log(ratio) / (hertz * (ratio - 1))
    rate = math.log(ratio) / span_s
    number = np.arange(total + 1)
    bounds = number / hertz if ratio == 1 else np.log1p(number * rate / hertz) / rate
    slots_so_far = f"{hertz:.9g}*time" if ratio == 1 else f"{hertz / rate:.9g}*(exp({rate:.9g}*time)-1)"
    peak = f"min({most_v:g},{weakest_v * from_rpm / at_rpm:.9g}*exp({rate:.9g}*time))"
    mask: Points = [(0.0, 1.0)]
    teeth = [True, *slots(wheel, count), False]
    for here, after, bound in zip(teeth, teeth[1:], bounds[1:], strict=False):
        if here != after:
            blink = 1e-3 * (bounds[-1] - bounds[-2])
            mask += [(float(bound) - blink, float(here)), (float(bound), float(after))]
    fastest_s = float(bounds[-1] - bounds[-2])
    end_s = float(bounds[-1]) + 0.5 * fastest_s
    mask.append((end_s, 0.0))
    return CoilWave(f"{peak}*sin(6.283185307179586*{slots_so_far})", mask, bounds[1:], end_s, fastest_s, ratio == 1)


def switched_at(wheel: Wheel, rpm: float, count: int, duty: float) -> tuple[Points, NDArray[np.float64]]:
    """A switching sensor at constant speed: 1 while over a tooth. Also the slots' start times, count + 1."""
    slot_s = wheel.pitch_deg / (6.0 * rpm)
    lead = 2 * slot_s
    points: Points = [(0.0, 0.0)]
    for number, tooth in enumerate(slots(wheel, count)):
        if tooth:
            start = lead + number * slot_s
            end = start + duty * slot_s
            points += [(start, 0.0), (start + SWITCH_S, 1.0), (end, 1.0), (end + SWITCH_S, 0.0)]
    points.append((lead + (count + 1) * slot_s, 0.0))
    starts: NDArray[np.float64] = lead + slot_s * np.arange(count + 1.0)
    return points, starts


def rises_once(edges_s: NDArray[np.float64], starts_s: NDArray[np.float64], teeth: NDArray[np.bool_]) -> int:
    """How many slots do not have just the edges they should: one where there is a tooth, else none.

    Edges after the last slot count as wrong too; those before the first are the run-in's.
    """
    wrong = int((edges_s >= starts_s[-1]).sum())
    for number, (start, end) in enumerate(pairwise(starts_s)):
        seen = int(((edges_s >= start) & (edges_s < end)).sum())
        wrong += seen != int(teeth[number])
    return wrong
