"""The one way from batches to a result: counts, the JSON object, promise 2."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.edges.signal import Batch, Blind, Edges, Held
from toothwise.examine import Examination, Result, examine
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


@settings(max_examples=25, deadline=None)
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
    assert whole["wheel"] == {"name": "60-2", "slots": 60, "gaps": [[59, 60]], "identified": False}
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
    crank, end = turning(wheel, 6000, 50)
    examination = Examination(CLOCK, ("crank",), wheel)
    sizes = []
    tracemalloc.start()
    for lap in range(40):
        shift = lap * (end - 1000)
        edges = Edges(crank.ticks + shift, crank.levels)
        examination.feed(Batch(end + shift, {"crank": edges}))
        if lap % 10 == 9:
            sizes.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert examination.events == []
    assert sizes[-1] < sizes[0] * 1.5 + 50_000


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
