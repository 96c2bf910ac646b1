"""Made recordings for the campaign: healthy ones of every sort, and ones with faults at known places.

A case is a pure function of its spec, so any line of a failing run can be repeated alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from toothwise.model import drive
from toothwise.model.drive import Drive, Phase
from toothwise.model.engine import Engine, healthy
from toothwise.model.faults import ExtraPulses, FaultMaker, Pulse, TeethGone
from toothwise.model.made import Made, Scenario, make
from toothwise.model.motion import Motion
from toothwise.model.profiles import Swing, ramp, steady
from toothwise.model.recorder import Capture, Interrupts
from toothwise.model.sensor import Coil, Comparator, Hall
from toothwise.model.wheel import MadeWheel, machined
from toothwise.wheel import catalogue
from toothwise.wheel.pattern import Wheel

CAMS = ("4+1", "3+1", "half-moon", "quarter-moon", "2-long-2-short")
"""Wheels that sit on the camshaft and turn at half the engine's speed."""

BANDS = {"cranking": (60.0, 300.0), "idle": (600.0, 900.0), "mid": (900.0, 3000.0), "high": (3000.0, 9000.0)}
"""Engine speeds in revolutions a minute."""

HEALTHY = ("steady", "swing", "walk", "cranking", "engine idle", "engine cruise", "0-6000 ramp", "0-6000 engine",
           "stop and restart")  # fmt: skip
STRESS = ("rocking back", "93 % swing")
"""Healthy signals beyond what the tool promises: counted apart."""

TURNS = 60
"""Crank revolutions of a case at constant speed; others have what their course takes."""


@dataclass(frozen=True, slots=True)
class Spec:
    """One case: `part` is "healthy" or "faults"; `kind` is one of HEALTHY or STRESS, or a band's name."""

    part: str
    wheel: str
    kind: str
    seed: int
    number: int

    def rng(self) -> np.random.Generator:
        words = [self.seed, self.number, *f"{self.part}/{self.wheel}/{self.kind}".encode()]
        return np.random.default_rng(words)


@dataclass(frozen=True, eq=False)
class Case:
    """A made recording with what a tracker may be told. stops: how often the shaft came to rest after turning."""

    spec: Spec
    wheel: Wheel
    made: Made
    stops: int = 0


def family(name: str) -> str:
    """The row of the table that a wheel belongs to."""
    if name in CAMS:
        return "cam"
    if "-" in name and name[0].isdigit() and name.count("-") == 1:
        return "N-M, many teeth" if int(name.split("-")[0]) >= 24 else "N-M, few teeth"
    if name.isdigit():
        return "plain N"
    return "N+1" if "+" in name else name


def made_wheel(wheel: Wheel, rng: np.random.Generator) -> MadeWheel:
    """Tooth errors up to 0.3° and runout up to 0.5°, of any smaller size too, and any usual duty."""
    made = machined(
        wheel, rng, error_deg=rng.uniform(0, 0.3), runout_deg=rng.uniform(0, 0.5), duty=rng.uniform(0.4, 0.6),
        even=bool(rng.random() < 0.5),
    )  # fmt: skip
    if wheel.widths_deg is None and wheel.name == "24-wide-narrow":
        made = replace(made, width_deg=tuple(rng.choice([3.0, 12.0], wheel.teeth).tolist()))
    return made


def sensor(wheel: Wheel, rng: np.random.Generator) -> Hall | Coil:
    """Either sensor, either level, where the wheel suits it. A coil wants an even pitch: close pairs melt into one wave
    and bend their neighbours by more than the tooth errors that are promised."""
    level = int(rng.integers(2))
    even = bool(wheel.gaps) or wheel.symmetry == 1
    coil = even and wheel.slots >= 12 and wheel.widths_deg is None and not wheel.widths_carry_code
    if coil and rng.random() < 0.4:
        return Coil(volts=1.0, gap_mm=rng.uniform(0.7, 1.4), falls_to=level, comparator=Comparator(high_v=0.02))
    return Hall(active=level, jitter_deg=rng.choice([0.0, 0.01, 0.03]))


def recorder(rng: np.random.Generator) -> Capture | Interrupts:
    return (Capture(16.0), Capture(1000.0), Interrupts())[int(rng.choice(3, p=(0.5, 0.3, 0.2)))]


def swings(depth: float, rng: np.random.Generator) -> tuple[Swing, ...]:
    """At the firing order of 3 to 8 cylinders, with some at the cycle's order, together no deeper than `depth`."""
    main = float(rng.uniform(0.6, 1.0))
    order = float(rng.integers(3, 9)) / 2
    return (
        Swing(order, depth * main, rng.uniform(0, 360)),
        Swing(float(rng.choice([0.5, 1.0])), depth * (1 - main), rng.uniform(0, 360)),
    )


