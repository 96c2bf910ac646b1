"""The live test: guide, marks, sounds and book, on a rig that is not there and on the virtual one."""

from __future__ import annotations

import argparse
import io
import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from toothwise.book import Book
from toothwise.commands import wiggle_sessions
from toothwise.commands.parsing import Parser, add_commands
from toothwise.edges.signal import Batch, Edges, Held
from toothwise.errors import RigTrouble
from toothwise.link import Happening, Reading, open_rig
from toothwise.link.hello import Hello
from toothwise.link.virtual import interpreter
from toothwise.show.screen import Look
from toothwise.show.wiggle_screen import Now, WiggleView
from toothwise.wiggle import Watching
from toothwise.wiggle.harness import Harness, Spot
from toothwise.wiggle.ntc import Thermistor

from tests.cli.rigs import FakeRig
from tests.parts import need
from tests.pictures import Caught
from tests.wiggle.made_tests import CLOCK, raw_reading, resting

MAP = Harness("test", (Spot("plug"), Spot("bend")), quiet_s=4.0, wiggle_s=2.0, moving_s=1.0, wiggles=3)
PLUG, BEND = ((5.0, 7.0), (7.0, 9.0), (9.0, 11.0)), ((12.0, 14.0), (14.0, 16.0), (16.0, 18.0))


class Rig(FakeRig):
    """A rig that keeps the commands it was sent."""

    def __init__(self, recording: Held, *, breaks_s: float | None = None, conductors: int = 3) -> None:
        step = CLOCK.ticks(0.1)
        batches = []
        for begin in range(0, recording.until_tick, step):
            if breaks_s is not None and begin >= CLOCK.ticks(breaks_s):
                break
            edges = {}
            for name, whole in recording.edges.items():
                part = slice(*np.searchsorted(whole.ticks, (begin, begin + step)))
                edges[name] = Edges(whole.ticks[part], whole.levels[part])
            batches.append(Batch(begin + step, edges))
        gone = RigTrouble("The rig on nowhere is gone") if breaks_s is not None else None
        super().__init__(recording, batches, breaks=gone)
        self.channels = ("crank", "cam", "feed", "aux")
        self.said: list[str] = []
        facts = {
            "channels": [{"name": name, "pin": n} for n, name in enumerate(self.channels)],
            "conductors": conductors,
        }
        self.hello = Hello(1, "1", "a board", 1, 62_500_000, self.channels, True, facts)
        self.due: list[Happening | Reading] = []

    def command(self, text: str, wait_s: float = 2.0) -> dict[str, str]:
        self.said.append(text)
        return {}

    def batches(self) -> Iterator[Batch]:
        for batch in super().batches():
            now = [note for note in self.due if note.tick < batch.until_tick]
            self.due = [note for note in self.due if note.tick >= batch.until_tick]
            self.notes += now
            yield batch


def options(*arguments: str) -> argparse.Namespace:
    parser = Parser(prog="toothwise")
    add_commands(parser, ["wiggle"])
    return parser.parse_args(["wiggle", "--plain", *arguments])


def made(at: list[float], channel: str = "crank") -> Held:
    return resting(20.0, {channel: [(t, 1e-3) for t in at]}, {"crank": 0, "cam": 0, "feed": 1, "aux": 0})


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Book]:
    with Book.open(tmp_path / "book.sqlite") as book:
        yield book


@pytest.fixture(autouse=True)
def every_batch(monkeypatch: pytest.MonkeyPatch) -> None:
    """No waiting together of batches: the fake rig is faster than any real one."""
    monkeypatch.setattr("toothwise.commands.wiggle_live.TURN_S", 0.0)


def told(capsys: pytest.CaptureFixture[str]) -> dict[str, dict[str, object]]:
    return {place["place"]: place for place in json.loads(capsys.readouterr().out)["places"]}


def test_led_through_by_time_alone(book: Book, capsys: pytest.CaptureFixture[str]) -> None:
    rig = Rig(made([6.0, 8.0, 10.0]))
    assert wiggle_sessions.guided_on(options("--json"), book, rig, MAP) == 1  # type: ignore[arg-type]
    places = told(capsys)
    assert (places["plug"]["stands"], places["bend"]["stands"]) == ("confirmed", "quiet")
    assert [place for _, place in book.recording(1).marks()][:3] == ["hands off", "moving on", "plug"]
    assert book.recording(1).result["wiggle"]["places"][0]["stands"] == "confirmed"  # type: ignore[index]
    assert "watch rest" in rig.said
    assert rig.said[-1] == "watch turning"


