"""Every check of a design in the simulator, at nominal values and over random draws from all the spreads."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from toothwise.wiring.front import FrontEnd
from toothwise.wiring.hall import BENCH_CABLE_F
from toothwise.wiring.limits import (
    COMPARATOR_INPUT_A,
    PIN_ABOVE_SUPPLY_V,
    PIN_BELOW_GROUND_V,
    PIN_HIGH_V,
    PIN_LOW_V,
    SUPPLY_MAX_V,
)
from toothwise.wiring.netlist import CELSIUS, Source, coil, signal, step, surge, switched
from toothwise.wiring.pulses import PULSES
from toothwise.wiring.reluctance import COIL_H, COIL_OHM
from toothwise.wiring.simulate import Trace, run
from toothwise.wiring.spread import Spread, Values, draw, nominals
from toothwise.wiring.waves import coil_wave, rises_once, slots, switched_at

AGREES = 0.05  # computed and simulated figures, of the nominal figure
TEMPERATURE_C = Spread(27.0, -20.0, 60.0)
CONTROL_UNIT_OHM = Spread(2200.0, 1000.0, 10000.0)  # its pull-up, from memory
TEETH = 8  # per random draw; the nominal circuit sees a whole turn and more


@dataclass(frozen=True, slots=True)
class Check:
    """One thing checked over all runs. worst and limit are in `unit`; kept says whether every run kept to it."""

    front: str
    name: str
    worst: float
    limit: float
    unit: str
    runs: int
    kept: bool


def draws(front: FrontEnd, count: int, seed: int) -> list[dict[str, float]]:
    """The nominal values first, then `count` random draws, each with a temperature.

    What stands in for the diodes in the computed figures stays nominal: the simulated diodes are there themselves.
    """
    rng = np.random.default_rng(seed)
    fixed = {e.value for e in front.circuit.elements if e.kind in ("I", "J")}
    spreads = {name: spread for name, spread in front.spreads.items() if name not in fixed}
    middle = {**nominals(front.spreads), CELSIUS: TEMPERATURE_C.nominal}
    fixed_values = {name: 0.0 if "leakage" in name else front.spreads[name].nominal for name in fixed}
    return [middle] + [{**draw({**spreads, CELSIUS: TEMPERATURE_C}, rng), **fixed_values} for _ in range(count)]


def campaign(front: FrontEnd, count: int, seed: int = 1) -> list[Check]:
    """All checks of one front end over the nominal values and `count` draws."""
    runs = draws(front, count, seed)
    return [
        *_thresholds(front, runs),
        *_delays(front, runs),
        _interruptions(front, runs[: 1 + max(1, count // 10)]),
        *_surges(front, runs),
        *teeth(front, runs),
    ]


def _thresholds(front: FrontEnd, runs: Sequence[Values]) -> list[Check]:
    rising, falling = front.figure("threshold_rising"), front.figure("threshold_falling")
    beyond = 0.5 * (rising.high - falling.low)
    low, high = falling.low - beyond, rising.high + beyond
    ramp = signal(front, [(0, low), (2e-3, low), (42e-3, high), (44e-3, high), (84e-3, low), (86e-3, low)], 50e-6)
    misses, outside = [], 0
    for trace, values in zip(run(front, ramp, runs), runs, strict=True):
        for up, figure in ((True, rising), (False, falling)):
            at = trace.crossings_s("out", values["supply"] / 2, rising=up)
            seen = trace.at("sig", float(at[0])) if at.size == 1 else math.nan
            size = max(abs(figure.nominal), 1e-12)
            misses.append(abs(seen - front.circuit.threshold(values, rising=up)) / size)
            outside += not figure.low - AGREES * size <= seen <= figure.high + AGREES * size
    return [
        _agreement(front, "thresholds, simulated against computed", misses, len(runs)),
        Check(front.name, "thresholds outside the computed worst case", outside, 0, "", len(runs), outside == 0),
    ]


def _delays(front: FrontEnd, runs: Sequence[Values]) -> list[Check]:
    low, high = front.swing
    up_f, down_f = front.figure("delay_rising"), front.figure("delay_falling")
    source = step(front)
    span = source.span_s / 3
    misses, outside = [], 0
    for trace, values in zip(run(front, source, runs), runs, strict=True):
        for up, start, ends, figure in ((True, span, (low, high), up_f), (False, 2 * span, (high, low), down_f)):
            at = trace.crossings_s("pin", values["supply"] / 2, rising=up)
            seen = float(at[0]) - start if at.size == 1 else math.nan
            misses.append(abs(seen - front.circuit.delay_s(values, *ends)) / figure.nominal)
            slack = AGREES * figure.nominal
            outside += not figure.low - slack <= seen <= figure.high + slack
    return [
        _agreement(front, "delays, simulated against computed", misses, len(runs)),
        Check(front.name, "delays outside the computed worst case", outside, 0, "", len(runs), outside == 0),
    ]


def _agreement(front: FrontEnd, name: str, misses: list[float], runs: int) -> Check:
    worst = float(np.max(misses))  # nan, and so not kept, where an edge was missing
    return Check(front.name, name, 100 * worst, 100 * AGREES, "%", runs, worst <= AGREES)


def _interruptions(front: FrontEnd, runs: Sequence[Values]) -> Check:
    """A dip 10 % longer than the computed shortest reaches the pin; one 10 % shorter does not."""
    low, high = front.swing
    wrong = 0
    for values in runs:
        shortest = front.circuit.shortest_pulse_s(values, high, low)
        for share, seen in ((1.1, 1), (0.9, 0)):
            start, width = 40 * shortest, share * shortest
            dip = [(0, high), (start, high), (start + 1e-9, low), (start + width, low), (start + width + 1e-9, high)]
            source = signal(front, [*dip, (2 * start, high)], shortest / 20)
            (trace,) = run(front, source, [values])
            wrong += trace.crossings_s("pin", values["supply"] / 2, rising=False).size != seen
    return Check(front.name, "dips 10 % over and under the shortest, misjudged", wrong, 0, "", len(runs), wrong == 0)


def _surges(front: FrontEnd, runs: Sequence[Values]) -> list[Check]:
    checks = []
    for pulse in PULSES:
        traces = list(run(front, surge(front, pulse), runs))
        above = max(_above_supply(trace) for trace in traces)
        below = max(_below_ground(trace) for trace in traces)
        supply = max(float(trace.of["3v3"].max()) for trace in traces)
        input_a = max(float(np.abs(trace.of[i]).max()) for trace in traces for i in ("vplus", "vminus"))
        for what, worst, limit, unit in (
            ("pin above its supply", above, PIN_ABOVE_SUPPLY_V, "V"),
            ("pin below ground", below, PIN_BELOW_GROUND_V, "V"),
            ("3.3 V line", supply, SUPPLY_MAX_V, "V"),
            ("into a comparator input", input_a * 1e3, COMPARATOR_INPUT_A * 1e3, "mA"),
        ):
            checks.append(Check(front.name, f"{pulse.name}: {what}", worst, limit, unit, len(runs), worst <= limit))
    return checks


def _above_supply(trace: Trace) -> float:
    analogue = [trace.of["adc"] - trace.of["3v3"]] if "adc" in trace.of else []
    return max(float(over.max()) for over in (trace.of["over"], *analogue))


def _below_ground(trace: Trace) -> float:
    return max(-float(trace.of[node].min()) for node in ("pin", "adc") if node in trace.of)


def teeth(front: FrontEnd, runs: Sequence[Values]) -> list[Check]:
    """One edge a tooth: the nominal circuit over whole turns, each draw over a few teeth."""
    if front.turning is None:
        return []
    kinds = _coil_checks(front) if front.name == "reluctance" else _switch_checks(front)
    checks = []
    for name, every_draw, source, starts in kinds:
        wanted = slots(front.turning.wheel, len(starts) - 1)
        chosen = runs if every_draw else runs[:1]
        wrong = sum(rises_once(t.edges(PIN_LOW_V, PIN_HIGH_V), starts, wanted) for t in run(front, source, chosen))
        checks.append(Check(front.name, f"teeth miscounted: {name}", wrong, 0, "", len(chosen), wrong == 0))
    return checks


_Case = tuple[str, bool, Source, np.ndarray[tuple[int], np.dtype[np.float64]]]


def _coil_checks(front: FrontEnd) -> list[_Case]:
    assert front.turning is not None
    wheel, top = front.turning.wheel, front.turning.top_rpm
    weakest, at, most = (float(front.asked[name]) for name in ("peak_volts", "at_rpm", "most_volts"))

    turn = wheel.slots + 3

    def case(name: str, every: bool, rpm: float, volts: float, count: int, to_rpm: float | None = None) -> _Case:
        wave = coil_wave(wheel, rpm, to_rpm or rpm, count, volts, rpm, most)
        return name, every, coil(wave, COIL_OHM.nominal, COIL_H.nominal), wave.starts_s

    def grown(rpm: float) -> float:
        return min(weakest * rpm / at, most)

    return [
        case(f"{at:g} to {top:g} rpm", False, at, weakest, 6 * turn, top),
        *(case(f"{rpm:g} rpm", False, rpm, grown(rpm), turn) for rpm in sorted({at, 5 * at, 700.0, 3000.0, top})),
        case(f"{top:g} rpm, {most:g} V", False, top, most, turn),
        case(f"{at:g} rpm, {TEETH} teeth", True, at, weakest, TEETH),
        case(f"{top:g} rpm, {most:g} V, {TEETH} teeth", True, top, most, TEETH),
    ]


def _switch_checks(front: FrontEnd) -> list[_Case]:
    assert front.turning is not None
    wheel, top = front.turning.wheel, front.turning.top_rpm
    cases = []
    for name, every, rpm, count in (
        ("30 rpm", False, 30.0, wheel.slots + 3),
        (f"{top:g} rpm", False, top, wheel.slots + 3),
        (f"{top:g} rpm, {TEETH} teeth", True, top, TEETH),
    ):
        for duty in (0.4, 0.6):
            points, starts = switched_at(wheel, rpm, count, duty)
            if front.name == "hall":
                # The sensor pulls its wire down over a tooth; the pin rises at the tooth's end.
                own = front.spreads.get("bench_pull_up", CONTROL_UNIT_OHM).nominal
                source = switched(points, float(front.asked["sensor_volts"]), own, BENCH_CABLE_F.nominal)
            else:
                low, high = front.swing
                source = signal(front, [(t, low + level * (high - low)) for t, level in points], points[-1][0] / 200)
            cases.append((f"{name}, duty {duty:.0%}", every, source, starts))
    return cases
