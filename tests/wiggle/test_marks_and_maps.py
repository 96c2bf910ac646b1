"""Marks and harness maps: what is read, and what is refused in plain words."""

from __future__ import annotations

from pathlib import Path

import pytest
from toothwise.edges.signal import Clock
from toothwise.errors import FileTrouble
from toothwise.wiggle import harness, read_marks
from toothwise.wiggle.marks import Mark, stretches

CLOCK = Clock(1000.0, t0_s=5.0)


def marks_of(tmp_path: Path, text: str) -> list[tuple[int, str]]:
    file = tmp_path / "marks.csv"
    file.write_text(text, encoding="utf-8")
    return [(mark.tick, mark.place) for mark in read_marks(file, CLOCK)]


def test_times_are_the_recordings_own(tmp_path: Path) -> None:
    assert marks_of(tmp_path, "time_s,place\n5.5,hands off\n7,sensor connector\n") == [
        (500_000, "hands off"),
        (2_000_000, "sensor connector"),
    ]


@pytest.mark.parametrize(
    "text",
    [
        "place,time_s\nHands-Off,5.5\n",
        "time_s;place\n5,5;HANDS OFF\n",
        "\ufeffTime_s, Place\n# a remark\n\n5.5 , hands_off \n",
        'time_s,place\n5.5,"hands  off"\n',
    ],
)
def test_the_same_mark_in_other_clothes(tmp_path: Path, text: str) -> None:
    assert marks_of(tmp_path, text) == [(500_000, "hands off")]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "holds no mark"),
        ("time_s,place\n", "holds no mark"),
        ("a,b\n1,2\n", "no columns time_s and place"),
        ("time_s,place\n1,a\nlater,b\n", "row 3: 'later' is no number of seconds"),
        ("time_s,place\nnan,b\n", "row 2: 'nan' is no number"),
        ("time_s,place\n1\n", "row 2: too few fields"),
        ("time_s,place\n1,\n", "row 2: no place"),
    ],
)
def test_what_cannot_be_read_is_said_with_its_row(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(FileTrouble, match=words):
        marks_of(tmp_path, text)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(FileTrouble, match="there is no file"):
        read_marks(tmp_path / "nothing.csv", CLOCK)


def test_the_last_stretch_ends_with_the_recording() -> None:
    marks = [Mark(0, "a"), Mark(100, "b"), Mark(200, "c")]
    assert [(s.start, s.end, s.supposed) for s in stretches(marks, 270)][-1] == (200, 270, False)
    assert [(s.start, s.end, s.supposed) for s in stretches(marks, 150, open_ended=True)][-1] == (200, 300, True)
    assert [(s.start, s.end, s.supposed) for s in stretches(marks, 900, open_ended=True)][-1] == (200, 900, False)


def load(tmp_path: Path, text: str) -> harness.Harness:
    file = tmp_path / "harness.toml"
    file.write_text(text, encoding="utf-8")
    return harness.load(file)


def test_a_map_with_names_and_hints(tmp_path: Path) -> None:
    found = load(tmp_path, 'places = ["plug", { name = "bend", hint = "both ways" }]\nwiggles = 3\nquiet_s = 20\n')
    assert [(spot.name, spot.hint) for spot in found.places] == [("plug", ""), ("bend", "both ways")]
    assert (found.wiggles, found.quiet_s, found.name) == (3, 20.0, "harness")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("places = [", "is no TOML"),
        ("", "places is no list"),
        ("places = []", "places is no list"),
        ("places = [3]", "place 1 is neither a name nor a table"),
        ('places = ["a", "a"]', "names 'a' twice"),
        ('places = ["hands off"]', "nothing is moved"),
        ('places = [""]', "place 1 needs a name"),
        ('places = ["a"]\nwiggles = 0', "wiggles is not a whole number"),
        ('places = ["a"]\nquiet_s = 0.5', "quiet_s is not a number of seconds"),
        ('places = ["a"]\nwiggle_s = true', "wiggle_s is not"),
        ('places = ["a"]\nplace_s = 1', "place_s is no field"),
    ],
)
def test_a_bad_map_is_refused_by_its_field(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(FileTrouble, match=words):
        load(tmp_path, text)


def test_the_general_map_goes_from_sensor_to_control_unit() -> None:
    names = [spot.name for spot in harness.GENERAL.places]
    assert (names[0], names[-1], len(set(names))) == ("sensor connector", "control unit", len(names))
    assert harness.GENERAL.wiggles >= 3
