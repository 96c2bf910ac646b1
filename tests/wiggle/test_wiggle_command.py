"""`toothwise wiggle` on files and on recordings of the book: the object a machine reads, and refusals in one line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Toothwise, toothwise  # noqa: F401

REST = "time_s,channel,level\n0.0,crank,1\n"
MARKS = "time_s,place\n0,hands off\n10,plug\n20,bend\n30,plug\n40,bend\n50,plug\n60,bend\n"


def files(edges: str, marks: str = MARKS) -> tuple[str, str]:
    Path("edges.csv").write_text(edges, encoding="utf-8")
    Path("marks.csv").write_text(marks, encoding="utf-8")
    return "edges.csv", "marks.csv"


def pulses(*at: float, channel: str = "crank", lasts: float = 1e-3) -> str:
    return "".join(f"{t:.9f},{channel},0\n{t + lasts:.9f},{channel},1\n" for t in at)


def test_the_object_a_machine_reads(toothwise: Toothwise) -> None:  # noqa: F811
    edges, marks = files(REST + pulses(15.0, 35.0, 55.0, lasts=250e-6))
    ran = toothwise("wiggle", "--from", edges, "--marks", marks, "--json")
    assert (ran.code, ran.err) == (1, "")
    told = json.loads(ran.out)
    assert (told["schema"], told["mode"], told["wheel"]) == (1, "rest", None)
    plug, bend = told["places"]
    assert (plug["place"], plug["wiggles"], plug["events"], plug["stands"]) == ("plug", 3, 3, "confirmed")
    assert plug["longest_s"] == pytest.approx(250e-6, abs=2e-9)
    assert plug["classes"]["100us"] == 3
    assert plug["conductors"] == {"signal": 3}
    assert plug["held"] == {"high": 0, "low": 3}
    assert (bend["stands"], bend["bound_95"]) == ("quiet", pytest.approx(1 - 0.05 ** (1 / 3)))
    assert [event["place"] for event in told["events"]] == ["plug"] * 3
    assert [event["t_s"] for event in told["events"]] == [15.0, 35.0, 55.0]


def test_a_file_of_levels_alone_is_a_quiet_harness(toothwise: Toothwise) -> None:  # noqa: F811
    edges, marks = files(REST + "0.0,feed,1\n")
    ran = toothwise("wiggle", "--from", edges, "--marks", marks, "--json")
    assert ran.code == 0
    assert {place["stands"] for place in json.loads(ran.out)["places"]} == {"quiet"}


def test_in_words(toothwise: Toothwise) -> None:  # noqa: F811
    edges, marks = files(REST + pulses(15.0, 35.0, 55.0))
    ran = toothwise("wiggle", "--from", edges, "--marks", marks, "--front-end", "hall")
    for words in ("plug: confirmed", "events in 3 of 3 wiggles, and none with hands off", "quiet: bend", "63.2 %",
                  "held low: short to ground", "Front end hall 5 V: its filter hides",
                  "maker's service information comes first"):  # fmt: skip
        assert words in ran.out, words


def test_what_was_not_watched_and_what_is_not_known_is_said(toothwise: Toothwise) -> None:  # noqa: F811
    edges, marks = files(REST + pulses(15.0))
    out = " ".join(toothwise("wiggle", "--from", edges, "--marks", marks).out.split())
    assert "feed not watched" in out
    assert "--front-end tells how short" in out
    edges, marks = files(REST + "0.0,feed,1\n" + pulses(15.0))
    assert "not watched" not in toothwise("wiggle", "--from", edges, "--marks", marks).out


def test_a_closing_row_says_when_the_last_place_was_left(toothwise: Toothwise) -> None:  # noqa: F811
    edges, marks = files(REST + pulses(15.0) + "63.0,crank,1\n")
    told = json.loads(toothwise("wiggle", "--from", edges, "--marks", marks, "--json").out)
    assert told["end_supposed"] is False
    assert [place["moved_s"] for place in told["places"]] == [30.0, 23.0]
    edges, marks = files(REST + pulses(15.0))
    told = json.loads(toothwise("wiggle", "--from", edges, "--marks", marks, "--json").out)
    assert told["end_supposed"] is True


@pytest.mark.parametrize("values", ["nan,3950,10000", "10000,inf,10000", "10000,3950", "10000,-1,10000", "a,b,c"])
def test_a_thermistor_needs_three_numbers(values: str) -> None:
    from toothwise.commands.wiggle_sessions import _thermistor
    from toothwise.errors import FileTrouble

    with pytest.raises(FileTrouble, match="three numbers above 0"):
        _thermistor(values)


def test_before_and_after(toothwise: Toothwise) -> None:  # noqa: F811
    edges, marks = files(REST + pulses(*(10.5 + 0.5 * i for i in range(18))))
    Path("before.json").write_text(
        toothwise("wiggle", "--from", edges, "--marks", marks, "--json").out, encoding="utf-8"
    )
    edges, marks = files(REST)
    ran = toothwise("wiggle", "--from", edges, "--marks", marks, "--before", "before.json")
    assert "plug: fewer events than before, which chance does not explain." in ran.out
    assert ran.code == 0


def test_soak_of_a_file(toothwise: Toothwise) -> None:  # noqa: F811
    edges, _ = files(REST + pulses(100.0, 4000.0) + "7200.0,crank,0\n7200.001,crank,1\n")
    Path("t.csv").write_text("time_s,celsius\n0,21\n3600,64\n", encoding="utf-8")
    ran = toothwise("wiggle", "--soak", "--from", edges, "--temperatures", "t.csv")
    assert "20 to 30" in ran.out
    assert "60 to 70" in ran.out


@pytest.mark.parametrize(
    ("arguments", "words", "code"),
    [
        (("--from", "edges.csv"), "There are no marks", 3),
        (("--from", "edges.csv", "--marks", "none.csv"), "there is no file none.csv", 3),
        (("--from", "none.csv", "--marks", "marks.csv"), "there is no file none.csv", 3),
        (("--from", "7", "--marks", "marks.csv"), "7", 5),
        (("--from", "edges.csv", "--marks", "marks.csv", "--mode", "turning"), "wheel cannot be made out", 3),
        (("--from", "edges.csv", "--marks", "marks.csv", "--before", "edges.csv"), "edges.csv holds no wiggle test", 3),
        (("--from", "edges.csv", "--marks", "marks.csv", "--before", "bare.json"), "entry 1 has no events", 3),
        (("--from", "edges.csv", "--marks", "marks.csv", "--before", "deep.json"), "too many of them", 3),
        (("--from", "edges.csv", "--marks", "marks.csv", "--before", "none.json"), "none.json cannot be read", 3),
        (("--map", "none.toml"), "there is no file none.toml", 3),
        (("--mode", "flying"), "invalid choice", 2),
        (("--soak", "--hours", "x"), "'x' is not a number of hours above 0", 2),
    ],
)
def test_refused_in_one_line(
    toothwise: Toothwise,  # noqa: F811
    arguments: tuple[str, ...],
    words: str,
    code: int,
) -> None:
    files(REST + pulses(15.0))
    Path("bare.json").write_text('{"places": [{"place": "plug"}]}', encoding="utf-8")
    Path("deep.json").write_text("[" * 100_000, encoding="utf-8")
    ran = toothwise("wiggle", *arguments)
    assert ran.code == code
    assert words in ran.err
    assert ran.err.count("\n") == 1
    assert "Traceback" not in ran.err
