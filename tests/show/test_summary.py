"""A result in words: nothing that matters left out, nothing long-winded."""

from __future__ import annotations

import io
from typing import Any

import pytest
from toothwise.examine import examine
from toothwise.show.screen import Look
from toothwise.show.summary import MOST_FINDINGS, summary
from toothwise.wheel import catalogue

from tests.examine.signals import held, turning
from tests.show.test_raster import Terminal

W60 = catalogue.wheel("60-2")


def result(drop: list[tuple[int, int]]) -> dict[str, Any]:
    crank, end = turning(W60, 1000, 60, drop=drop)
    return examine(held(end, crank=crank), W60).as_json()


def text(whole: dict[str, Any], **more: Any) -> str:
    return "\n".join(summary(whole, Look(io.StringIO()), **more))


def test_a_clean_signal_is_said_to_be_clean() -> None:
    assert "Nothing found: every tooth came" in text(result([]))


def test_a_signal_without_a_tooth_is_not_called_clean() -> None:
    crank, _ = turning(W60, 1000, 0.1)
    whole = examine(held(1000, crank=crank), W60).as_json()
    whole["teeth"]["seen"] = 0
    assert "no tooth was followed" in text(whole)


def test_the_same_tooth_is_told_as_one_and_many_findings_are_counted() -> None:
    whole = result([(r, 17) for r in range(2, 58)])
    short = text(whole)
    assert "tooth 17 (96°): missing 56 times in 60 revolutions" in short
    assert short.count("1 tooth missing") == MOST_FINDINGS
    assert f"… and {56 - MOST_FINDINGS} more" in short
    assert text(whole, every=True).count("1 tooth missing") == 56


def cause(name: str, stands: str, *speaks_for: str) -> dict[str, Any]:
    return {"cause": name, "stands": stands, "weight": 0.5, "for": list(speaks_for), "against": [], "next": "look"}


def test_causes_that_stand_are_told_in_full_and_the_rest_by_name() -> None:
    whole = result([(9, 9)])
    whole["causes"] = [
        cause("wheel_tooth", "supported", "tooth 9 in every turn"),
        cause("sensor", "contradicted", "nothing"),
        cause("misfire", "untested"),
    ]
    told = text(whole)
    assert "wheel_tooth: supported\n    for      tooth 9 in every turn\n    next     look" in told
    assert "contradicted: sensor" in told
    assert "untested: misfire" in told
    assert "nothing" not in told
    assert "service information comes first" in told


def test_measures_of_one_name_are_told_by_their_largest() -> None:
    whole = result([(9, 9)])
    whole["measures"] = [
        {"name": "tooth_error", "value": 0.01 * k, "unit": "deg", "uncertainty": 0.002, "tooth": k}
        for k in range(1, 59)
    ] + [{"name": "jitter", "value": 0.0123, "unit": "deg rms", "uncertainty": None}]
    told = text(whole)
    assert "0.580 ± 0.002°  largest of 58: tooth 58" in told
    assert "jitter" in told
    assert text(whole, every=True).count("tooth_error") == 58


def test_long_lines_wrap_at_the_terminal_s_width(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    monkeypatch.setenv("TERM", "xterm")
    whole = result([(9, 9)])
    whole["causes"] = [cause("sensor", "possible", "word " * 40)]
    for line in summary(whole, Look(Terminal())):
        plain = line.replace("\x1b[0m", "")
        assert len(plain.split("m", 1)[-1] if plain.startswith("\x1b") else plain) < 60
