"""The campaign behind the wiggle test's figures.

    python tests/campaign/wiggle.py [--short] [--seed N] [--only places|healthy|conductors|rest|turning]

Turning, each recording has a wheel and an engine drawn from WHEELS and CYLINDERS, with tooth errors of its own.
Prints its seed and a table a part. Ends with 0 if every figure is met, else 1.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    ROOT = Path(__file__).resolve().parents[2]
    sys.path[:0] = [str(ROOT), str(ROOT / "host")]

from toothwise.edges.signal import Held
from toothwise.model import drive
from toothwise.model.engine import healthy
from toothwise.model.faults import Chatter, FaultMaker, FeedSag, Ignition
from toothwise.model.faults import Held as HeldFault
from toothwise.model.made import Made, Scenario, make
from toothwise.model.sensor import Hall
from toothwise.model.wheel import MadeWheel
from toothwise.wheel import catalogue
from toothwise.wheel.pattern import Wheel
from toothwise.wiggle import Mark, judge, look, rules
from toothwise.wiggle.marks import stretches

from tests.wiggle.made_tests import CLOCK, PLACES, Course, course, durations, resting, spans_of, times_in

QUICK = 4
"""Healthy turning harnesses are moved so much faster, so that the machine is done sooner."""
WHEELS = ("60-2", "60-2", "36-1", "36-2", "48-2", "24-1", "24-2", "36-2-2-2", "12-1")
CYLINDERS = (3, 4, 5, 6, 8)
TOOTH_ERROR_DEG = 0.03
"""Of the made wheels, standard deviation; invented."""
CONDUCTOR_WANTED, PLACE_WANTED, TURNING_WANTED = 0.98, 0.98, 0.99


@dataclass
class Report:
    """Lines to print, and what was not met."""

    lines: list[str] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)

    def say(self, text: str) -> None:
        print(f"  {text}", flush=True)

    def want(self, what: str, good: int, of: int, share: float) -> None:
        met = of == 0 or good >= share * of
        part = f"{good / of:.4f}" if of else "none"
        self.say(f"{what:<66}{good:>6} of {of:<6} {part:>8}  wanted {share:g}  {'' if met else 'NOT MET'}")
        if not met:
            self.failures.append(what)


# places


def a_bad_place(rng: np.random.Generator, in_turn: bool) -> tuple[Course, str, Held]:
    made = course(rng, rounds=int(rng.integers(3, 6)), in_turn=in_turn)
    bad = str(rng.choice(PLACES))
    at = times_in(spans_of(made, bad), rng)
    pulses = list(zip(at.tolist(), durations(len(at), rng).tolist(), strict=True))
    return made, bad, resting(made.end_s, {"crank": pulses}, {"crank": 0, "feed": 1})


def turning_place(rng: np.random.Generator, noise: tuple[FaultMaker, ...] = ()) -> tuple[Course, str, Idling]:
    made = course(rng, rounds=3, quiet_s=8.0)
    bad = str(rng.choice(PLACES))
    spans = tuple(spans_of(made, bad))
    faults = (Chatter(spans, per_s=1.5), *noise)
    return made, bad, idling(made.end_s, float(rng.uniform(700, 1100)), faults, rng)


def confirmable(made: Course, bad: str, signal: Held | Idling) -> bool:
    """Whether the bad place let go in as many of its wiggles as a confirmation takes."""
    if not isinstance(signal, Idling):
        return True
    at = [fault.t_s for fault in signal.made.truth.faults if fault.conductor == "signal"]
    return sum(any(a <= t < b for t in at) for a, b in spans_of(made, bad)) >= rules.CONFIRMING


@dataclass(frozen=True)
class Idling:
    """A running engine's signal, its wheel, and the truth."""

    wheel: Wheel
    made: Made

    @property
    def recording(self) -> Held:
        return self.made.recording


def idling(seconds: float, rpm: float, faults: tuple[FaultMaker, ...], rng: np.random.Generator) -> Idling:
    wheel = catalogue.wheel(str(rng.choice(WHEELS)))
    scenario = Scenario(
        MadeWheel(wheel, error_deg=tuple(rng.normal(0.0, TOOTH_ERROR_DEG, wheel.teeth).tolist())),
        drive.run(healthy(int(rng.choice(CYLINDERS))), drive.idle(seconds, rpm), rng),
        Hall(),
        faults,
        feed=True,
    )
    return Idling(wheel, make(scenario, rng))