def depth_at(rpm: float) -> float:
    """The largest swing of a healthy engine at a speed: ±35 % when cranking, less and less above."""
    return float(np.interp(np.log(rpm), np.log([40, 300, 700, 2000, 9000]), [0.35, 0.35, 0.08, 0.03, 0.01]))


def course(kind: str, rng: np.random.Generator) -> tuple[Drive | Motion, int]:
    """A crank's motion of one kind, and how often it comes to rest after turning."""
    start = float(rng.uniform(0, 720))
    engine = healthy(int(rng.integers(3, 9)))
    if rng.random() < 0.5:
        engine = replace(engine, strength=tuple(rng.uniform(0.7, 1.0, engine.cylinders).tolist()))
    if kind in ("steady", "swing", "walk"):
        rpm = float(np.exp(rng.uniform(np.log(40), np.log(300 if kind == "swing" else 9000))))
        depth = 0.0 if kind == "steady" else depth_at(rpm) * rng.uniform(0.5, 1.0)
        walk = 0.02 if kind == "walk" else 0.0
        return steady(rpm, TURNS, start_deg=start, swings=swings(depth, rng), walk=walk, rng=rng), 0
    if kind == "cranking":
        return _cranking(engine, start, rng), 0
    if kind == "engine idle":
        return drive.run(engine, drive.idle(5.0, rng.uniform(600, 900)), rng, start_deg=start), 0
    if kind == "engine cruise":
        return drive.run(engine, [Phase("fire", 2.0, rng.uniform(900, 7000))], rng, start_deg=start), 0
    if kind == "0-6000 ramp":
        return ramp(0.0, 6000.0, 1.5, start_deg=start, swings=swings(0.03, rng)), 0
    if kind == "0-6000 engine":
        phases = [
            Phase("rest", 0.3),
            Phase("crank", 0.4, 220),
            Phase("fire", 1.5, 6000),
            Phase("fire", 0.3, 6000),
        ]
        return drive.run(engine, phases, rng, start_deg=start), 0
    if kind in ("stop and restart", "rocking back"):
        once = [*drive.start(idle_s=rng.uniform(1, 2)), *drive.stop(rock=kind == "rocking back")]
        return drive.run(engine, once + once, rng, start_deg=start), 2
    if kind == "93 % swing":
        return steady(150.0, 15, start_deg=start, swings=(Swing(4.0, 0.465, rng.uniform(0, 360)),)), 0
    raise ValueError(f"no such kind of healthy case: {kind}")


def _cranking(engine: Engine, start: float, rng: np.random.Generator) -> Drive:
    """The starter turns an engine whose swing stays within ±35 % of its mean."""
    engine = replace(engine, compression=tuple(rng.uniform(0.85, 1.0, engine.cylinders).tolist()), strength=())
    while True:
        phases = [Phase("rest", 0.3), Phase("crank", 12.0, rng.uniform(100, 300))]
        run = drive.run(engine, phases, rng, start_deg=start)
        speed = run.motion.speed_at(np.linspace(1.0, run.motion.end_s, 4000))
        if np.ptp(speed) / 2 <= 0.35 * speed.mean():
            return run
        engine = replace(engine, starter_inertia=engine.starter_inertia * 1.2)


def healthy_case(spec: Spec) -> Case:
    rng = spec.rng()
    wheel = catalogue.wheel(spec.wheel)
    way, stops = course(spec.kind, rng)
    return Case(spec, wheel, make(_scenario(wheel, way, (), rng), rng), stops)


def _scenario(wheel: Wheel, way: Drive | Motion, faults: tuple[FaultMaker, ...], rng: np.random.Generator) -> Scenario:
    way = _on_its_shaft(wheel, way)
    return Scenario(made_wheel(wheel, rng), way, sensor(wheel, rng), faults, recorder=recorder(rng),
                    clock_start_s=float(rng.choice([0.0, 12.5])))  # fmt: skip


def _on_its_shaft(wheel: Wheel, way: Drive | Motion) -> Drive | Motion:
    if wheel.name not in CAMS:
        return way
    if isinstance(way, Drive):
        return replace(way, motion=way.motion.geared(0.5))
    return way.geared(0.5)


# faults at known places

KINDS = ("one tooth", "few teeth", "most of a turn", "beyond a turn", "beside the gap", "extra pulse", "extra burst",
         "extra in the gap")  # fmt: skip


