"""The wheel's speed: now, and its least, middle and greatest turn over a whole recording."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.signal import Clock
from toothwise.examine.course import Course
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

_LEAST_RPM = 0.1
_AT_REST_RPM = 3.0
_STEP = 1e-4
"""The middle turn is kept in steps of 0.01 %: its rounding, and the only one."""


@dataclass(frozen=True, slots=True)
class SpeedRange:
    """Speeds of whole turns, tooth 1 to tooth 1, in rpm. Of less than one turn, the mean over what there
    is."""

    least_rpm: float
    middle_rpm: float
    greatest_rpm: float

    def as_json(self) -> dict[str, float]:
        return {
            "min": round(self.least_rpm, 3),
            "median": round(self.middle_rpm, 3),
            "max": round(self.greatest_rpm, 3),
        }


class Speed:
    """Fed with the teeth of one channel in order of time. Memory does not grow with the recording."""

    def __init__(self, wheel: Wheel, clock: Clock, course: Course | None = None) -> None:
        """course: who else wants to know the turns."""
        self._wheel = wheel
        self._course = course
        self._angles = np.array(wheel.angles_deg)
        self._rpm_per_deg_a_tick = 1e9 / (6.0 * clock.tick_ns)
        # Only neighbours of one unbroken stretch of rotation make a speed, so the last of each is kept over.
        self._last_first: tuple[int, int, int] | None = None  # turning, revolution, tick of the last tooth 1
        self._recent: NDArray[np.float64] = np.empty((2, 0))  # degrees and ticks of the last turn's teeth
        self._recent_turning = -1
        self._turns: dict[int, int] = {}  # step of the logarithm of speed → turns
        self._least = np.inf
        self._greatest = 0.0
        self._part = (0.0, 0.0)  # degrees and ticks of the longest part of a turn, for want of a whole one

    def feed(self, teeth: Teeth) -> None:
        if not len(teeth):
            return
        self._feed_turns(teeth)
        self._feed_recent(teeth)

    def _feed_turns(self, teeth: Teeth) -> None:
        at = np.flatnonzero((teeth.tooth == 1) & (teeth.revolution >= 0))
        if not at.size:
            return
        turning, revolution, tick = (
            column[at].astype(np.int64) for column in (teeth.turning, teeth.revolution, teeth.ticks)
        )
        if self._last_first is not None:
            turning, revolution, tick = (
                np.concatenate([[last], column])
                for last, column in zip(self._last_first, (turning, revolution, tick), strict=True)
            )
        self._last_first = (int(turning[-1]), int(revolution[-1]), int(tick[-1]))
        whole = (np.diff(turning) == 0) & (np.diff(tick) > 0)
        turns = np.diff(revolution)[whole]
        rpm = self._rpm_per_deg_a_tick * self._wheel.turn_deg * turns / np.diff(tick)[whole]
        if not rpm.size:
            return
        if self._course is not None:
            self._course.turns(revolution[:-1][whole], tick[:-1][whole], tick[1:][whole], turns, rpm)
        self._least = min(self._least, float(rpm.min()))
        self._greatest = max(self._greatest, float(rpm.max()))
        steps = np.rint(np.log(np.maximum(rpm, _LEAST_RPM) / _LEAST_RPM) / _STEP).astype(np.int64)
        for step, count in zip(steps.tolist(), turns.tolist(), strict=True):
            self._turns[step] = self._turns.get(step, 0) + count

    def _feed_recent(self, teeth: Teeth) -> None:
        turning = int(teeth.turning[-1])
        tail = slice(-self._wheel.teeth - 1, None)
        same = teeth.turning[tail] == turning
        degrees = teeth.revolution[tail] * self._wheel.turn_deg + self._angles[teeth.tooth[tail] - 1]
        now = np.stack([degrees[same], teeth.ticks[tail][same].astype(np.float64)])
        if turning == self._recent_turning:
            now = np.concatenate([self._recent, now], axis=1)
        self._recent_turning = turning
        self._recent = now[:, now[0] >= now[0, -1] - self._wheel.turn_deg]
        span = self._recent[:, -1] - self._recent[:, 0]
        if span[0] > self._part[0]:
            self._part = (float(span[0]), float(span[1]))

    def now_rpm(self, still_ticks: int) -> float | None:
        """The mean over the last decided turn or what there is of it; None at rest.

        still_ticks: how long the line has been still by now. The wheel cannot be faster than its longest step
        in that time, so the speed shown falls as the line stays still.
        """
        if self._recent.shape[1] < 2:
            return None
        degrees, ticks = self._recent
        if ticks[-1] <= ticks[0]:
            return None
        rpm = self._rpm_per_deg_a_tick * (degrees[-1] - degrees[0]) / (ticks[-1] - ticks[0])
        if still_ticks > 0:
            rpm = min(rpm, self._rpm_per_deg_a_tick * float(self._wheel.steps_deg.max()) * 2.0 / still_ticks)
        return float(rpm) if rpm > _AT_REST_RPM else None

    def range(self) -> SpeedRange | None:
        """Least, middle and greatest turn; None where fewer than two teeth were seen."""
        if not self._turns:
            if not self._part[1]:
                return None
            rpm = self._rpm_per_deg_a_tick * self._part[0] / self._part[1]
            return SpeedRange(rpm, rpm, rpm)
        half, below = sum(self._turns.values()) / 2, 0
        for step in sorted(self._turns):
            below += self._turns[step]
            if below >= half:
                break
        middle = _LEAST_RPM * float(np.exp(step * _STEP))
        return SpeedRange(self._least, min(max(middle, self._least), self._greatest), self._greatest)
