"""A front end's circuit, and what is computed from it: thresholds, delays, the shortest pulse that passes.

Node names: "0" ground, "3v3" the board's supply, "line" (or "lp" and "ln") the vehicle's wires, "out" the
comparator's output, "pin" the board's pin. Value names ending in no unit are in ohm, farad, volt or second.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from toothwise.wiring.network import Array, Element, Network, first_crossing
from toothwise.wiring.spread import Values

LONGEST_S = 1e-2


@dataclass(frozen=True)
class Circuit:
    """Elements around one comparator whose output follows v(plus) - v(minus).

    drive: volts on each input node for one unit of signal. rest: name of the value each stands at with no
    signal; an empty name is ground.
    """

    elements: tuple[Element, ...]
    plus: str
    minus: str
    drive: Mapping[str, float]
    rest: Mapping[str, str]

    def network(self, values: Values, out_high: bool) -> Network:
        """The linear part; a low output adds the comparator's closed switch."""
        elements = self.elements
        if not out_high:
            elements = (*elements, Element("R", "SINK", "out", "0", "sink"))
        return Network(elements, values, ("0", "3v3", *self.drive))

    def held(self, values: Values, signal: float) -> dict[str, float]:
        """Voltages of the held nodes for a signal."""
        inputs = {
            node: (values[self.rest[node]] if self.rest[node] else 0.0) + share * signal
            for node, share in self.drive.items()
        }
        return {"0": 0.0, "3v3": values["supply"], **inputs}

    def threshold(self, values: Values, rising: bool) -> float:
        """Signal at which the comparator turns, everything at rest: going up where `rising`, else going down."""
        network = self.network(values, out_high=not rising)
        at_zero, at_one = (self._difference(network.rest(self.held(values, s))) for s in (0.0, 1.0))
        return (values["offset"] - at_zero) / (at_one - at_zero)

    def gain(self, values: Values) -> float:
        """Comparator input volts for one unit of signal, at rest."""
        network = self.network(values, out_high=True)
        at_zero, at_one = (self._difference(network.rest(self.held(values, s))) for s in (0.0, 1.0))
        return at_one - at_zero

    def delay_s(self, values: Values, before: float, after: float) -> float:
        """From a step of the signal to the pin passing half its supply, s; nan if the step does not turn it."""
        turned = self._turned_s(values, before, after)
        if math.isnan(turned):
            return turned
        rising = after > before
        moving = self.network(values, out_high=not rising)
        at_turn = moving.after_step(moving.rest(self.held(values, before)), self.held(values, after))(
            np.array([turned + values["delay"]])
        )
        output = self.network(values, out_high=rising).after_step(
            {node: float(volts[0]) for node, volts in at_turn.items()}, self.held(values, after)
        )
        sign = 1.0 if rising else -1.0
        half = values["supply"] / 2
        moved = first_crossing(lambda t: sign * (output(t)["pin"] - half), LONGEST_S)
        return turned + values["delay"] + moved

    def shortest_pulse_s(self, values: Values, level: float, during: float) -> float:
        """Shortest stretch at `during`, on a line otherwise at `level`, that still reaches the pin, s.

        The comparator must see its inputs crossed for its own delay; a shorter crossing dies inside it.
        """
        sign = 1.0 if during > level else -1.0
        network = self.network(values, out_high=sign < 0)
        start = network.rest(self.held(values, level))
        away = network.after_step(start, self.held(values, during))
        first = self._turned_s(values, level, during)
        if math.isnan(first):
            return math.inf

        def over(course: Callable[[Array], dict[str, Array]], way: float, after_s: float = 0.0) -> float:
            """First time past after_s, counted from there, at which the inputs have crossed that way."""
            return first_crossing(
                lambda t: way * (self._differences(course(t + after_s)) - values["offset"]), LONGEST_S
            )

        def crossed_s(width: float) -> float:
            """For how long a stretch of that width crosses the inputs."""
            at_end = {node: float(volts[0]) for node, volts in away(np.array([width])).items()}
            back = network.after_step(at_end, self.held(values, level))
            if first < width:
                return width - first + over(back, -sign)
            # Not yet crossed when the stretch ends; what the filter still holds may carry it over.
            late = over(back, sign)
            return 0.0 if math.isnan(late) else over(back, -sign, late)

        low, high = 0.0, first + 2 * values["delay"] + 1e-9
        for _ in range(20):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if crossed_s(middle) >= values["delay"] else (middle, high)
        return high

    def sine_angle_deg(self, values: Values, hertz: float, peak: float, rising: bool) -> float:
        """How late the pin turns after the signal's own zero crossing, in degrees of one period.

        Signal: peak x sin. nan where the peak does not reach the threshold.
        """
        network = self.network(values, out_high=not rising)
        drive = {"0": 0.0, "3v3": 0.0, **self.drive}
        swing = network.sine(self.plus, self.minus, hertz, drive)
        filtered = peak * abs(swing) / abs(self.gain(values))
        threshold = self.threshold(values, rising) * (1.0 if rising else -1.0)
        if abs(threshold) >= filtered:
            return float("nan")
        lag = -math.degrees(np.angle(swing))
        return lag + math.degrees(math.asin(threshold / filtered)) + 360.0 * hertz * values["delay"]

    def _turned_s(self, values: Values, before: float, after: float) -> float:
        """From the step to the comparator's inputs crossing."""
        sign = 1.0 if after > before else -1.0
        network = self.network(values, out_high=sign < 0)
        moving = network.after_step(network.rest(self.held(values, before)), self.held(values, after))
        return first_crossing(lambda t: sign * (self._differences(moving(t)) - values["offset"]), LONGEST_S)

    def _difference(self, volts: Mapping[str, float]) -> float:
        return volts[self.plus] - volts[self.minus]

    def _differences(self, volts: Mapping[str, Array]) -> Array:
        return volts[self.plus] - volts[self.minus]
