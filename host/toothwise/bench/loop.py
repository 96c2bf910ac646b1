"""The speed loop: from the speed that is measured to what the motor is told. No clock and no port of its own.

The spindle is taken for a motor with inertia: speed follows what it is told with one time constant, from a rest below
which it does not move,

    tau dn/dt = gain (u - rest) - n

The output is what would hold the wanted speed by that, plus a share of the error that makes the loop a lag of `LAG_S`,
plus an integral for what the plant does not know: a cold bearing, a tired battery. The integral makes the loop
critically damped and counts only near the target and while the output is not at its end, so nothing winds up on the
way there.
Gain, rest and time constant are found by two steps (`Finding`) and kept in the bench's setup.
"""

from __future__ import annotations

from dataclasses import dataclass

LAG_S = 0.25
"""Wanted time constant of the loop. More than twice the delay of measuring and telling, about 0.1 s."""
NEAR = 0.2
"""The integral counts within this share of the target, or where the speed has stood still short of it for STUCK_S."""
STUCK_S = 0.6
CREEP = 0.1
"""Slower than this share of the target a second is standing still."""
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
        self._integral = 0.0
        self._before_rpm = self._still_s = 0.0
        self.output = 0.0
        self.target_rpm = 0.0

    def step(self, target_rpm: float, rpm: float, dt_s: float) -> float:
        """One turn of the loop, `dt_s` after the last; gives the output, 0 to 1."""
        plant = self._plant
        self.target_rpm = min(max(target_rpm, 0.0), self._most_rpm)
        if self.target_rpm == 0.0:
            self.output = self._integral = 0.0
            return 0.0
        error = self.target_rpm - rpm
        lag_s = min(LAG_S, plant.tau_s)
        share = (plant.tau_s / lag_s - 1.0) / plant.gain_rpm
        wanted = plant.rest + self.target_rpm / plant.gain_rpm + share * error + self._integral
        highest = min(self._most, self.output + MOST_RISE * 1000.0 * dt_s)
        self.output = min(max(wanted, 0.0), highest)
        moves = abs(rpm - self._before_rpm) > CREEP * self.target_rpm * dt_s
        self._still_s = 0.0 if moves else self._still_s + dt_s
        self._before_rpm = rpm
        if self.output == wanted and (abs(error) < NEAR * self.target_rpm or self._still_s > STUCK_S):
            self._integral += plant.tau_s / (4.0 * LAG_S**2 * plant.gain_rpm) * error * dt_s
        return self.output


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
