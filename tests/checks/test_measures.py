"""The smaller measures, each against a signal whose answer is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from toothwise.checks.cam_edges import CamEdges, shift
from toothwise.checks.duty import Duty
from toothwise.checks.full_count import FullCount
from toothwise.checks.jitter import Jitter
from toothwise.checks.measures import Measures
from toothwise.checks.orders import Orders
from toothwise.checks.polarity import Polarity
from toothwise.checks.startup import Startup
from toothwise.checks.stripes import Stripes
from toothwise.edges.signal import Edges
from toothwise.records import Event
from toothwise.track.teeth import Teeth

from tests.checks.spinning import MICRO, Spin, cut, idle, n_minus


@pytest.mark.parametrize("jitter", [0.01, 0.03, 0.1])
@pytest.mark.parametrize("spin", [idle(4, 15), Spin(3000.0, 300, ((2.0, 0.01, 0.0),)), Spin(600, 300, ramp=4.0)])
def test_jitter(spin: Spin, jitter: float) -> None:
    wheel = n_minus(60, 2)
    error = np.random.default_rng(1).uniform(-0.2, 0.2, 58)
    check = Jitter(wheel, MICRO)
    for part in cut(spin.teeth(wheel, error_deg=error, jitter_deg=jitter), 13):
        check.add(part)
    (measure,) = check.measures()
    assert measure.uncertainty is not None
    assert measure.value == pytest.approx(jitter, rel=0.06, abs=3 * measure.uncertainty)


def test_jitter_is_not_moved_by_a_few_displaced_edges() -> None:
    wheel = n_minus(60, 2)
    teeth = idle(4, 15).teeth(wheel, jitter_deg=0.02)
    ticks = teeth.ticks.copy()
    ticks[::500] += 300
    check = Jitter(wheel, MICRO)
    check.add(replace(teeth, ticks=ticks))
    assert check.measures()[0].value == pytest.approx(0.02, rel=0.2)


@pytest.mark.parametrize("share", [0.35, 0.5, 0.62])
def test_duty(share: float) -> None:
    spin = idle(4, 10)
    teeth = spin.teeth(n_minus(60, 2), duty=share)
    ticks = np.stack([teeth.ticks, teeth.back_ticks], axis=1).ravel()
    check = Duty()
    for part in np.array_split(np.arange(len(ticks)), 9):
        check.add(Edges(ticks[part], (1 - part % 2).astype(np.uint8)))
    (measure,) = check.measures()
    assert measure.value == pytest.approx(share, abs=0.005)


def test_duty_knows_all_teeth_however_long() -> None:
    """No two of 32 teeth are as wide: a sample that keeps step with the wheel would see only some of them."""
    share = np.linspace(0.4, 0.6, 32)
    check = Duty()
    for turn in range(0, 8000, 500):
        rise = (turn + np.arange(500)[:, None] + np.arange(32) / 32) * 64_000
        ticks = np.stack([rise, rise + 2000 * share], axis=2).ravel().astype(np.int64)
        check.add(Edges(ticks, np.tile([1, 0], 500 * 32).astype(np.uint8)))
    (measure,) = check.measures()
    # Half of them are within a quarter of the range from the middle one.
    assert measure.about["spread"] == pytest.approx(1.4826 * 0.05, rel=0.05)


def test_lowest_full_count() -> None:
    wheel = n_minus(36, 1)
    teeth = Spin(50.0, 60, ramp=12.0).teeth(wheel)
    check = FullCount(wheel, MICRO)
    for part in cut(teeth, 11):
        check.add(part)
    turn = np.diff(teeth.ticks[::35])[:2].min()
    assert check.measures()[0].value == pytest.approx(60e6 / turn)
    # A tooth absent in each of the first 20 turns: the lowest full count is then faster.
    gone = np.ones(len(teeth), bool)
    gone[7 : 20 * 35 : 35] = False
    left = Teeth(*(a[gone] for a in (teeth.ticks, teeth.back_ticks, teeth.tooth, teeth.revolution, teeth.turning)))
    check = FullCount(wheel, MICRO)
    check.add(left)
    whole = np.diff(teeth.ticks[::35])
    assert check.measures()[0].value == pytest.approx(60e6 / whole[19:22].min(), rel=0.06)
    assert check.measures()[0].value > 60e6 / whole[15]
    # An edge too many counts as well.
    extra = tuple(
        Event("extra", "crank", int(teeth.ticks[35 * k + 3]) + 5, int(teeth.ticks[35 * k + 3]) + 9) for k in range(20)
    )
    check = FullCount(wheel, MICRO)
    check.add(replace(teeth, events=extra))
    assert check.measures()[0].value > 60e6 / whole[15]


def polarity_edges(slots: int, missing: int, spin: Spin, swapped: bool) -> Edges:
    """Rising edges mark teeth; swapped, falling ones mark slot centres and the other edge follows each tooth."""
    turn = np.arange(slots - missing) * 360.0 / slots
    pitch = 360.0 / slots
    if swapped:
        # Centres of the spaces between teeth, the gap being one wide space.
        middle = np.append(turn[:-1] + pitch / 2, turn[-1] + (missing + 1) * pitch / 2)
        mark, other = middle, turn + 0.15 * pitch
    else:
        mark, other = turn, turn + 0.45 * pitch
    angle = np.concatenate([(a[None, :] + 360.0 * np.arange(spin.turns)[:, None]).ravel() for a in (mark, other)])
    levels = np.repeat([0, 1], len(angle) // 2)
    order = np.argsort(angle)
    return spin.edges(angle[order], levels[order])


@pytest.mark.parametrize("wheel", [(60, 2), (36, 1), (36, 2), (24, 1), (12, 1)])
@pytest.mark.parametrize("flip", [False, True])
def test_polarity_even_while_cranking(wheel: tuple[int, int], flip: bool) -> None:
    spin = Spin(180.0, 40, ((2.0, 0.3, 0.4),), 0.1, 2.0, seed=2)
    for swapped in (False, True):
        edges = polarity_edges(*wheel, spin, swapped)
        if flip:
            edges = Edges(edges.ticks, 1 - edges.levels)
        check = Polarity(n_minus(*wheel))
        for part in np.array_split(np.arange(len(edges)), 7):
            check.add(Edges(edges.ticks[part], edges.levels[part]))
        (measure,) = check.measures()
        assert measure.value == (-1.0 if swapped else 1.0)
        if swapped:
            assert measure.about["level"] == (1 if flip else 0)


def faults(kind: str, teeth: list[int]) -> tuple[Event, ...]:
    return tuple(Event(kind, "crank", i, i, i, tooth, 0.0) for i, tooth in enumerate(teeth))


def test_stripes() -> None:
    rng = np.random.default_rng(3)
    check = Stripes(58)
    check.add(faults("missing", [17] * 12 + rng.integers(1, 59, 3).tolist()))
    check.add(faults("extra", rng.permutation(np.arange(1, 59))[:20].tolist()))
    missing, extra = check.measures()
    assert missing.value < 1e-10 and missing.about["tooth"] == 17 and missing.about["kind"] == "missing"
    assert extra.value > 0.05
    lone = Stripes(58)
    lone.add(faults("missing", [4]))
    assert lone.measures() == []


@pytest.mark.parametrize(("order", "source"), [(2.0, "ignition"), (3.0, "ignition"), (16.4, "alternator"), (7.3, "")])
def test_extra_edges_that_keep_to_an_order(order: float, source: str) -> None:
    rng = np.random.default_rng(4)
    at = np.arange(200) / order + 0.1 + rng.normal(0, 0.03 / order, 200)
    at = at[rng.uniform(size=200) < 0.7]
    check = Orders(60)
    check.add(tuple(Event("extra", "crank", i, i, int(a), 1, 360.0 * (a % 1)) for i, a in enumerate(at.tolist())))
    (measure,) = check.measures()
    assert measure.about["keeps"] is True
    assert measure.uncertainty is not None
    assert measure.value == pytest.approx(order, abs=3 * measure.uncertainty + 0.01)
    assert measure.about.get("source", "") == source


@pytest.mark.parametrize(("slots", "every"), [(36, 2), (48, 3), (60, 4)])
def test_contacts_at_even_distances_are_no_alternator(slots: int, every: int) -> None:
    # One in so many slots makes an order where an alternator's is; but the slots' own is kept as well.
    at = np.cumsum(np.random.default_rng(7).integers(1, 12, 80)) * every / slots + 0.002
    sources = []
    for of_the_wheel in (997, slots):
        check = Orders(of_the_wheel)
        check.add(tuple(Event("extra", "crank", i, i, int(a), 1, 360.0 * (a % 1)) for i, a in enumerate(at.tolist())))
        (measure,) = check.measures()
        sources.append(measure.about.get("source"))
    assert sources == ["alternator", None]


def test_extra_edges_that_keep_to_nothing() -> None:
    called = 0
    for seed in range(60):
        count = 10 if seed % 2 else 60
        at = np.sort(np.random.default_rng(seed).uniform(0, count / 1.5, count))
        check = Orders(60)
        check.add(tuple(Event("extra", "crank", i, i, int(a), 1, 360.0 * (a % 1)) for i, a in enumerate(at.tolist())))
        called += bool(check.measures()[0].about["keeps"])
    assert called <= 3


def test_startup() -> None:
    wheel = n_minus(60, 2)
    teeth = Spin(200.0, 10).teeth(wheel)
    revolution = teeth.revolution - 1
    teeth = replace(teeth, revolution=np.maximum(revolution, -1))
    teeth = Teeth(*(a[20:] for a in (teeth.ticks, teeth.back_ticks, teeth.tooth, teeth.revolution, teeth.turning)))
    check = Startup(wheel, MICRO)
    for part in cut(teeth, 5):
        check.add(part)
    found = {m.name: m.value for m in check.measures()}
    assert found["startup_teeth"] == 38
    assert found["startup_s"] == pytest.approx(240 / 360 * 0.3, abs=2e-6)
    assert found["startup_rpm"] == pytest.approx(200, rel=1e-4)


CAM = np.array([40.0, 100.0, 250.0, 300.0, 420.0, 500.0])
LEVELS = np.array([1, 0, 1, 0, 1, 0])


def cam_found(spin: Spin, moved: float = 0.0, wobble: float = 0.0, begin: int = 0, pieces: int = 1) -> CamEdges:
    wheel = n_minus(60, 2)
    angle = (CAM[None, :] + moved + 720.0 * np.arange(spin.turns // 2)[:, None] - 360.0 * begin).ravel()
    angle = angle + wobble * np.random.default_rng(5).normal(size=len(angle))
    use = angle > 0
    edges = spin.edges(angle[use], np.tile(LEVELS, spin.turns // 2)[use])
    check = CamEdges(wheel, MICRO)
    teeth = spin.teeth(wheel)
    cut_at = 0
    for k, part in enumerate(cut(teeth, pieces)):
        low = cut_at
        cut_at = (
            len(edges) if k == pieces - 1 else int(np.searchsorted(edges.ticks, part.ticks[-1] if len(part) else 0))
        )
        check.add_edges(Edges(edges.ticks[low:cut_at], edges.levels[low:cut_at]))
        check.add(part)
    return check


@pytest.mark.parametrize("begin", [0, 1])
def test_cam_edges_in_crank_degrees(begin: int) -> None:
    check = cam_found(idle(4, 10), wobble=0.3, begin=begin, pieces=6)
    measures = check.measures(CAM.tolist())
    found = [m for m in measures if m.name == "cam_edge"]
    assert [m.about["level"] for m in found] == LEVELS.tolist()
    for measure, truth in zip(found, CAM.tolist(), strict=True):
        assert measure.value == pytest.approx(truth, abs=0.2)
        assert measure.about["spread"] == pytest.approx(0.3, rel=0.5)
    assert measures[-1].name == "cam_shift" and abs(measures[-1].value) < 0.2


@pytest.mark.parametrize("moved", [-18.0, -5.0, 2.0, 15.0, 20.0, 43.0])
def test_cam_shift_against_a_reference(moved: float) -> None:
    check = cam_found(idle(4, 10), moved=moved)
    last = check.measures(CAM.tolist())[-1]
    assert last.name == "cam_shift" and last.value == pytest.approx(moved, abs=0.2)
    # Either level's edges alone serve as a reference too, and so does the other turn first.
    for reference in (CAM[LEVELS == 1], CAM[LEVELS == 0], (CAM + 360) % 720):
        assert check.measures(reference.tolist())[-1].value == pytest.approx(moved, abs=0.2)


def test_cam_edges_of_a_long_recording() -> None:
    """Seventeen thousand edges, more than are kept: whole cycles are let go, never single edges of one."""
    check = cam_found(Spin(3000.0, 6000), wobble=0.05, pieces=40)
    found = [measure for measure in check.measures() if measure.name == "cam_edge"]
    assert [m.value for m in found] == pytest.approx(CAM.tolist(), abs=0.2)
    assert [m.about["level"] for m in found] == LEVELS.tolist()


def test_another_cam_is_no_shift() -> None:
    middle = np.array([10.0, 100.0, 190.0, 400.0])
    assert shift(middle, np.array([1, 0, 1, 0]), np.array([0.0, 150.0, 300.0, 500.0])) is None
    assert shift(middle, np.array([1, 0, 1, 0]), np.array([0.0, 150.0, 300.0])) is None


def test_all_together() -> None:
    wheel = n_minus(60, 2)
    spin = idle(4, 20)
    teeth = spin.teeth(wheel, jitter_deg=0.02)
    every = Measures(wheel, MICRO, cam_reference_deg=CAM.tolist())
    ticks = np.stack([teeth.ticks, teeth.back_ticks], axis=1).ravel()
    every.feed_edges("crank", Edges(ticks, np.tile(np.array([1, 0], np.uint8), len(teeth))))
    every.feed("crank", replace(teeth, events=faults("missing", [5, 5, 5])))
    every.feed("cam", teeth)
    names = {m.name for m in every.finish()}
    assert names >= {
        "tooth_error", "runout_1", "runout_2", "gap_step", "jitter", "duty", "lowest_full_count", "polarity",
        "stripe_p", "startup_teeth",
    }  # fmt: skip
