"""Cylinders: the weak one is named and its slot is right, a wheel's error is never taken for one, doubt is told."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from toothwise.checks import windows
from toothwise.checks.cylinders import CylinderCheck, compression
from toothwise.edges.signal import Clock
from toothwise.model.drive import Drive, Phase, idle, run
from toothwise.model.engine import Engine, healthy
from toothwise.model.made import Scenario, make
from toothwise.model.profiles import Swing, steady
from toothwise.model.sensor import Hall
from toothwise.model.wheel import MadeWheel
from toothwise.records import Measure
from toothwise.track.teeth import Teeth
from toothwise.wheel.catalogue import wheel

CLOCK = Clock(16.0)


def teeth_of(drive: Drive, made: MadeWheel, seed: int = 1, start_turn: int = 0) -> Teeth:
    """The true teeth as a tracker would hand them on."""
    truth = make(Scenario(made, drive, Hall()), np.random.default_rng(seed)).truth.teeth["crank"]
    seen = truth.seen & ~truth.backwards & (truth.revolution >= 0)
    ticks = np.rint(truth.t_s[seen] / 16e-9).astype(np.int64)
    n = len(ticks)
    return Teeth(ticks, np.full(n, -1), truth.tooth[seen], truth.revolution[seen] + start_turn, np.zeros(n, np.int32))


def worn(name: str = "60-2", error: float = 0.1, seed: int = 5) -> MadeWheel:
    good = wheel(name)
    return MadeWheel(good, error_deg=tuple(np.random.default_rng(seed).normal(0, error, good.teeth)))


def idling(engine: Engine, seconds: float = 30.0, seed: int = 3) -> Drive:
    return run(engine, idle(seconds), np.random.default_rng(seed))


def measured(teeth: Teeth, made: MadeWheel, cylinders: int, **more: object) -> list[Measure]:
    turn = more.pop("cycle_turn", None)
    check = CylinderCheck(made.wheel, CLOCK, cylinders, **more)
    check.cycle_turn = turn
    check.feed("crank", teeth)
    return check.finish()


def named(measures: list[Measure], name: str) -> dict[int, Measure]:
    return {m.about["slot"]: m for m in measures if m.name == name}


def weak(measures: list[Measure]) -> list[Measure]:
    return [m for m in measures if m.about.get("weak")]


def at_angle(measure: Measure, tdc_deg: float, interval: float) -> bool:
    """Whether it speaks of the top dead centre, one turn more or less aside."""
    return abs((measure.about["angle_deg"] - tdc_deg + 180) % 360 - 180) < interval / 4


@pytest.mark.parametrize(
    ("cylinders", "slot", "name"),
    [(4, 0, "60-2"), (4, 2, "36-1"), (6, 1, "60-2"), (6, 5, "36-1"), (3, 1, "60-2"), (5, 3, "60-2")],
)
def test_one_weak_cylinder_is_named(cylinders: int, slot: int, name: str) -> None:
    engine = replace(healthy(cylinders), strength=tuple(0.85 if s == slot else 1.0 for s in range(cylinders)))
    made = worn(name)
    found = weak(measured(teeth_of(idling(engine, 60.0), made), made, cylinders))
    assert len(found) == 1
    assert at_angle(found[0], engine.first_tdc_deg + slot * engine.segment_deg, engine.segment_deg)
    assert found[0].value < -0.07


@pytest.mark.parametrize("cylinders", [3, 4, 5, 6, 8])
def test_a_healthy_engine_on_a_poor_wheel_has_none(cylinders: int) -> None:
    made = worn(error=0.2)
    measures = measured(teeth_of(idling(healthy(cylinders)), made), made, cylinders)
    assert len(named(measures, "cylinder_work")) == cylinders
    assert not weak(measures)
    assert all(m.value - 2 * m.uncertainty < 0.02 for m in named(measures, "misfire_rate").values())


@pytest.mark.parametrize(("cylinders", "first"), [(3, 67.0), (5, 100.0)])
def test_windows_beside_the_gap_of_a_wheel_of_few_teeth_make_no_weak_cylinder(cylinders: int, first: float) -> None:
    """On 12 teeth a window may lie a quarter of a firing off its place, and sees another part of the ripple there."""
    engine = replace(healthy(cylinders), first_tdc_deg=first)
    made = worn("12-1", error=0.05)
    measures = measured(teeth_of(idling(engine), made), made, cylinders)
    assert not weak(measures)
    assert all(abs(m.value) < 4 * m.uncertainty for m in named(measures, "cylinder_work").values())


@pytest.mark.parametrize("cylinders", [2, 3, 4, 5, 6, 8, 12])
@pytest.mark.parametrize("name", ["60-2", "36-1", "36-2", "36-2-2-2"])
def test_wherever_the_first_firing_lies_all_windows_are_in_the_four_turns(name: str, cylinders: int) -> None:
    made = wheel(name)
    angles, interval = np.array(made.angles_deg), 720.0 / cylinders
    for first in np.linspace(0.0, interval, 41)[:-1]:
        at = windows.place(made, angles, cylinders, float(first))
        assert at.start.min() >= 0 and at.end.max() <= 4 * made.teeth
        assert (at.first_deg - first) % interval == pytest.approx(0.0)
        assert at.energies(np.ones((1, 4 * made.teeth))).shape == (1, 2 * cylinders + 1)


def turned(cylinders: int, firings_deg: tuple[float, ...], weak: tuple[int, ...] = (), name: str = "60-2") -> Teeth:
    """Cranking, each cylinder slowing the crank around its own top dead centre; the weak ones half as much."""
    made = wheel(name)
    grid = np.arange(0.0, 720.0, 0.5)
    energy = np.ones(len(grid))
    for slot, place in enumerate(firings_deg):
        off = (grid - place + 360.0) % 720.0 - 360.0
        energy -= (0.15 if slot in weak else 0.3) * np.exp(-((off / (180.0 / cylinders)) ** 2))
    speed = 6.0 * 200.0 * np.sqrt(np.tile(energy, 20))
    time = np.concatenate([[0.0], np.cumsum(0.5 / speed)])
    angles = (np.array(made.angles_deg)[None, :] + 360.0 * np.arange(40)[:, None]).ravel()
    ticks = np.rint(np.interp(angles, 0.5 * np.arange(len(time)), time) / 16e-9).astype(np.int64)
    tooth = np.tile(np.arange(1, made.teeth + 1), 40).astype(np.int32)
    turn = np.repeat(np.arange(40), made.teeth)
    return Teeth(ticks, np.full(len(ticks), -1), tooth, turn, np.zeros(len(ticks), np.int32))


UNEVEN = {
    "V of two at 90 degrees": (2, (20.0, 290.0)),
    "parallel two, cranks half a turn apart": (2, (20.0, 200.0)),
    "V6 at 90 degrees on three crank pins": (6, (5.0, 95.0, 245.0, 335.0, 485.0, 575.0)),
}  # firing angles: the angle between the cylinders and that between the crank pins [D]


@pytest.mark.parametrize("engine", UNEVEN)
def test_an_engine_that_fires_unevenly_has_no_weak_cylinder(engine: str) -> None:
    cylinders, places = UNEVEN[engine]
    teeth = turned(cylinders, places)
    assert measured(teeth, MadeWheel(wheel("60-2")), cylinders) == []


@pytest.mark.parametrize(
    ("cylinders", "weak"), [(2, (1,)), (4, (1,)), (4, (1, 3)), (6, (2,)), (6, (0, 2, 4)), (8, (5,))]
)
def test_weak_cylinders_do_not_make_an_engine_uneven(cylinders: int, weak: tuple[int, ...]) -> None:
    """Not even every other one, as where a gasket leaks between two."""
    places = tuple(10.0 + 720.0 / cylinders * slot for slot in range(cylinders))
    found = named(
        measured(turned(cylinders, places, weak), MadeWheel(wheel("60-2")), cylinders), "relative_compression"
    )
    assert {slot - 1 for slot, m in found.items() if m.value < 90.0} == set(weak)


@pytest.mark.parametrize("seed", range(4))
def test_the_wheel_alone_is_never_a_cylinder(seed: int) -> None:
    """No engine at all: an even swing at the firing order, and every error belongs to the wheel."""
    made = replace(worn(error=0.2, seed=seed), runout=(0.2, 0.15))
    motion = steady(800.0, 300, swings=(Swing(2.0, 0.02, 20.0 * seed),), walk=0.002, rng=np.random.default_rng(seed))
    measures = measured(teeth_of(Drive(motion), made), made, 4)
    assert named(measures, "cylinder_work") and not weak(measures)


def test_what_both_of_a_pair_lack_is_told_only_with_the_wheel_known() -> None:
    """Cylinders one turn apart that lack alike look like the wheel's own error."""
    engine = replace(healthy(4), strength=(0.85, 1.0, 0.85, 1.0))
    made = worn(error=0.1, seed=9)
    teeth = teeth_of(idling(engine, 60.0), made)
    unknown = measured(teeth, made, 4)
    assert not weak(unknown)
    assert not any(m.about["told"] for m in named(unknown, "cylinder_work").values())
    known = measured(teeth, made, 4, tooth_error_deg=made.error_deg)
    assert all(m.about["told"] for m in named(known, "cylinder_work").values())
    tdc = engine.first_tdc_deg
    assert len(weak(known)) == 2 and all(at_angle(m, tdc, 180.0) for m in weak(known))


