"""Made wiggle tests: a person's hands with their delays, a harness with a bad place or none, and the marks of it.

Shared by the tests and the campaign. Everything is a pure function of the generator's state.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from toothwise.edges.signal import Clock, Edges, Held
from toothwise.wiggle import Mark, rules
from toothwise.wiggle.marks import place_name
from toothwise.wiggle.ntc import FULL, ZERO_C_K, Thermistor

CLOCK = Clock(16.0)
PLACES = tuple(f"place {n}" for n in range(1, 9))


def raw_reading(sensor: Thermistor, celsius: float) -> int:
    """What the rig reads at a temperature, by the definition of B."""
    per_k = 1.0 / (celsius + ZERO_C_K) - 1.0 / (25.0 + ZERO_C_K)
    ohm = sensor.r25_ohm * np.exp(sensor.beta_k * per_k)
    return round(FULL * ohm / (ohm + sensor.series_ohm))


@dataclass(frozen=True)
class Course:
    """What was really moved when, and the marks as a person made them.

    truth: (place, begin, end) in seconds. marks: (seconds, place), each up to `delay_s` early or late.
    """

    truth: tuple[tuple[str, float, float], ...]
    marks: tuple[tuple[float, str], ...]
    end_s: float

    def as_marks(self, clock: Clock = CLOCK) -> list[Mark]:
        return [Mark(clock.ticks(t - clock.t0_s), place_name(place)) for t, place in self.marks]


def course(
    rng: np.random.Generator, *, rounds: int = 3, in_turn: bool = True, quiet_s: float = 10.0, delay_s: float = 0.5
) -> Course:
    """Hands off, then every place `rounds` times: round after round, or (not in_turn) place after place."""
    order = [p for _ in range(rounds) for p in PLACES] if in_turn else [p for p in PLACES for _ in range(rounds)]
    now = 0.0
    truth = []
    for place, seconds in [(rules.HANDS_OFF, quiet_s), *((p, rng.uniform(3.0, 6.0)) for p in order)]:
        truth.append((place, now, now + seconds))
        now += seconds
    marks = [(0.0, truth[0][0])]
    for place, begin, _ in truth[1:]:
        marks.append((max(begin + rng.uniform(-delay_s, delay_s), marks[-1][0] + 0.01), place))
    return Course(tuple(truth), tuple(marks), now)


def spans_of(made: Course, place: str) -> list[tuple[float, float]]:
    return [(a, b) for p, a, b in made.truth if p == place]


def durations(n: int, rng: np.random.Generator, shortest_s: float = 1e-6, longest_s: float = 0.05) -> np.ndarray:
    return np.exp(rng.uniform(np.log(shortest_s), np.log(longest_s), n))


def times_in(
    spans: list[tuple[float, float]], rng: np.random.Generator, least: int = 1, mean: float = 1.5
) -> np.ndarray:
    """Moments within spans: at least so many in each, and more by chance."""
    parts = [rng.uniform(a, b, least + rng.poisson(mean)) for a, b in spans]
    return np.sort(np.concatenate(parts)) if parts else np.empty(0)


def resting(
    end_s: float, pulses: dict[str, list[tuple[float, float]]], rest: dict[str, int], clock: Clock = CLOCK
) -> Held:
    """Lines at rest, with interruptions (seconds, duration); those of a channel that overlap are joined."""
    edges = {}
    for channel, level in rest.items():
        ticks: list[int] = []
        for at, lasts in sorted(pulses.get(channel, [])):
            begin, end = clock.ticks(at), max(clock.ticks(at + lasts), clock.ticks(at) + 1)
            if ticks and begin <= ticks[-1]:
                ticks[-1] = max(ticks[-1], end)
            else:
                ticks += [begin, end]
        levels = np.resize(np.array([1 - level, level], np.uint8), len(ticks))
        edges[channel] = Edges(np.array(ticks, np.int64), levels)
    return Held(clock, edges, clock.ticks(end_s), source={"kind": "made"})
