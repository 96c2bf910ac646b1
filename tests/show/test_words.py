"""Numbers by one rule, findings in plain words."""

from __future__ import annotations

import pytest
from toothwise.edges.signal import Clock
from toothwise.records import Event
from toothwise.show import words


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        (12.3456, 0.021, "12.35 ± 0.02"),
        (12.3456, 0.0141, "12.346 ± 0.014"),
        (849.7, 31.0, "850 ± 30"),
        (0.05049, None, "0.0505"),
        (99.99, None, "100"),
        (0.9999, None, "1.00"),
        (1234.0, None, "1230"),
        (-3.14159, None, "-3.14"),
        (0.0, None, "0"),
        (1.5686e-270, None, "1.57e-270"),
        (-4.2e-8, None, "-4.20e-08"),
        (2e-6, None, "0.00000200"),
        (0.0, 0.3, "0.0 ± 0.3"),
        (-0.0004, 0.013, "0.000 ± 0.013"),
        (12.0, 0.0, "12.0"),
        (191.0642754, 2e-7, "191.064"),
        (0.0, 4e-13, "0"),
        (float("nan"), None, "unknown"),
    ],
)
def test_the_rounding_rule(value: float, uncertainty: float | None, text: str) -> None:
    assert words.number(value, uncertainty) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0 s"),
        (16e-9, "16.0 ns"),
        (999.6e-9, "1.00 µs"),
        (37.8e-6, "37.8 µs"),
        (2.9e-3, "2.90 ms"),
        (0.99996, "1.00 s"),
        (59.94, "59.9 s"),
        (750.0, "12 min 30 s"),
        (3600.0, "1 h 00 min"),
        (11_520.0, "3 h 12 min"),
    ],
)
def test_durations(seconds: float, text: str) -> None:
    assert words.span(seconds) == text


CLOCK = Clock(1000.0)


def line(kind: str, **fields: object) -> str:
    start = {"channel": "crank", "tick": 12_304_000, "end_tick": 12_306_900, **fields}
    return words.finding(Event(kind, **start).as_json(CLOCK))  # type: ignore[arg-type]


def test_findings_read_as_sentences() -> None:
    where = {"revolution": 41, "tooth": 17, "angle_deg": 96.0}
    assert line("missing", count=2, level=1, **where) == (
        "12.304 s  revolution 41  tooth 17 (96°): 2 teeth missing, held high 2.90 ms"
    )
    assert line("extra", count=2, **where | {"angle_deg": 97.46}) == (
        "12.304 s  revolution 41  tooth 17 (97.5°): 1 extra pulse of 2.90 ms"
    )
    assert line("extra", count=7, **where).endswith(": 7 extra edges within 2.90 ms")
    assert line("extra", count=1, end_tick=12_304_000, **where).endswith(": 1 extra edge")
    assert line("silent", revolution=3, tooth=1, level=0, more={"proof": "cam went on turning"}) == (
        "12.304 s  revolution 3  tooth 1: silent for 2.90 ms while the wheel turned, held low (cam went on turning)"
    )
    assert line("stopped") == "12.304 s: the wheel stopped for 2.90 ms"
    assert line("feed_low", channel="feed") == "12.304 s  feed: the sensor's feed was low for 2.90 ms"
    assert line("contact", count=4) == "12.304 s: the level changed 4 times with nothing turning, within 2.90 ms"
    assert line("blind", channel="all", more={"reason": "overrun"}) == (
        "12.304 s: blind for 2.90 ms (overrun); speaks neither for nor against the sensor"
    )
    assert line("missing", channel="cam", revolution=None, tooth=3).startswith("12.304 s  cam  tooth 3: ")


def test_text_from_outside_cannot_steer_the_terminal() -> None:
    assert words.clean("a\x1b[2Jb\r\nc\u202ed\u200f") == "a [2Jb c d"


def test_counts_have_their_plural() -> None:
    assert words.count(1, "tooth", "teeth") == "1 tooth"
    assert words.count(13_204, "edge") == "13,204 edges"


def test_no_time_is_minus_nothing() -> None:
    assert (words.clock_time(-0.0001), words.clock_time(-1.5)) == ("0.000 s", "-1.500 s")