def places(report: Report, rng: np.random.Generator, short: bool) -> None:
    lots: dict[str, tuple[int, Callable[[], tuple[Course, str, Held | Idling]]]] = {
        "at rest, round after round": (20 if short else 200, lambda: a_bad_place(rng, True)),
        "at rest, place after place": (20 if short else 200, lambda: a_bad_place(rng, False)),
        "turning at 700 to 1100 rpm": (1 if short else 200, lambda: turning_place(rng)),
        "turning amid ignition noise": (1 if short else 40, lambda: turning_place(rng, (Ignition(chance=0.2),))),
    }
    for name, (many, build) in lots.items():
        right = others = suspects = moved = right_event = 0
        for _ in range(many):
            made, bad, signal = build()
            recording, wheel = (signal.recording, signal.wheel) if isinstance(signal, Idling) else (signal, None)
            judged = judge([look(recording, made.as_marks(), wheel=wheel)])
            stands = {place.name: place.stands for place in judged.places}
            others += any(s == "confirmed" for p, s in stands.items() if p != bad)
            wanted = "confirmed" if confirmable(made, bad, signal) else "suspect"
            if stands[bad] != wanted:
                what = f"{wheel.name}: " if wheel else ""
                off = f", hands off {len(judged.hands_off.events)} events"
                report.say(f"{name}: {what}{stands[bad]}, not {wanted}{off}")
            suspects += any(s != "quiet" for p, s in stands.items() if p != bad)
            right += stands[bad] == wanted and not any(s == "confirmed" for p, s in stands.items() if p != bad)
            for placed in judged.events():
                moved += 1
                right_event += placed.place == bad
        report.want(f"{name}: bad place as it should stand, no other", right, many, PLACE_WANTED)
        report.want(f"{name}: events at the right place", right_event, moved, PLACE_WANTED)
        report.say(f"{name}: tests with another place confirmed {others}, another one not quiet {suspects}")


# healthy