def faults_case(spec: Spec) -> Case:
    """A fault every few revolutions, of any kind the wheel allows, in one band of speed."""
    rng = spec.rng()
    wheel = catalogue.wheel(spec.wheel)
    rpm = float(rng.uniform(*BANDS[spec.kind]))
    turns = 160 if wheel.name in CAMS else 80
    if spec.kind == "idle" and rng.random() < 0.5:
        seconds = turns * 60.0 / rpm
        way: Drive | Motion = drive.run(healthy(int(rng.integers(3, 9))), drive.idle(seconds, rpm), rng)
    else:
        depth = depth_at(rpm) * rng.uniform(0.3, 1.0)
        way = steady(rpm, turns, start_deg=rng.uniform(0, 720), swings=swings(depth, rng), walk=0.01, rng=rng)
    plain = _scenario(wheel, way, (), rng)
    clean = make(plain, rng)
    gone, held, pulses = _places(wheel, clean, plain.recorder.tick_ns * 1e-9, rng)
    faults = (TeethGone(tuple(gone)), TeethGone(tuple(held), active=True), ExtraPulses(tuple(pulses)))
    return Case(spec, wheel, make(replace(plain, faults=faults), rng))


def _places(wheel: Wheel, clean: Made, tick_s: float, rng: np.random.Generator
            ) -> tuple[list[tuple[int, int, int]], list[tuple[int, int, int]], list[Pulse]]:  # fmt: skip
    """Where faults go: at least two whole turns of good signal between them."""
    teeth = clean.truth.teeth["crank"]
    last = int(teeth.revolution[-1])
    gone: list[tuple[int, int, int]] = []
    held: list[tuple[int, int, int]] = []
    pulses: list[Pulse] = []
    turn = 3
    while turn < last - 8:
        kind = str(rng.choice(KINDS))
        count = _count(kind, wheel, rng)
        if kind.startswith("extra"):
            pulse = _pulse(kind, wheel, clean, turn, tick_s, rng)
            pulses += [pulse] if pulse else []
        elif count:
            tooth = (
                int(rng.choice([1, wheel.teeth])) if kind == "beside the gap" else int(rng.integers(wheel.teeth)) + 1
            )
            (gone if rng.random() < 0.6 else held).append((turn, tooth, count))
        turn += 3 + int(np.ceil(count / wheel.teeth)) + int(rng.integers(2))
    return gone, held, pulses


def _count(kind: str, wheel: Wheel, rng: np.random.Generator) -> int:
    """How many teeth a fault of a kind takes; 0 where the wheel has too few for it."""
    n = wheel.teeth
    if kind in ("one tooth", "beside the gap"):
        return 1 if n > 1 else 0
    if kind == "few teeth":
        return int(rng.integers(2, min(6, n // 2 + 1))) if n >= 4 else 0
    if kind == "most of a turn":
        return int(rng.integers(n // 2, n - 1)) if n >= 4 else 0
    if kind == "beyond a turn":
        return int(rng.integers(n + n // 4 + 1, 4 * n + 1))
    return 0


def _pulse(kind: str, wheel: Wheel, clean: Made, turn: int, tick_s: float, rng: np.random.Generator) -> Pulse | None:
    """A cluster that fits between two of the line's own changes with room on both sides."""
    longest = int(np.argmax(wheel.steps_deg)) + 1
    gap = wheel.gaps or wheel.steps_deg.max() > 1.5 * wheel.steps_deg.min()
    if kind == "extra in the gap" and not gap:
        return None
    tooth = longest if kind == "extra in the gap" else int(rng.integers(wheel.teeth)) + 1
    teeth, line = clean.truth.teeth["crank"], clean.truth.clean["crank"]
    i = int(np.flatnonzero((teeth.revolution == turn) & (teeth.tooth == tooth))[0])
    begin, end = float(teeth.t_s[i]), float(teeth.t_s[i + 1])
    step = end - begin
    inside = line.t_s[(line.t_s > begin + 0.01 * step) & (line.t_s < end - 0.01 * step)]
    walls = [begin, *inside.tolist(), end]
    k = int(rng.integers(len(walls) - 1)) if kind != "extra in the gap" else len(walls) - 2
    low, high = walls[k] + 0.06 * step, walls[k + 1] - 0.06 * step
    n = int(rng.integers(2, 8)) if kind == "extra burst" else 1
    least = max(3 * tick_s, 40e-6 if tick_s > 1e-7 else 0.0)
    most = (high - low) / (2 * n)
    if most <= least:
        return None
    width = float(np.exp(rng.uniform(np.log(least), np.log(most))))
    room = high - low - 2 * n * width
    at = low + rng.uniform(0, room)
    return Pulse(turn, tooth, (at - begin) / step, width, n, 2 * width)


def build(spec: Spec) -> Case:
    return healthy_case(spec) if spec.part == "healthy" else faults_case(spec)
