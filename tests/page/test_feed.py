"""What the page is told is what the examination decided, in the words of the terminal."""

from __future__ import annotations

import json

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.examine import Examination
from toothwise.page.feed import LONGEST, WatchFeed, WiggleFeed, spaced, text
from toothwise.page.shown import MOST_FINDINGS
from toothwise.records import EXTRA, MISSING, SEEN, Event
from toothwise.show import words
from toothwise.show.raster import Raster
from toothwise.show.wiggle_screen import Now
from toothwise.wheel import catalogue
from toothwise.wiggle.guide import Guide, steps
from toothwise.wiggle.harness import Harness, Spot

from tests.page.stage import CLOCK, TEETH, Told, batches, edges, play
from tests.page.test_shown import merged


def test_rows_are_those_of_the_terminals_raster() -> None:
    told = Told()
    play(told, 4.0)
    raster = Raster(catalogue.wheel("36-1"))
    examination = Examination(CLOCK, ("crank",), raster.wheel)
    for batch in batches(edges(4.0)):
        events = examination.feed(batch)
        raster.follow(examination.crank, examination.latest, events)
        raster.pace(examination.tally().speed_rpm)
    rows = merged(told.news)["rows"]
    assert list(rows) == [row.number for row in raster.rows]
    for row in raster.rows:
        cells = np.frombuffer(rows[row.number][3].encode(), np.uint8) - ord("0")
        assert cells.tolist() == row.cells.tolist() and rows[row.number][1:3] == [row.first, row.span]
    flags = {int(cell) for row in raster.rows for cell in row.cells}
    assert SEEN in flags and all(any(flag & kind for flag in flags) for kind in (MISSING, EXTRA))


def test_only_rows_that_changed_are_told() -> None:
    told = Told()
    play(told, 4.0)
    assert all(len(news["rows"]) <= 4 for news in told.news[2:])


def test_figures_findings_and_alarms() -> None:
    told = Told()
    play(told, 4.0)
    now = told.news[-1]["now"]
    examination = Examination(CLOCK, ("crank",), catalogue.wheel("36-1"))
    for batch in batches(edges(4.0)):
        examination.feed(batch)
    tally = examination.tally()
    assert now["figures"]["missing"] == str(tally.missing) == "4"
    assert now["rpm"] == words.rpm(tally.speed_rpm)
    found = list(merged(told.news)["findings"].values())
    assert [one[2] for one in found] == [words.what(event.as_json(CLOCK)) for event in examination.events]
    assert all(" s · revolution " in one[3] for one in found)
    assert merged(told.news)["alarm"]["n"] == len(found)


def test_a_healthy_wheel_gives_no_finding_and_no_alarm() -> None:
    told = Told()
    play(told, 4.0, healthy=True)
    assert not any("alarm" in news or "findings" in news for news in told.news)
    assert told.news[-1]["now"]["figures"]["missing"] == "0"
    assert set(told.news[-1]["rows"][0][3]) <= {"0", "1"} and len(told.news[-1]["rows"][0][3]) == TEETH + 1


def test_a_blind_stretch_is_told_and_not_sounded() -> None:
    told = Told()
    feed = WatchFeed(told, CLOCK, name="watch", title="")  # type: ignore[arg-type]
    feed.add(None, "crank", [], [Event("blind", "all", 0, 1000, more={"reason": "link"})])
    examination = Examination(CLOCK, ("crank",), None)
    feed.draw(examination.tally())
    assert told.news[0]["findings"][0][1] == "blind" and "alarm" not in told.news[0]


HOSTILE = [
    "<script>alert(1)</script>",
    "\x1b[2Jx\x07",
    "\u202eevil\u202c\u2066",
    "a\u0000b\nc",
    "x" * 10_000,
    "\u05d0" * 10_000,
    "\ud800 half a pair",
]


def test_hostile_text_is_one_short_plain_line() -> None:
    for line in HOSTILE:
        clean = text(line)
        assert len(clean) <= LONGEST and clean.isprintable()
        json.dumps(clean, ensure_ascii=False).encode()


@settings(max_examples=100, deadline=None)
@given(st.text(st.characters()))
def test_any_text_is_one_short_plain_line(line: str) -> None:
    for clean in (text(line), spaced(line)):
        assert len(clean) <= LONGEST and (not clean or clean.isprintable())


def test_wiggle_tells_places_and_buttons() -> None:
    told = Told()
    feed = WiggleFeed(told, "Brindle   virtual rig")  # type: ignore[arg-type]
    now = Now("plug", "place 1 of 2", 2.0, 1, 3, "at rest", places=[("plug", 1, 2), ("bend", 0, 0)])
    feed.found(3, "missing", "it let go")
    feed.alarm("contact", "contact at plug")
    guide = Guide(steps(Harness("b", (Spot("plug"), Spot("bend")), moving_s=0.0)), 1e-9)
    guide.go(0)
    feed.draw(now, None, guide=guide, muted=True, marks=2)
    news = told.news[0]
    assert news["now"]["title"] == "Brindle · virtual rig"
    assert news["now"]["places"] == [["plug", 1, 2], ["bend", 0, 0]]
    assert (news["now"]["left"], news["now"]["rpm"], news["now"]["muted"], news["now"]["marks"]) == (2, "–", True, 2)
    assert news["now"]["buttons"] == ["wiggle", "next", "back", "mark", "sound"]
    assert (news["now"]["wiggle_next"], news["now"]["last"]) == (False, False)
    assert news["findings"] == [[3, "missing", "it let go", ""]] and news["alarm"]["n"] == 1
    feed.draw(now, None, guide=None, muted=False, marks=0)
    assert told.news[1]["now"]["buttons"] == ["mark", "sound"] and "findings" not in told.news[1]


def test_a_storm_of_findings_is_counted_and_not_all_put_into_words() -> None:
    told = Told()
    feed = WatchFeed(told, CLOCK, name="watch", title="")  # type: ignore[arg-type]
    storm = [Event("extra", "crank", 1000 + n, 1000 + n, revolution=n, tooth=1, count=1) for n in range(10_000)]
    feed.add(None, "crank", [], storm)
    feed.add(None, "crank", [], storm[:7])
    feed.draw(Examination(CLOCK, ("crank",), None).tally())
    assert [one[0] for one in told.news[0]["findings"]] == list(range(10_008 - MOST_FINDINGS, 10_008))
