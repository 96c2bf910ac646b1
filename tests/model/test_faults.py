"""Lines and faults: what is done to the wire is what the truth says was done."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.model import drive
from toothwise.model.engine import healthy
from toothwise.model.faults import (
    Alternator,
    Bursts,
    Chatter,
    ExtraPulses,
    FaultMaker,
    FeedSag,
    Held,
    Ignition,
    Pulse,
    StarterNoise,
    TeethGone,
    contact_durations,
)
from toothwise.model.line import Line, disjoint
from toothwise.model.made import Cam, Made, Scenario, make
from toothwise.model.profiles import steady
from toothwise.model.recorder import Capture, Interrupts
from toothwise.model.sensor import Coil, Hall
from toothwise.model.wheel import MadeWheel, machined
from toothwise.wheel import catalogue


def rng() -> np.random.Generator:
    return np.random.default_rng(23)


def made(*faults: FaultMaker, sensor: Hall | Coil | None = None, name: str = "60-2", rpm: float = 800.0) -> Made:
    scenario = Scenario(
        machined(catalogue.wheel(name), rng()), steady(rpm, 20, start_deg=5.0), sensor or Hall(), faults
    )
    return make(scenario, rng())


def level_at(line: Line, t: np.ndarray) -> np.ndarray:
    padded = np.concatenate(([line.first], line.levels))
    return np.asarray(padded[np.searchsorted(line.t_s, t, side="right")])


LINES = st.lists(st.floats(0.0, 10.0), max_size=20, unique=True).map(
    lambda t: Line(np.sort(np.array(t, float)), (np.arange(len(t)) & 1).astype(np.uint8), 1)
)
SPANS = st.lists(st.tuples(st.floats(0.0, 10.0), st.floats(0.001, 2.0)), max_size=8)


@settings(max_examples=150, deadline=None)
@given(LINES, SPANS, st.integers(0, 1))
def test_a_forced_line_is_at_the_level_inside_and_as_it_was_outside(
    line: Line, spans: list[tuple[float, float]], level: int
) -> None:
    starts, ends = disjoint(np.array([a for a, _ in spans]), np.array([a + w for a, w in spans]))
    forced = line.forced(starts, ends, level)
    t = np.random.default_rng(0).uniform(-0.5, 13.0, 400)
    inside = np.zeros(len(t), bool)
    for a, b in zip(starts, ends, strict=True):
        inside |= (t >= a) & (t < b)
    assert np.array_equal(level_at(forced, t), np.where(inside, level, level_at(line, t)))
    assert np.all(np.diff(forced.t_s) >= 0)


@settings(max_examples=100, deadline=None)
@given(LINES, SPANS)
def test_a_flipped_line_gains_two_changes_a_pulse(line: Line, spans: list[tuple[float, float]]) -> None:
    starts, ends = disjoint(np.array([a for a, _ in spans]), np.array([a + w for a, w in spans]))
    flipped = line.flipped(starts, ends)
    assert len(flipped) == len(line) + 2 * len(starts)
    t = np.random.default_rng(0).uniform(-0.5, 13.0, 400)
    inside = np.zeros(len(t), int)
    for a, b in zip(starts, ends, strict=True):
        inside ^= ((t >= a) & (t < b)).astype(int)
    assert np.array_equal(level_at(flipped, t), level_at(line, t) ^ inside)


@settings(max_examples=100, deadline=None)
@given(SPANS)
def test_disjoint_spans_cover_the_same_time(spans: list[tuple[float, float]]) -> None:
    starts, ends = disjoint(np.array([a for a, _ in spans]), np.array([a + w for a, w in spans]))
    assert np.all(starts[1:] > ends[:-1])
    t = np.random.default_rng(0).uniform(-0.5, 13.0, 300)
    before = np.array([any(a <= x < a + w for a, w in spans) for x in t])
    after = np.array([any(a <= x < b for a, b in zip(starts, ends, strict=True)) for x in t])
    assert np.array_equal(before, after)


@pytest.mark.parametrize("sensor", [Hall(active=0), Hall(active=1), Coil(), Coil(falls_to=1)])
@pytest.mark.parametrize("active", [False, True])
def test_teeth_gone_leave_no_edge_and_nothing_else_changes(sensor: Hall | Coil, active: bool) -> None:
    result = made(TeethGone(((4, 17, 1), (6, 57, 4), (9, 58, 1), (11, 1, 2)), active=active), sensor=sensor)
    clean = made(sensor=sensor)
    assert [(f.kind, f.revolution, f.tooth, f.count) for f in result.truth.faults] == [
        ("missing", 4, 17, 1), ("missing", 6, 57, 4), ("missing", 9, 58, 1), ("missing", 11, 1, 2),
    ]  # fmt: skip
    before, after = clean.recording.edges["crank"], result.recording.edges["crank"]
    gone = np.setdiff1d(before.ticks, after.ticks)
    assert len(gone) == 2 * 8 and len(after) == len(before) - 16
    assert np.all(np.diff(after.levels.astype(int)) != 0)
    level = sensor.active if isinstance(sensor, Hall) else sensor.falls_to
    held = level if active else 1 - level
    assert all(f.level == held for f in result.truth.faults)
    middle = result.truth.faults[1]
    edges = np.searchsorted(after.ticks * 16e-9, middle.t_s)
    assert after.levels[edges - 1] == held


def test_a_dropout_of_a_turn_is_missing_and_silent() -> None:
    result = made(TeethGone(((4, 17, 90), (9, 1, 57))))
    assert [(f.kind, f.count) for f in result.truth.faults] == [("missing", 90), ("silent", 90), ("missing", 57)]


def test_extra_pulses_count_their_level_changes() -> None:
    pulses = (Pulse(4, 17, 0.3, 20e-6), Pulse(5, 58, 0.7, 5e-6, 4, 12e-6))
    result, clean = made(ExtraPulses(pulses)), made()
    assert [(f.kind, f.revolution, f.tooth, f.count) for f in result.truth.faults] == [
        ("extra", 4, 17, 2), ("extra", 5, 58, 8),
    ]  # fmt: skip
    assert len(result.recording.edges["crank"]) == len(clean.recording.edges["crank"]) + 10


def balance(result: Made, clean: Made, active: int) -> tuple[int, int]:
    """Timing edges gained over the clean signal, and what the truth's faults add up to."""
    count = [int(np.sum(m.recording.edges["crank"].levels == active)) for m in (result, clean)]
    faults = result.truth.faults
    told = sum(f.count // 2 for f in faults if f.kind == "extra") - sum(f.count for f in faults if f.kind == "missing")
    return count[0] - count[1], told


@pytest.mark.parametrize("level", [0, 1])
@pytest.mark.parametrize("active", [0, 1])
@pytest.mark.parametrize("seed", range(4))
def test_every_timing_edge_of_a_chattering_line_is_accounted_for(seed: int, active: int, level: int) -> None:
    sensor = Hall(active=active)
    scenario = Scenario(
        machined(catalogue.wheel("36-2"), rng()), steady(900, 60), sensor,
        (Chatter(((0.3, 3.5),), per_s=12.0, level=level),), recorder=Capture(0.01),
    )  # fmt: skip
    result = make(scenario, np.random.default_rng(seed))
    clean = make(replace(scenario, faults=()), np.random.default_rng(seed))
    gained, told = balance(result, clean, active)
    assert gained == told
    kinds = {f.kind for f in result.truth.faults}
    assert {"extra", "missing"} <= kinds
    for fault in result.truth.faults:
        assert fault.kind != "shifted" or fault.shift != 0.0


def test_an_open_line_goes_where_the_pull_up_takes_it() -> None:
    result = made(Held(((0.5, 0.7),), level=1, cause="open"))
    edges = result.recording.edges["crank"]
    t = edges.ticks * 16e-9
    assert not np.any((t > 0.501) & (t < 0.699))
    assert edges.levels[np.searchsorted(t, 0.6) - 1] == 1
    (missing,) = (f for f in result.truth.faults if f.kind == "missing")
    assert missing.conductor == "signal" and missing.cause == "open"
    assert any(f.kind == "silent" for f in result.truth.faults)


def test_a_sagging_feed_takes_the_signal_and_shows_on_its_own_channel() -> None:
    result = made(FeedSag(((0.5, 0.52),)))
    feed = result.recording.edges["feed"]
    assert feed.levels.tolist() == [0, 1]
    assert feed.ticks * 16e-9 == pytest.approx([0.5, 0.52], abs=1e-6)
    assert {f.kind for f in result.truth.faults} >= {"feed_low", "missing"}


def test_contacts_open_for_all_the_classes_of_time() -> None:
    spans = contact_durations(5000, rng())
    for low, high in ((1e-6, 1e-5), (1e-5, 1e-4), (1e-4, 1e-3), (1e-3, 1e-2), (1e-2, 1.0)):
        assert np.mean((spans >= low) & (spans < high)) > 0.02


def test_ignition_pulses_keep_to_the_firings_and_their_advance() -> None:
    run = drive.run(healthy(4, advance_deg=25.0), drive.idle(3.0), rng(), start_deg=5.0)
    scenario = Scenario(MadeWheel(catalogue.wheel("60-2")), run, Hall(), (Ignition(chance=1.0, pulses=1),))
    result = make(scenario, rng())
    extra = [f for f in result.truth.faults if f.kind == "extra"]
    assert len(extra) == pytest.approx(len(run.firings), abs=1)
    angle = run.motion.angle_at(np.array([f.t_s for f in extra]))
    off = (angle - 84.0 + 25.0 + 90.0) % 180.0 - 90.0
    assert np.abs(off).max() < 3.0


def test_alternator_pulses_keep_to_their_order() -> None:
    result = made(Alternator(order=15.8, chance=0.5))
    t = np.array([f.t_s for f in result.truth.faults])
    angle = result.truth.drive.motion.angle_at(t)
    step = 360.0 / 15.8
    assert np.abs((angle + step / 2) % step - step / 2).max() < 0.01


def test_starter_noise_keeps_to_the_starter() -> None:
    run = drive.run(healthy(4), drive.start(), rng())
    result = make(Scenario(MadeWheel(catalogue.wheel("36-1")), run, Hall(), (StarterNoise(40.0),)), rng())
    (begin, end), t = run.starter[0], np.array([f.t_s for f in result.truth.faults])
    assert len(t) > 20 and begin <= t.min() and t.max() <= end


def test_bursts_are_one_cluster_of_many_changes() -> None:
    result = made(Bursts((0.5,), pulses=15, hz=2e6))
    (fault,) = result.truth.faults
    assert fault.count == 30
    edges = result.recording.edges["crank"].ticks
    assert np.sum((edges * 16e-9 >= 0.4999) & (edges * 16e-9 < 0.50001)) >= 30


def test_capture_loses_only_what_fits_in_a_tick() -> None:
    line = Line(np.array([1e-3, 2e-3, 2e-3 + 3e-9, 3e-3]), np.array([1, 0, 1, 0], np.uint8), 0)
    edges = Capture(16.0).record(line, rng())
    assert edges.levels.tolist() == [1, 0]
    assert Capture(1.0).record(line, rng()).levels.tolist() == [1, 0, 1, 0]


def test_interrupts_lose_edges_in_a_crowd_and_show_it() -> None:
    t = np.array([1e-3, 5e-3, 5.002e-3, 5.010e-3, 5.030e-3, 9e-3])
    line = Line(t, np.array([1, 0, 1, 0, 1, 0], np.uint8), 0)
    board = Interrupts(late_s=4.5e-6, shake_s=0.0, busy_s=25e-6)
    edges = board.record(line, rng())
    # 5.000 is read at 5.004, when the pulse at 5.002 has come and gone by: the pin is already high again.
    # What came while the handler was busy is one run at 5.033.
    assert edges.ticks.tolist() == [1004, 5004, 5033, 9004]
    assert edges.levels.tolist() == [1, 1, 1, 0]
    assert np.any(np.diff(edges.levels.astype(int)) == 0)


@pytest.mark.parametrize("seed", range(3))
def test_interrupts_read_the_true_level_when_they_run(seed: int) -> None:
    r = np.random.default_rng(seed)
    t = np.cumsum(r.exponential(40e-6, 400))
    line = Line(t, (np.arange(400) & 1).astype(np.uint8), 1)
    edges = Interrupts(tick_ns=1e-3).record(line, r)
    assert 100 < len(edges) < 400
    assert np.all(np.diff(edges.ticks) >= 25_000_000)
    assert np.array_equal(edges.levels, level_at(line, (edges.ticks + 0.5) * 1e-12))


def test_scattered_edges_all_pass_an_interrupt_board() -> None:
    scenario = Scenario(machined(catalogue.wheel("60-2"), rng()), steady(6000, 30), recorder=Interrupts())
    fast = make(scenario, rng()).recording.edges["crank"]
    exact = make(replace(scenario, recorder=Capture(1000.0)), rng()).recording.edges["crank"]
    assert len(fast) == len(exact)
    assert np.array_equal(fast.levels, exact.levels)
    assert np.all((fast.ticks - exact.ticks >= 3) & (fast.ticks - exact.ticks <= 8))


def test_the_front_door_is_seeded_and_carries_all_channels() -> None:
    run = drive.run(healthy(4), drive.start() + drive.stop(), rng())
    scenario = Scenario(
        machined(catalogue.wheel("60-2"), rng()), run, Coil(volts=1.0), (Chatter(((2.0, 3.0),)),),
        cam=Cam(MadeWheel(catalogue.wheel("4+1")), faults=(TeethGone(((3, 2, 1),)),)), feed=True,
        recorder=Interrupts(), clock_start_s=7.5,
    )  # fmt: skip
    one, two = make(scenario, np.random.default_rng(1)), make(scenario, np.random.default_rng(1))
    assert one.recording.channels == ("crank", "cam", "feed")
    for name in one.recording.channels:
        assert np.array_equal(one.recording.edges[name].ticks, two.recording.edges[name].ticks)
    assert one.truth.faults == two.truth.faults
    assert any(f.channel == "cam" and f.tooth == 2 for f in one.truth.faults)
    assert one.recording.clock.seconds(0) == 7.5
    assert all(e.ticks[-1] < one.recording.until_tick for e in one.recording.edges.values() if len(e))
    other = make(scenario, np.random.default_rng(2))
    assert not np.array_equal(one.recording.edges["crank"].ticks, other.recording.edges["crank"].ticks)


def test_a_broken_tooth_is_missing_every_turn() -> None:
    wheel = MadeWheel(catalogue.wheel("36-1")).without(12)
    result = make(Scenario(wheel, steady(800, 20, start_deg=300.0)), rng())
    assert [(f.kind, f.tooth, f.count, f.conductor) for f in result.truth.faults] == [("missing", 12, 1, "wheel")] * 20
    assert [f.revolution for f in result.truth.faults] == list(range(20))
