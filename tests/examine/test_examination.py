"""The one way from batches to a result: counts, the JSON object, promise 2."""

from __future__ import annotations

import json
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from toothwise.edges.signal import Batch, Blind, Clock, Edges, Held
from toothwise.examine import Examination, Result, examine, finding
from toothwise.examine.witness import CrankWitness
from toothwise.records import Event, Measure
from toothwise.track.teeth import Teeth
from toothwise.wheel import catalogue

from tests.examine.signals import CLOCK, cut, held, turning

W60 = catalogue.wheel("60-2")
DROPPED = ((5, 17), (9, 30), (9, 31))


def faulty() -> Held:
    """Crank with three teeth gone, one extra pulse and a blind stretch; a feed that sags; a cam that turns."""
    crank, end = turning(W60, 1000, 30, drop=DROPPED, extra=[(14, 40)])
    cam, _ = turning(catalogue.wheel("4+1"), 500, 15)
    hidden = (end * 2 // 3, end * 2 // 3 + 90_000)
    seen = (crank.ticks < hidden[0]) | (crank.ticks >= hidden[1])
    feed = Edges(np.array([end // 4, end // 4 + 5000], np.int64), np.array([0, 1], np.uint8))
    blind = [Blind(*hidden, "overrun", "crank")]
    return held(end, blind, crank=Edges(crank.ticks[seen], crank.levels[seen]), cam=cam, feed=feed)


def of(recording: Held, cuts: list[int] | None = None, **settings_: object) -> Result:
    examination = Examination(CLOCK, recording.channels, W60, source=recording.source, **settings_)  # type: ignore[arg-type]
    for batch in cut(recording, cuts or []):
        examination.feed(batch)
    return examination.finish()


def test_counts_and_events_of_a_known_signal() -> None:
    result = of(faulty())
    found = {(e.kind, e.revolution, e.tooth, e.count) for e in result.events if e.channel == "crank"}
    assert {("missing", 5, 17, 1), ("missing", 9, 30, 2), ("extra", 14, 40, 2)} <= found
    assert (result.missing, result.extra) == (3, 2)
    assert result.speed is not None
    assert result.speed.middle_rpm == pytest.approx(1000, rel=1e-4)
    assert result.blind_s == pytest.approx(90_000 * 16e-9)
    assert [e.kind for e in result.events if e.channel == "feed"] == ["feed_low"]


def test_a_healthy_signal_gives_no_event() -> None:
    crank, end = turning(W60, 1000, 30)
    result = of(held(end, crank=crank))
    assert (result.events, result.missing, result.extra) == ([], 0, 0)
    assert result.seen == 30 * 58
    assert result.revolutions == 30


@settings(max_examples=12, deadline=None)
@given(st.lists(st.integers(1, 120_000_000), max_size=30))
def test_the_result_does_not_depend_on_the_cut(cuts: list[int]) -> None:
    recording = faulty()
    assert of(recording, cuts).as_json() == of(recording).as_json()


def test_the_object_is_complete_and_plain() -> None:
    whole = of(faulty()).as_json()
    assert json.loads(json.dumps(whole, allow_nan=False)) == whole
    assert whole["schema"] == 1
    wanted = {"schema", "source", "channels", "wheel", "revolutions", "speed_rpm", "teeth", "events", "measures",
              "blind_s", "causes"}  # fmt: skip
    assert wanted <= set(whole)
    wheel = whole["wheel"]
    assert {
        "name": "60-2",
        "slots": 60,
        "gaps": [[59, 60]],
        "identified": False,
        "turn_deg": 360.0,
    }.items() <= wheel.items()
    assert wheel["teeth_deg"] == [6.0 * n for n in range(58)]
    assert whole["teeth"]["expected"] == whole["teeth"]["seen"] + whole["teeth"]["missing"]
    fields = {"kind", "channel", "t_s", "duration_s", "revolution", "tooth", "angle_deg", "count", "level"}
    assert all(fields <= set(event) for event in whole["events"])
    assert [e["t_s"] for e in whole["events"]] == sorted(e["t_s"] for e in whole["events"])
    assert set(whole["channels"]) == {"crank", "cam", "feed"}


def test_overlapping_blind_stretches_count_once() -> None:
    examination = Examination(CLOCK, ("crank", "cam"), W60)
    examination.feed(Batch(500, {}, (Blind(100, 300, "a"), Blind(200, 400, "b", "cam"))))
    examination.feed(Batch(1000, {}, (Blind(350, 400, "c"), Blind(600, 700, "d"), Blind(500, 550, "e"))))
    assert examination.finish().blind_s == pytest.approx((300 + 100 + 50) * 16e-9)


def test_memory_does_not_grow_with_a_healthy_recording() -> None:
    import tracemalloc

    wheel = catalogue.wheel("12-1")
    crank, end = turning(wheel, 6000, 10)
    examination = Examination(CLOCK, ("crank",), wheel)
    sizes = []
    tracemalloc.start()
    for lap in range(32):
        shift = lap * (end - 1000)
        edges = Edges(crank.ticks + shift, crank.levels)
        examination.feed(Batch(end + shift, {"crank": edges}))
        if lap % 8 == 7:
            sizes.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert examination.events == []
    assert sizes[-1] < sizes[0] * 1.5 + 50_000


def test_memory_does_not_grow_with_the_cam_while_the_crank_is_dead(monkeypatch: pytest.MonkeyPatch) -> None:
    import tracemalloc

    monkeypatch.setattr(finding, "_GIVE_UP", 15_000)
    examination = Examination(CLOCK, ("crank", "cam"), None)
    sizes = []
    tracemalloc.start()
    for lap in range(32):
        cam = Edges(np.arange(10_000) + lap * 10_000, np.arange(10_000).astype(np.uint8) & 1)
        examination.feed(Batch((lap + 1) * 10_000, {"cam": cam}))
        if lap % 8 == 7:
            sizes.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert sizes[-1] < sizes[0] + 50_000


def test_a_line_gone_still_while_the_cam_turns_is_silent() -> None:
    before, _ = turning(W60, 20, 4)  # so slow that the crank's own signal cannot tell a stop from a silence
    still = before.ticks[-1] + CLOCK.ticks(30.0)
    after = Edges(before.ticks + still, before.levels)
    crank = Edges.join([before, after])
    end = int(crank.ticks[-1]) + 10
    cam, _ = turning(catalogue.wheel("4+1"), 10, CLOCK.seconds(end) / 6)
    alone = of(held(end, crank=crank))
    assert [e.kind for e in alone.events] == ["stopped"]
    witnessed = of(held(end, crank=crank, cam=cam))
    assert [e.kind for e in witnessed.events] == ["silent"]
    assert witnessed.events[0].more["proof"] == "cam went on turning"


def test_the_only_channel_of_a_recording_is_the_crank() -> None:
    crank, end = turning(W60, 1000, 5)
    assert examine(held(end, signal=crank), W60).seen == 5 * 58


def test_a_missing_tooth_1_does_not_halve_the_speed() -> None:
    crank, end = turning(W60, 1000, 20, drop=[(r, 1) for r in (5, 6, 9)])
    speed = of(held(end, crank=crank)).speed
    assert speed is not None
    assert [speed.least_rpm, speed.middle_rpm, speed.greatest_rpm] == pytest.approx([1000] * 3, rel=1e-4)


class Fake:
    """Stands in for the room that makes out a wheel: knows it from 300 edges on, whatever they are."""

    def __init__(self) -> None:
        self.asked: list[int] = []

    def identify(self, edges: Edges, clock: Clock) -> SimpleNamespace:
        self.asked.append(len(edges))
        known = len(edges) >= 300
        return SimpleNamespace(wheel=W60 if known else None, candidates=() if known else ("60-2", "36-1"))


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> Fake:
    stand_in = Fake()
    monkeypatch.setattr(finding, "_identify", stand_in.identify)
    return stand_in


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(st.integers(1, 120_000_000), max_size=30))
def test_a_wheel_made_out_on_the_way_loses_nothing_and_does_not_depend_on_the_cut(fake: Fake, cuts: list[int]) -> None:
    recording = faulty()
    examination = Examination(CLOCK, recording.channels, None, source=recording.source)
    for batch in cut(recording, cuts):
        examination.feed(batch)
    whole, known = examination.finish().as_json(), of(recording).as_json()
    assert whole["wheel"] == {**known["wheel"], "identified": True}
    assert whole["events"] == known["events"]
    assert whole["teeth"] == known["teeth"]


def test_a_check_sees_every_edge_however_late_the_wheel_is_known(fake: Fake) -> None:
    recording = faulty()
    seen: dict[str, int] = {}
    teeth: list[int] = []

    class Counter:
        def feed_edges(self, channel: str, edges: Edges) -> None:
            seen[channel] = seen.get(channel, 0) + len(edges)

        def feed(self, channel: str, found: Teeth) -> None:
            teeth.append(len(found))

        def finish(self) -> list[Measure]:
            return [Measure("counted", float(sum(teeth)), "teeth", float("nan")), Measure("x", float("nan"), "")]

    examination = Examination(CLOCK, recording.channels, None, checks=[lambda *_: Counter()])
    for batch in cut(recording, list(range(0, recording.until_tick, 1_000_000))):
        examination.feed(batch)
    result = examination.finish()
    assert seen == {name: len(edges) for name, edges in recording.edges.items()}
    assert result.as_json()["measures"] == [
        {"name": "counted", "value": float(result.seen), "unit": "teeth", "uncertainty": None}
    ]


def test_a_wheel_that_is_not_made_out_leaves_its_candidates(fake: Fake) -> None:
    crank, end = turning(W60, 1000, 1.5)
    examination = Examination(CLOCK, ("crank",), None)
    examination.feed(Batch(end, {"crank": crank}))
    result = examination.finish()
    assert (result.wheel, result.candidates) == (None, ("60-2", "36-1"))
    assert fake.asked == [64, 128, len(crank)]


def test_the_crank_says_what_a_cam_with_few_edges_cannot() -> None:
    """Too few edges to tell turning from resting: what the cam alone calls a stop or a contact, the crank settles."""
    half = catalogue.wheel("half-moon")
    crank, end = turning(W60, 200, 40)
    cam, _ = turning(half, 100, 20)
    gone = (cam.ticks > end // 4) & (cam.ticks < end * 3 // 4)
    still = Edges.none()
    for edges, beside, kinds in (
        (cam, crank, []),
        (Edges(cam.ticks[~gone], cam.levels[~gone]), crank, ["silent"]),
        (Edges(cam.ticks[:5], cam.levels[:5]), crank, ["silent"]),
        (Edges(cam.ticks[:5], cam.levels[:5]), still, ["stopped"]),
        (Edges(cam.ticks[:3], cam.levels[:3]), crank, []),
        (Edges(cam.ticks[:3], cam.levels[:3]), still, ["contact"] * 3),
    ):
        recording = held(end, cam=edges, crank=beside)
        whole = of(recording, cam_wheel=half)
        assert [e.kind for e in whole.events if e.channel == "cam"] == kinds
        assert of(recording, list(range(0, end, end // 97)), cam_wheel=half).as_json() == whole.as_json()


def test_a_moved_edge_is_found_whatever_the_cut() -> None:
    crank, end = turning(W60, 1000, 40)
    ticks = crank.ticks.copy()
    at = 2 * (58 * 21 + 30) + 1  # the far edge of a tooth
    ticks[at] += (ticks[at + 1] - ticks[at]) // 2
    recording = held(end, crank=Edges(ticks, crank.levels))
    whole = of(recording)
    assert [(e.kind, e.revolution, e.tooth, e.more["edge"]) for e in whole.events] == [("extra", 21, 31, "moved")]
    assert whole.events[0].more["pitches"] == pytest.approx(0.3, abs=0.01)
    assert of(recording, list(range(0, end, end // 61))).as_json() == whole.as_json()


def test_the_card_names_the_wheel_only_where_the_signal_does_not() -> None:
    crank, end = turning(W60, 1000, 30)
    other = catalogue.wheel("36-1")
    shown = examine(held(end, crank=crank), otherwise=other).as_json()["wheel"]
    assert (shown["name"], shown["identified"]) == ("60-2", True)
    short = Edges(crank.ticks[:40], crank.levels[:40])  # a third of a turn
    for edges in (short, Edges.none()):
        unknown = held(end, crank=edges)
        assert examine(unknown).wheel is None
        said = examine(unknown, otherwise=W60).as_json()
        assert (said["wheel"]["name"], said["wheel"]["identified"]) == ("60-2", False)
        assert said["teeth"]["seen"] == len(edges) // 2


def test_an_unclear_signal_does_not_make_the_card_wait() -> None:
    """Evenly spaced edges show no wheel of the card's: after some turns the card is taken at its word."""
    even = np.arange(40_000, dtype=np.int64) * 30_000
    edges = Edges(even, (np.arange(40_000) % 2).astype(np.uint8))
    examination = Examination(CLOCK, ("crank",), otherwise=W60)
    for start in range(0, 40_000, 500):
        part = Edges(edges.ticks[start : start + 500], edges.levels[start : start + 500])
        examination.feed(Batch(int(part.ticks[-1]) + 1, {"crank": part}))
        if examination.wheel is not None:
            break
    assert examination.wheel is not None and start < 10_000


def test_a_short_halt_of_the_cam_is_none_while_the_crank_turns() -> None:
    witness = CrankWitness("crank", catalogue.wheel("half-moon"))
    stop, touch = Event("stopped", "cam", 3_000, 60_000), Event("contact", "cam", 5_000, 5_000)
    assert witness.judged([stop, touch]) == []  # the crank's teeth are not known yet
    first = np.arange(1, 41) * 1_000
    witness.feed(_teeth(first, turning=0))
    assert witness.judged([]) == []  # the contact lies in a turning; the stop reaches beyond what is known
    witness.feed(_teeth(first + 100_000, turning=1))
    assert witness.judged([]) == [stop]  # the crank stopped, too


def _teeth(ticks: np.ndarray, turning: int) -> Teeth:
    size = len(ticks)
    whole = np.arange(size)
    run = np.full(size, turning, np.int32)
    return Teeth(ticks, ticks + 500, (whole % 58 + 1).astype(np.int32), whole // 58, run)


@pytest.mark.parametrize(("turns", "told"), [("36-1", "60-2"), ("60-2", "36-1"), ("36-2", "36-1")])
def test_a_signal_of_another_wheel_than_was_named_says_which(turns: str, told: str) -> None:
    """A slip of the keyboard, or another part than the control unit expects."""
    crank, end = turning(catalogue.wheel(turns), 1000, 60)
    result = examine(held(end, crank=crank), catalogue.wheel(told))
    assert result.faults
    assert result.looks_like == turns
    assert result.as_json()["wheel"]["looks_like"] == turns


def test_a_wheel_with_faults_is_not_another_one() -> None:
    crank, end = turning(W60, 1000, 40, drop=[(turn, 17) for turn in range(40)])
    result = examine(held(end, crank=crank), W60)
    assert result.missing == 40
    assert result.as_json()["wheel"]["looks_like"] is None
