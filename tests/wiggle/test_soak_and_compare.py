"""Soak against the temperature, and before against after."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from toothwise.errors import FileTrouble
from toothwise.wiggle import Mark, judge, look
from toothwise.wiggle.compare import compare
from toothwise.wiggle.ntc import Thermistor
from toothwise.wiggle.soak import Temperature, marked_temperatures, read_temperatures, soak

from tests.wiggle.made_tests import CLOCK, raw_reading, resting


def test_events_in_hours_and_by_temperature() -> None:
    at = [100.0, 3700.0, 5000.0, 5100.0, 7000.0]
    seen = look(resting(7200.0, {"crank": [(t, 1e-3) for t in at]}, {"crank": 0}), [])
    readings = [Temperature(0.0, 22.0), Temperature(3600.0, 35.0), Temperature(6000.0, 22.5)]
    told = soak(seen, readings)
    assert (told["hours"], told["events"]) == ([1, 4], 5)
    cold, warm = told["by_temperature"]
    assert (cold["from_c"], cold["seconds"], cold["events"]) == (20.0, pytest.approx(4800.0), 2)
    assert (warm["from_c"], warm["seconds"], warm["events"]) == (30.0, pytest.approx(2400.0), 3)
    assert warm["per_hour"] == pytest.approx(4.5)
    assert [line["celsius"] for line in told["list"]] == [22.0, 35.0, 35.0, 35.0, 22.5]


def test_a_heat_fault_shows_against_the_cold() -> None:
    at = np.linspace(3700.0, 7100.0, 20).tolist()
    seen = look(resting(7200.0, {"crank": [(t, 1e-3) for t in at]}, {"crank": 0}), [])
    told = soak(seen, [Temperature(0.0, 22.0), Temperature(3600.0, 85.0)])
    assert told["hot_and_cold_p"] < 1e-4
    assert soak(seen, [])["hot_and_cold_p"] is None


def test_temperatures_come_back_from_their_marks() -> None:
    marks = [(0, "hands off"), (CLOCK.ticks(2.0), "23.5 °C"), (CLOCK.ticks(9.0), "-4.0 °C")]
    assert [(r.t_s, r.celsius) for r in marked_temperatures(marks, CLOCK)] == [(2.0, 23.5), (9.0, -4.0)]


def test_a_mark_that_only_looks_like_a_temperature_is_none() -> None:
    assert marked_temperatures([(0, "foo °C"), (5, "nan °C"), (9, "1e999 °C")], CLOCK) == []


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("0,21\n5,nan\n", "row 3: no time and temperature"),
        ("inf,21\n", "row 2: no time and temperature"),
        ('0,"21\n' + "5,22\n" * 50_000, "row 2"),
        ("0\n", "row 2: no time and temperature"),
    ],
)
def test_temperatures_that_are_none_are_refused_with_their_row(tmp_path: Path, rows: str, words: str) -> None:
    file = tmp_path / "t.csv"
    file.write_text("time_s,celsius\n" + rows, encoding="utf-8")
    with pytest.raises(FileTrouble, match=words):
        read_temperatures(file)


def test_a_thermistor_that_is_open_or_short_tells_nothing() -> None:
    assert Thermistor().celsius(0) is None
    assert Thermistor().celsius(65535) is None
    assert Thermistor().celsius(65535 // 2) == pytest.approx(25.0, abs=0.01)


def test_colder_is_more_ohms_and_a_higher_reading() -> None:
    sensor = Thermistor(series_ohm=4700.0)
    for celsius in (-30.0, 0.0, 60.0, 120.0):
        assert sensor.celsius(raw_reading(sensor, celsius)) == pytest.approx(celsius, abs=0.1)


def whole(events: int) -> dict[str, object]:
    at = np.linspace(11.0, 29.0, events).tolist() if events else []
    recording = resting(50.0, {"crank": [(t, 1e-3) for t in at]}, {"crank": 0})
    marks = [Mark(0, "hands off"), Mark(CLOCK.ticks(10), "a"), Mark(CLOCK.ticks(30), "b")]
    return judge([look(recording, marks)]).as_json()


def test_before_and_after_place_by_place() -> None:
    a, b, both = compare(whole(12), whole(0))
    assert (a["place"], b["place"], both["place"]) == ("a", "b", "all places")
    assert a["p"] == pytest.approx(0.5**12 * 2)
    assert "fewer events than before" in a["says"]
    assert b["says"] == "b: no event before or after."
    assert "chance alone" in compare(whole(1), whole(0))[0]["says"]
    assert "more events" in compare(whole(0), whole(12))[0]["says"]
