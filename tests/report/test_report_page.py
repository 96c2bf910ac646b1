"""The page holds what it promises, stands by itself, and says it in plain words."""

from __future__ import annotations

import hashlib
import re
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from toothwise import __version__
from toothwise.causes.likelihood import CAUSES
from toothwise.edges.files import write_recording
from toothwise.report import plain

from tests.cli.conftest import Toothwise
from tests.report.stories import marks_file, shaken, told_of, write_stripe


def words_of(page: str) -> str:
    """What a reader reads."""
    body = re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.S)
    return " ".join(unescape(body).split())


def test_a_recording_of_a_file_with_its_card(toothwise: Toothwise, tmp_path: Path) -> None:
    write_stripe(tmp_path)
    told, page = told_of(toothwise, "stripe.csv", "--job", "van.toml")
    said = words_of(page)
    often = told["recordings"][0]["result"]["by_tooth"][0]
    assert often["tooth"] == 22 and often["events"] >= 38
    for wanted in (
        "Brindle 1.4", "stall, no start", "P0335", "Crankshaft position sensor A", "P0016", "4 cylinders", "1-3-4-2",
        "sensor's feed at its plug, key on, plugged in 5.02 V", "OL", "840 rpm",  # complaint, codes, readings
        "In plain words", "39 turns of the engine's shaft", "damaged, missing, or covered",
        "tooth 22 at 126°", f"missing {often['events']} times", ", tooth 40 (237.6°) 1 extra pulse of 50.0 µs",
        "blind 1.44 ms", "neither for nor against",
        "No edge of the sensor's feed was recorded", "The harness was not moved",
        "None of this board is in the log book", f"examined by {__version__}, report by {__version__}",
        "time resolved to", "maker's service information", "never pierce a wire", "What to test next",
    ):  # fmt: skip
        assert wanted in said, wanted
    assert hashlib.sha256((tmp_path / "stripe.csv").read_bytes()).hexdigest() in said
    alts = re.findall(r'<img src="data:image/svg\+xml;base64,[A-Za-z0-9+/=]+" alt="([^"]+)"', page)
    assert {"Raster of teeth by revolution", "Tooth wheel with its faults", "Speed over time with findings",
            "Map of crank teeth and cam edges"} <= set(alts)  # fmt: skip


def test_it_stands_by_itself(toothwise: Toothwise, tmp_path: Path) -> None:
    write_stripe(tmp_path)
    _, page = told_of(toothwise, "stripe.csv", "--wheel", "60-2")
    assert "<script" not in page and "<link" not in page and "@import" not in page and "url(" not in page
    assert set(re.findall(r'(?:src|href)="([^",]+)', page)) == {"data:image/svg+xml;base64"} and "<img " in page
    assert "default-src 'none'" in page
    assert "No job card was given" in words_of(page)


def test_a_wiggle_test_tells_its_places(toothwise: Toothwise, tmp_path: Path) -> None:
    recording, at = shaken()
    write_recording(tmp_path / "shaken.csv", recording)
    marks_file(tmp_path / "marks.csv", at)
    told, page = told_of(toothwise, "shaken.csv", "--marks", "marks.csv", "--wheel", "60-2")
    said = words_of(page)
    assert told["kind"] == "wiggle" and 'alt="Bars: events at each place"' in page
    first = told["recordings"][0]["result"]["causes"][0]
    assert first["cause"] == "intermittent_wiring" and "it fails each time when place 2 is moved" in first["for"]
    assert not any("Guided wiggle test" in step["do"] for step in told["plan"])
    assert "place 2 confirmed events in 3 of 3 wiggles" in said
    assert "Contact was lost again and again when this place was moved: place 2. That is where to look first." in said
    assert "Nothing happened here: place 1, place 3, place 4." in said
    assert "When the hands were where" in said and "12.500 s place 1" in said
    assert "The harness was not moved" not in said


def test_every_cause_has_its_plain_words() -> None:
    assert set(plain.CAUSES) == set(CAUSES) - {"unproven"}


def cause(name: str, stands: str) -> dict[str, Any]:
    return {"cause": name, "text": CAUSES[name], "stands": stands, "weight": 0.5, "for": [], "against": []}


def result(causes: list[dict[str, Any]], **more: Any) -> dict[str, Any]:
    teeth = {"expected": 5800, "seen": 5800, "missing": 0, "extra": 0}
    whole = {
        "teeth": teeth,
        "events": [],
        "wheel": {"name": "60-2"},
        "revolutions": 100,
        "blind_s": 0.0,
        "causes": causes,
    }
    return {**whole, **more}


@pytest.mark.parametrize(
    ("causes", "words"),
    [
        ([cause("intermittent_wiring", "supported")], "What the evidence points to: A plug or a wire loses contact"),
        (
            [cause("sensor", "possible"), cause("signal_open", "possible")],
            "not proven yet. Still possible, the likeliest",
        ),
        (
            [cause("unproven", "supported"), cause("sensor", "possible")],
            "Nothing that was measured so far proves a fault",
        ),
        ([cause("look_past_signal", "supported")], "replacing the sensor would not cure it"),
        ([cause("sensor", "contradicted")], "proves no cause. More has to be tested"),
    ],
)
def test_plain_words_are_no_surer_than_the_evidence(causes: list[dict[str, Any]], words: str) -> None:
    said = " ".join(plain.summary({"result": result(causes)}))
    assert words in said
    assert "was good all the time" in said


def test_plain_words_say_what_was_seen() -> None:
    event = {"kind": "extra", "duration_s": 0.001}
    teeth = {"expected": 5800, "seen": 5799, "missing": 1, "extra": 2}
    said = " ".join(plain.summary({"result": result([], events=[event], teeth=teeth, blind_s=0.25)}))
    assert "1 tooth of 5,800 did not show, and once there was a signal where no tooth was." in said
    assert "For 250 ms our own instrument could not see" in said
    lost = result([], wheel={"name": None})
    assert "could not be followed" in plain.summary({"result": lost})[0]
    assert "not been examined" in plain.summary({"result": None})[0]


def test_a_test_at_rest_speaks_of_wires_and_not_of_teeth(toothwise: Toothwise, tmp_path: Path) -> None:
    moments = (11.0, 12.1, 14.2, 15.3, 17.1, 18.5)
    rows = [f"{t + d:.6f},crank,{int(d > 0)}" for t in moments for d in (0.0, 0.002)]
    (tmp_path / "rest.csv").write_text("\n".join(["time_s,channel,level", "0,crank,1", *rows, ""]), encoding="utf-8")
    marks_file(tmp_path / "marks.csv", [(0.0, "hands off"), *((t, "plug") for t in (10.0, 13.0, 16.0)), (19.0, "clip")])
    said = words_of(told_of(toothwise, "rest.csv", "--marks", "marks.csv")[1])
    assert "We watched the wires of that sensor." in said and "every single tooth" not in said
    assert "watched at rest, nothing turning" in said and "teeth 0 due" not in said
    assert "plug confirmed events in 3 of 3 wiggles" in said