def healthy_harness(report: Report, rng: np.random.Generator, short: bool) -> None:
    many = 100 if short else 1000
    confirmed = 0
    for _ in range(many):
        made = course(rng)
        judged = judge([look(resting(made.end_s, {}, {"crank": 0, "feed": 1}), made.as_marks())])
        confirmed += any(place.stands == "confirmed" for place in judged.places)
    report.want("at rest, nothing happens: no place confirmed", many - confirmed, many, 1.0)
    confirmed = 0
    for _ in range(many):
        made = course(rng)
        at = rng.uniform(0, made.end_s, rng.poisson(made.end_s / 60.0))
        pulses = list(zip(at.tolist(), durations(len(at), rng).tolist(), strict=True))
        judged = judge([look(resting(made.end_s, {"crank": pulses}, {"crank": 0, "feed": 1}), made.as_marks())])
        confirmed += any(place.stands == "confirmed" for place in judged.places)
    report.say(f"at rest, a stray event a minute anywhere: a place confirmed by chance in {confirmed} of {many}")
    recordings, sets = (1, 25) if short else (40, 25)
    for name, faults in (("turning, healthy", ()), ("turning, ignition noise", (Ignition(chance=0.3),))):
        confirmed = events = interference = 0
        seconds = 0.0
        for _ in range(recordings if not faults else max(recordings // 4, 1)):
            rpm = float(rng.uniform(700, 3000))
            length = course(rng).end_s / QUICK
            signal = idling(length, rpm, faults, rng)
            seen = look(signal.recording, [], wheel=signal.wheel)
            seconds += length
            if seen.events:
                kinds = Counter(kind for event in seen.events for kind in event.kinds)
                report.say(f"{name}: {signal.wheel.name} at {rpm:.0f} rpm: {dict(kinds)}")
            for _ in range(sets):
                marks = [Mark(mark.tick // QUICK, mark.place) for mark in course(rng).as_marks()]
                judged = judge([replace(seen, stretches=stretches(marks, seen.until_tick))])
                confirmed += any(place.stands == "confirmed" for place in judged.places)
            events += len(seen.events)
            interference += len(seen.noise)
        many = sets * (recordings if not faults else max(recordings // 4, 1))
        report.want(f"{name}: no place confirmed ({sets} sets of marks a recording)", many - confirmed, many, 1.0)
        report.say(f"{name}: {events} events, {interference} named interference, in {seconds:.0f} s of signal")


# conductors


def conductors(report: Report, rng: np.random.Generator, short: bool) -> None:
    many = 100 if short else 1000
    wrong: Counter[tuple[str, str]] = Counter()
    for _ in range(many):
        at, lasts = float(rng.uniform(20, 30)), float(durations(1, rng, 20e-6, 0.05)[0])
        what = str(rng.choice(["feed", "feed alone", "signal open", "signal short", "both"]))
        rest = 1 if what in ("signal short", "feed alone") else 0
        lag = float(rng.uniform(0, min(30e-6, lasts / 2)))  # the sensor goes on for a moment without its feed
        back = float(rng.uniform(0, 2e-3))  # and takes a moment to start again
        late = float(rng.uniform(0, 20e-6))  # the feed's own filter
        pulses = {
            "feed": {"feed": [(at + late, lasts)], "crank": [(at + lag, lasts - lag + back)]},
            "feed alone": {"feed": [(at + late, lasts)]},
            "signal open": {"crank": [(at, lasts)]},
            "signal short": {"crank": [(at, lasts)]},
            "both": {"crank": [(at, lasts)], "feed": [(at + float(rng.uniform(100e-6, 5e-3)), lasts)]},
        }[what]
        seen = look(resting(60.0, pulses, {"crank": rest, "feed": 1}), [])
        events = list(seen.events)
        told = "/".join(event.conductor(CLOCK) for event in events)
        held = {e.longest.level for e in events if what.startswith("signal")}
        good = told == what.split()[0] and (not held or held == {1 - rest})
        wrong[what, "right" if good else told] += 1
    right = sum(n for (_, told), n in wrong.items() if told == "right")
    report.want("at rest, all kinds together", right, many, CONDUCTOR_WANTED)
    for what in sorted({what for what, _ in wrong}):
        report.say(f"{what}: {', '.join(f'{told} {n}' for (w, told), n in sorted(wrong.items()) if w == what)}")
    right = many = 0
    for _ in range(2 if short else 60):
        rpm = float(rng.uniform(700, 3000))
        spans = [(float(t), float(t + d)) for t, d in zip(np.arange(4.0, 28.0, 0.4), durations(60, rng, 1e-3, 0.05),
                                                           strict=True)]  # fmt: skip
        feeds = rng.random(len(spans)) < 0.5
        faults = (
            FeedSag(tuple(s for s, f in zip(spans, feeds, strict=True) if f)),
            HeldFault(tuple(s for s, f in zip(spans, feeds, strict=True) if not f)),
        )
        signal = idling(29.0, rpm, faults, rng)
        seen = look(signal.recording, [], wheel=signal.wheel)
        for (a, b), feed in zip(spans, feeds.tolist(), strict=True):
            found = [
                e for e in seen.events if e.tick <= CLOCK.ticks(b) + 62500 and e.end_tick >= CLOCK.ticks(a) - 62500
            ]
            if found:
                many += 1
                right += {e.conductor(CLOCK) for e in found} == {"feed" if feed else "signal"}
    report.want("turning: a feed that takes the signal with it, or the signal alone", right, many, CONDUCTOR_WANTED)


# interruptions


def at_rest(report: Report, rng: np.random.Generator, short: bool) -> None:
    found = exact = many = 0
    for level in (0, 1):
        for mode in ("rest", "continuity"):
            if mode == "continuity" and level:
                continue
            n = 100 if short else 1000
            lasts = durations(n, rng, 200e-9, 1.0)
            at = 12.0 + np.cumsum(rng.uniform(0.05, 0.2, n) + np.concatenate([[0.0], lasts[:-1]]))
            recording = resting(float(at[-1]) + 20.0, {"crank": list(zip(at.tolist(), lasts.tolist(), strict=True))},
                                {"crank": level})  # fmt: skip
            events = list(look(recording, [], mode=mode).events)
            starts = np.array([e.tick for e in events])
            for t, d in zip(at.tolist(), lasts.tolist(), strict=True):
                many += 1
                near = np.flatnonzero(np.abs(starts - CLOCK.ticks(t)) <= 2)
                if len(near):
                    found += 1
                    exact += abs(events[near[0]].longest.longest - round(d / 16e-9)) <= 2
    report.want("at rest and in continuity, 200 ns to 1 s: found", found, many, 1.0)
    report.want("at rest and in continuity: duration within 2 ticks", exact, many, 1.0)


LOST, BEYOND = "edges lost or added", "moved, beyond"


def turning(report: Report, rng: np.random.Generator, short: bool) -> None:
    kinds: Counter[str] = Counter()
    hits: Counter[str] = Counter()
    false = 0
    for _ in range(2 if short else 120):
        rpm = float(rng.uniform(700, 3000))
        at = np.arange(5.0, 29.0, 0.21) + rng.uniform(0, 0.05, len(np.arange(5.0, 29.0, 0.21)))
        lasts = durations(len(at), rng, 100e-6, 10e-3)
        level = int(rng.integers(2))
        spans = tuple(zip(at.tolist(), (at + lasts).tolist(), strict=True))
        signal = idling(30.0, rpm, (HeldFault(spans, level),), rng)
        seen = look(signal.recording, [], wheel=signal.wheel)
        clean = signal.made.truth.clean["crank"]
        claimed = set()
        for a, b in spans:
            kind, shift_deg = what_it_did(clean, a, b, level, rpm)
            if kind == "moved":
                limit = seen.limit_deg
                kind += f", {'no limit known' if limit is None else 'beyond' if shift_deg > limit else 'within'}"
            kinds[kind] += 1
            reach = CLOCK.ticks(60 / rpm / signal.wheel.slots)
            near = [
                i
                for i, e in enumerate(seen.events)
                if e.tick <= CLOCK.ticks(b) + reach and e.end_tick >= CLOCK.ticks(a) - reach
            ]
            claimed.update(near)
            hits[kind] += bool(near)
        false += len(seen.events) - len(claimed)
    report.want("turning, >= 100 µs, edges lost or added", hits[LOST], kinds[LOST], TURNING_WANTED)
    report.want(
        "turning, >= 100 µs, one edge moved, beyond the stated limit", hits[BEYOND], kinds[BEYOND], TURNING_WANTED
    )
    touched = sum(n for kind, n in kinds.items() if kind != "no edge")
    found = sum(n for kind, n in hits.items() if kind != "no edge")
    report.want("turning, >= 100 µs, touching an edge, all together", found, touched, TURNING_WANTED)
    for kind in ("moved, within", "moved, no limit known"):
        report.say(f"{kind}: {hits[kind]} of {kinds[kind]} found")
    report.say(f"no edge touched, impossible to see: {kinds['no edge']}; events that no interruption made: {false}")


def what_it_did(clean, a: float, b: float, level: int, rpm: float):  # type: ignore[no-untyped-def]
    """What holding a line from a to b does to its edges: no edge, edges lost or added, or one edge moved by so much."""
    inside = (clean.t_s >= a) & (clean.t_s < b)
    before = int(clean.before(np.array([a]))[0])
    n = int(inside.sum())
    if n == 0:
        return ("no edge", 0.0) if before == level else ("edges lost or added", 0.0)
    if n == 1:
        edge = float(clean.t_s[inside][0])
        to = a if before != level else b  # the held level comes early, or the other one late
        return "moved", abs(to - edge) * rpm * 6
    return "edges lost or added", 0.0


PARTS = {"places": places, "healthy": healthy_harness, "conductors": conductors, "rest": at_rest, "turning": turning}


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--short", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=PARTS)
    args = parser.parse_args()
    print(f"seed {args.seed}; human delay ±{rules.HUMAN_S} s")
    report = Report()
    for number, (name, part) in enumerate(PARTS.items()):
        if args.only in (None, name):
            began = time.perf_counter()
            print(name)
            part(report, np.random.default_rng([args.seed, number]), args.short)
            print(f"  ({time.perf_counter() - began:.0f} s)")
    return int(bool(report.failures))


if __name__ == "__main__":
    sys.exit(main())
