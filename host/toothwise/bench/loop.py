"""The speed loop: from the speed that is measured to what the motor is told. No clock and no port of its own.

The spindle is taken for a motor with inertia: speed follows what it is told with one time constant, from a rest below
which it does not move,

    tau dn/dt = gain (u - rest) - n

What is measured is `DELAY_S` old. An observer follows the motor as it was then: its speed, and the push that the motor
does not know of (a cold bearing, a tired battery), from what was really given. From there the speed is carried on to
now by what was given since, and the output is what takes it to the target as a lag of `LAG_S`, the push taken off. So
the delay does no harm, nothing winds up while the output is at its end, and no error stays. (An extended state observer
with a predictor; the gains set both its poles at `SEES` a second [D].)

Gain, rest and time constant are found by two steps (`Finding`) and kept in the bench's setup.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

LAG_S = 0.35
"""Wanted time constant of the loop."""
DELAY_S = 0.2
"""From what the motor is told to when its speed is known: edges on their way, a turn of the loop, the answer."""
SEES = 6.0
"""Poles of the observer, per second: quicker chases noise, slower is slow against loads."""
MOST_RISE = 0.02
"""Per millisecond, the most that the output may rise: a motor controller's fuse and a belt want it so."""


@dataclass(frozen=True, slots=True)
class Plant:
    """gain: rpm per unit of output; the output is 0 to 1 of full width, or steps a second over the most.
    tau_s: time constant. rest: output below which it does not turn."""

    gain_rpm: float
    tau_s: float
    rest: float = 0.0


class Loop:
    """most_rpm: the stated most speed; the output is never more than what holds that by the plant, and a quarter."""

    def __init__(self, plant: Plant, most_rpm: float) -> None:
        self._plant = plant
        self._most_rpm = most_rpm
        self._most = min(1.0, plant.rest + 1.25 * most_rpm / plant.gain_rpm)
        self._then_rpm: float | None = None  # the motor DELAY_S ago, as the observer has it
        self._push = 0.0  # what it gets besides, in parts of the output
        self._given: deque[tuple[float, float]] = deque()  # (for how long, output), the last DELAY_S
        self.output = 0.0
        self.target_rpm = 0.0

    def step(self, target_rpm: float, rpm: float, dt_s: float) -> float:
        """One turn of the loop, `dt_s` after the last; gives the output, 0 to 1."""
        plant = self._plant
        self.target_rpm = min(max(target_rpm, 0.0), self._most_rpm)
        self._observe(rpm, dt_s)
        if self.target_rpm == 0.0:
            self.output = 0.0
            return 0.0
        quicker = plant.tau_s / min(LAG_S, plant.tau_s) - 1.0
        aim = self.target_rpm + quicker * (self.target_rpm - self._now_rpm())
        highest = min(self._most, self.output + MOST_RISE * 1000.0 * dt_s)
        self.output = min(max(plant.rest - self._push + aim / plant.gain_rpm, 0.0), highest)
        return self.output

    def _observe(self, rpm: float, dt_s: float) -> None:
        """Move the motor of DELAY_S ago on by what was given then, and correct it by what was measured."""
        plant = self._plant
        if self._then_rpm is None:
            self._then_rpm = rpm  # it may be turning already
        self._given.append((dt_s, self.output))
        held_s = sum(span for span, _ in self._given)
        while held_s > DELAY_S and self._given:
            span, output = self._given.popleft()
            cut = min(span, held_s - DELAY_S)
            if span > cut:
                self._given.appendleft((span - cut, output))
            held_s -= cut
            self._then_rpm = self._moved(self._then_rpm, output, cut)
        off = rpm - self._then_rpm
        self._then_rpm += max(2.0 * SEES - 1.0 / plant.tau_s, SEES) * off * dt_s
        # Where it stands and is told to, the first push is what friction takes.
        self._push += SEES**2 * plant.tau_s / plant.gain_rpm * off * dt_s
        self._push = min(max(self._push, -self._most), self._most)

    def _moved(self, rpm: float, output: float, span_s: float) -> float:
        final = self._plant.gain_rpm * (output - self._plant.rest + self._push)
        return max(final + (rpm - final) * math.exp(-span_s / self._plant.tau_s), 0.0)

    def _now_rpm(self) -> float:
        rpm = self._then_rpm or 0.0
        for span_s, output in self._given:
            rpm = self._moved(rpm, output, span_s)
        return rpm


class Finding:
    """Two steps of the output, watched: gain, rest and time constant of the motor that is there.

    Call `step` at every turn of the loop; `plant` is there when `over`.
    """

    def __init__(self, most_rpm: float, first: float = 0.15, rise: float = 0.1) -> None:
        self._most_rpm = most_rpm
        self._first, self._rise = first, rise
        self._level = first
        self._levels: list[tuple[float, float]] = []  # (output, settled rpm)
        self._since_s = 0.0
        self._seen: list[tuple[float, float]] = []  # (s, rpm) of this level
        self.over = False
        self.plant: Plant | None = None

    def step(self, rpm: float, dt_s: float) -> float:
        """Gives the output. Ends with output 0; the plant is None if the motor did not turn or would not settle."""
        if self.over:
            return 0.0
        self._since_s += dt_s
        self._seen.append((self._since_s, rpm))
        if rpm > 0.8 * self._most_rpm or self._since_s > 20.0:
            if self._levels and self._since_s > 20.0:
                self._levels.append((self._level, rpm))
            self._end()
        elif self._settled():
            self._levels.append((self._level, rpm))
            if len(self._levels) == 2:
                self._end()
            else:
                if rpm > 0.0:  # leave the second step room below the most speed
                    self._level += min(self._rise, 0.6 * self._level * (0.8 * self._most_rpm - rpm) / rpm)
                else:
                    self._levels.clear()
                    self._level += self._rise
                self.over = self._level > 1.0
                self._since_s, self._seen = 0.0, []
        return 0.0 if self.over else self._level

    def _settled(self) -> bool:
        """Nearly the same for a second, after a second."""
        last = [rpm for at, rpm in self._seen if at > self._since_s - 1.0]
        return self._since_s > 2.0 and max(last) - min(last) <= max(0.01 * max(last), 2.0)

    def _end(self) -> None:
        self.over = True
        if len(self._levels) < 2:
            return
        (u1, n1), (u2, n2) = self._levels
        if n2 <= n1 or u2 <= u1:
            return
        gain = (n2 - n1) / (u2 - u1)
        reached = next((at for at, rpm in self._seen if rpm >= n1 + 0.632 * (n2 - n1)), 0.3)
        self.plant = Plant(gain, max(reached, 0.05), max(u1 - n1 / gain, 0.0))