def test_a_second_speed_learns_the_wheel() -> None:
    """What fades with the square of the speed is the engine's, what stays is the wheel's."""
    engine = replace(healthy(4), strength=(0.8, 1.0, 0.8, 1.0))
    made = worn(error=0.1, seed=9)
    phases = [*idle(40.0), Phase("fire", 4.0, 3000.0), Phase("fire", 30.0, 3000.0)]
    drive = run(engine, phases, np.random.default_rng(3))
    one = named(measured(teeth_of(idling(engine, 40.0), made), made, 4), "cylinder_work")
    two = named(measured(teeth_of(drive, made), made, 4), "cylinder_work")
    assert np.mean([abs(m.value) for m in two.values()]) > np.mean([abs(m.value) for m in one.values()])


def test_a_strong_cylinder_is_not_a_weak_other() -> None:
    engine = replace(healthy(4), strength=(1.15, 1.0, 1.0, 1.0))
    made = worn()
    teeth = teeth_of(idling(engine, 60.0), made)
    assert not weak(measured(teeth, made, 4, tooth_error_deg=made.error_deg))


def test_the_cycle_begins_with_an_even_turn() -> None:
    """Angles are counted from tooth 1 of the even turns of the tracker's count, or of the turn the cam names."""
    engine = replace(healthy(4), strength=(1.0, 0.8, 1.0, 1.0))
    made = worn()
    drive = idling(engine)
    truth = make(Scenario(made, drive, Hall()), np.random.default_rng(1)).truth.teeth["crank"]
    first = int(np.flatnonzero((truth.revolution == 0) & (truth.tooth == 1))[0])
    start = float(drive.motion.angle_at(truth.t_s[first : first + 1])[0])
    due = (engine.first_tdc_deg + engine.segment_deg - round(start / 360.0) * 360.0) % 720.0
    for turn, angle in ((None, due), (0, due), (1, (due + 360.0) % 720.0)):
        found = weak(measured(teeth_of(drive, made), made, 4, cycle_turn=turn))[0]
        assert abs(found.about["angle_deg"] - angle) < 20.0
        assert found.about["slot"] == int(angle // 180.0) + 1


def test_misfires_are_counted_by_slot() -> None:
    engine = replace(healthy(4), misfire=(0.0, 0.12, 0.0, 0.0))
    made = worn()
    drive = idling(engine, 60.0)
    rates = named(measured(teeth_of(drive, made), made, 4), "misfire_rate")
    true = np.mean([f.heat_j == 0 for f in drive.firings if f.slot == 1])
    worst = max(rates.values(), key=lambda m: m.value)
    assert at_angle(worst, engine.first_tdc_deg + 180.0, 180.0)
    assert worst.value == pytest.approx(true, abs=0.04)
    assert all(m.value < 0.02 for m in rates.values() if m is not worst)


def test_a_dead_cylinder_misfires_always() -> None:
    engine = replace(healthy(4), misfire=(0.0, 0.0, 0.0, 1.0))
    made = worn()
    rates = named(measured(teeth_of(idling(engine), made), made, 4), "misfire_rate")
    worst = max(rates.values(), key=lambda m: m.value)
    assert worst.value > 0.9 and at_angle(worst, engine.first_tdc_deg + 540.0, 180.0)


@pytest.mark.parametrize(("cylinders", "slot"), [(4, 1), (6, 4), (8, 2)])
def test_low_compression_while_cranking(cylinders: int, slot: int) -> None:
    kept = tuple(0.7 if s == slot else 1.0 for s in range(cylinders))
    engine = replace(healthy(cylinders), compression=kept)
    made = worn()
    drive = run(engine, [Phase("rest", 0.2), Phase("crank", 8.0, 200.0)], np.random.default_rng(2))
    found = named(measured(teeth_of(drive, made), made, cylinders), "relative_compression")
    low = min(found.values(), key=lambda m: m.value)
    assert at_angle(low, engine.first_tdc_deg + slot * engine.segment_deg, engine.segment_deg)
    assert low.value < 85 and all(m.value > 90 for m in found.values() if m is not low)


def test_even_compression_is_even() -> None:
    made = worn()
    drive = run(healthy(4), [Phase("rest", 0.2), Phase("crank", 8.0, 200.0)], np.random.default_rng(2))
    measures = measured(teeth_of(drive, made), made, 4)
    assert min(m.value for m in named(measures, "relative_compression").values()) > 93
    slowest = next(m for m in measures if m.name == "slowest_angle")
    assert abs((slowest.value - healthy(4).first_tdc_deg + 90) % 180 - 90) < 12


def test_numbers_by_firing_order() -> None:
    """With the cam the cylinder, without it the pair one turn apart."""
    engine = replace(healthy(4), strength=(1.0, 1.0, 0.8, 1.0))
    made = worn()
    teeth = teeth_of(idling(engine), made)
    alone = weak(measured(teeth, made, 4))[0]
    truth = engine.first_tdc_deg + 360.0
    turn = int(abs((alone.about["angle_deg"] - truth + 360) % 720 - 360) > 90)
    known = {"firing_order": (1, 3, 4, 2), "tdc1_deg": engine.first_tdc_deg}
    pair = weak(measured(teeth, made, 4, **known))[0]
    assert pair.about["cylinders"] == [1, 4] and "cylinder" not in pair.about and len(pair.about["pair"]) == 2
    sure = weak(measured(teeth, made, 4, cycle_turn=turn, **known))[0]
    assert sure.about["cylinder"] == 4 and "pair" not in sure.about


def test_however_the_stream_is_cut() -> None:
    made = worn()
    teeth = teeth_of(idling(replace(healthy(4), strength=(0.8, 1, 1, 1)), 15.0), made)
    whole = measured(teeth, made, 4)
    check = CylinderCheck(made.wheel, CLOCK, 4)
    cuts = [0, 1, 7, 60, 1000, 1001, len(teeth)]
    for a, b in pairwise(cuts):
        fields = {f: getattr(teeth, f)[a:b] for f in ("ticks", "back_ticks", "tooth", "revolution", "turning")}
        check.feed("crank", Teeth(**fields))
    assert check.finish() == whole


def test_too_few_teeth_say_nothing() -> None:
    made = worn("3")
    assert measured(teeth_of(idling(healthy(6)), made), made, 6) == []


def test_too_few_cycles_say_nothing() -> None:
    made = worn()
    assert measured(teeth_of(idling(healthy(4), 1.0), made), made, 4) == []


def test_another_channel_is_not_the_crank() -> None:
    made = worn()
    check = CylinderCheck(made.wheel, CLOCK, 4)
    check.feed("cam", teeth_of(idling(healthy(4)), made))
    assert check.finish() == []


@pytest.mark.parametrize(("every_second", "told"), [(1.0, True), (-0.5, True), (-0.8, False)])
def test_a_cylinder_that_would_drive_the_crank_at_its_compression_is_none(every_second: float, told: bool) -> None:
    wheel_60 = wheel("60-2")
    # A dead cylinder's place rises by half its neighbours' dips.
    at = windows.place(wheel_60, np.array(wheel_60.angles_deg), 6, 20.0)
    dips = 0.2 * np.array([1.0, every_second, 1.0, every_second, 1.0, every_second, 1.0])
    energies = np.ones((8, 13))
    energies[:, ::2] -= dips
    energies *= np.random.default_rng(1).normal(1.0, 0.002, energies.shape)
    found = compression(energies, at)
    assert (found is not None) is told