def test_the_recording_gives_the_same_again(book: Book, capsys: pytest.CaptureFixture[str]) -> None:
    wiggle_sessions.guided_on(options("--json"), book, Rig(made([6.0, 8.0, 13.0])), MAP)  # type: ignore[arg-type]
    live = told(capsys)
    from toothwise.wiggle import judge

    again = {place.name: place.as_json() for place in judge(wiggle_sessions.parts_of(book, 1, None, None)).places}
    assert again == live


def test_the_mark_button_goes_on(book: Book, capsys: pytest.CaptureFixture[str]) -> None:
    rig = Rig(made([]))
    rig.due = [Happening("mark", 255, 1, 1, CLOCK.ticks(t), CLOCK.ticks(t)) for t in (2.0, 2.5)]
    wiggle_sessions.guided_on(options("--json"), book, rig, MAP)  # type: ignore[arg-type]
    assert [(round(CLOCK.seconds(t), 3), p) for t, p in book.recording(1).marks()][:3] == [
        (0.1, "hands off"), (2.0, "moving on"), (2.5, "plug"),
    ]  # fmt: skip


def test_a_lost_rig_leaves_what_was_recorded_and_the_test_goes_on(
    book: Book, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(RigTrouble, match="is gone"):
        wiggle_sessions.guided_on(options("--json"), book, Rig(made([6.0, 8.0]), breaks_s=9.4), MAP)  # type: ignore[arg-type]
    first = told(capsys)
    assert (first["plug"]["wiggles"], first["plug"]["stands"]) == (2, "suspect")
    # What is left: hands off, on to the plug, its third wiggle, then the other place.
    rig = Rig(made([6.0]))
    wiggle_sessions.guided_on(options("--json", "--resume", "1"), book, rig, MAP)  # type: ignore[arg-type]
    both = told(capsys)
    assert (both["plug"]["wiggles"], both["plug"]["stands"], both["bend"]["wiggles"]) == (3, "confirmed", 3)
    assert book.recording(2).settings["wiggle"]["continues"] == 1


def test_continuity_feeds_the_named_conductors_and_tells_of_shorts(
    book: Book, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = Rig(made([6.0, 8.0, 10.0], "cam"))
    rig.due = [Happening("short", 0, 1, 1, CLOCK.ticks(13.0), CLOCK.ticks(13.001))]
    arguments = options("--json", "--mode", "continuity", "--conductors", "signal,ground")
    wiggle_sessions.guided_on(arguments, book, rig, MAP)  # type: ignore[arg-type]
    places = told(capsys)
    assert places["plug"]["conductors"] == {"ground": 3}
    assert places["bend"]["conductors"] == {"ground+signal": 1}
    assert rig.said[0] == "watch continuity 2"
    from toothwise.wiggle import judge

    again = judge(wiggle_sessions.parts_of(book, 1, None, None))
    assert {place.name: len(place.events) for place in again.places} == {"plug": 3, "bend": 1}


def test_a_rig_without_conductors_is_refused(book: Book) -> None:
    arguments = options("--mode", "continuity", "--conductors", "signal")
    with pytest.raises(RigTrouble, match="can feed 0 conductors"):
        wiggle_sessions.guided_on(arguments, book, Rig(made([]), conductors=0), MAP)  # type: ignore[arg-type]


def test_a_turning_wheel_beeps_on_the_rig(book: Book, capsys: pytest.CaptureFixture[str]) -> None:
    from toothwise.wheel import catalogue

    from tests.examine.signals import turning

    edges, end = turning(catalogue.wheel("60-2"), 900, 270, drop=[(100, 20), (130, 7)], extra=[(160, 9)])
    feed = Edges(np.array([CLOCK.ticks(15.0), CLOCK.ticks(15.2)], np.int64), np.array([0, 1], np.uint8))
    rig = Rig(Held(CLOCK, {"crank": edges, "feed": feed}, end))
    wiggle_sessions.guided_on(options("--json", "--wheel", "60-2"), book, rig, MAP)  # type: ignore[arg-type]
    beeps = [text for text in rig.said if text.startswith("beep")]
    assert {"beep missing", "beep extra", "beep feed"} <= set(beeps)
    assert told(capsys)["plug"]["events"] == 3


def test_interference_is_taken_back_and_falls_silent(book: Book, capsys: pytest.CaptureFixture[str]) -> None:
    from toothwise.wheel import catalogue

    from tests.examine.signals import turning
    from tests.wiggle.test_turns import sparks, with_sparks

    edges, end = turning(catalogue.wheel("60-2"), 1500, 520)
    noise = sparks(800)
    rig = Rig(Held(CLOCK, {"crank": with_sparks(edges, noise), "feed": Edges.none()}, end))
    arguments = options("--wheel", "60-2")
    assert wiggle_sessions.guided_on(arguments, book, rig, MAP) == 0  # type: ignore[arg-type]
    out = capsys.readouterr().out
    assert out.count("interference from ignition, no contact") == 1
    told = [line for line in out.splitlines() if "let go for" in line]
    assert 8 <= len(told) < 40
    assert len(noise) > 300
    assert f"interference, no contact: {len(noise)} disturbances" in out


def test_soak_keeps_the_temperature_with_the_recording(book: Book, capsys: pytest.CaptureFixture[str]) -> None:
    raw = {celsius: raw_reading(Thermistor(), celsius) for celsius in (20, 70)}
    rig = Rig(made([6.0, 14.0]))
    rig.due = [Reading(CLOCK.ticks(1.0), None, raw[20]), Reading(CLOCK.ticks(10.0), None, raw[70])]
    live, _ = wiggle_sessions._live(
        options("--json"),
        book,
        rig,
        None,
        None,
        guide=None,
        title="soak",
        thermistor=Thermistor(),  # type: ignore[arg-type]
    )
    wiggle_sessions._keep(live, {})
    assert [place for _, place in book.recording(1).marks()] == ["20.0 °C", "70.0 °C"]
    assert [round(t.celsius) for t in live.temperatures] == [20, 70]


@pytest.mark.parametrize("unicode", [True, False])
def test_the_screen_fits_80_by_24_and_tells_what_matters(unicode: bool) -> None:
    look = Look(io.StringIO(), ascii_only=not unicode)
    look.unicode = unicode
    screen = Caught(io.StringIO(), look)
    view = WiggleView(screen, look, title="test")
    places = [("hands off", 0, 1), ("plug", 3, 2), ("bend", 0, 1)]
    what = "a place with a rather long name indeed"
    now = Now(what, "place 1 of 2", 12.0, 34, 567, "at rest", "feed", "", "event", "keys", places)
    view.draw(now, None)
    assert len(screen.lines) == 24
    assert all(len(line) <= 80 for line in screen.lines)
    text = "\n".join(screen.lines)
    assert "567 events in all" in text
    assert "3 events" in text
    assert ("█" in text) is unicode


def test_the_board_itself_at_rest_and_in_continuity() -> None:
    need("MicroPython's unix port", interpreter() is not None)
    lasts = [13, 40, 6250, 100_000, 6_250_000]
    at = CLOCK.ticks(0.2) + np.cumsum([0, *(n + 3_000_000 for n in lasts[:-1])])
    ticks = np.stack([at, at + np.array(lasts)], axis=1).ravel()
    edges = Edges(ticks.astype(np.int64), np.resize(np.array([1, 0], np.uint8), len(ticks)))
    end = int(ticks[-1]) + CLOCK.ticks(0.5)
    for mode, kind in (("rest", "contact"), ("continuity", "open")):
        with open_rig("virtual", edges=[Batch(end, {"crank": edges})], fast=True) as rig:
            rig.command("watch rest" if mode == "rest" else "watch continuity 1 0")
            watching = Watching(rig.clock, ("crank",), mode=mode)
            notes = []
            for batch in rig.batches():
                watching.feed(Batch(batch.until_tick, {"crank": batch.edges.get("crank", Edges.none())}, batch.blind))
                notes += rig.take_notes()
            watching.finish()
        assert [event.longest.longest for event in watching.events] == lasts
        assert kind in {note.kind for note in notes if isinstance(note, Happening)}
