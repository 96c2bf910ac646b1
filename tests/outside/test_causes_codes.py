"""Code wording against the general table of the PyPI package `obd` (GPL-2.0): compared here, never copied.

Only its table is loaded, from its own file: importing the package itself would bring serial ports and units.
"""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest
from toothwise.causes import codes

from tests.parts import need

NOT_THERE = {"P000A", "P000B", "P000C", "P000D"}
"""Codes of ours that its table does not have."""

SAME = {  # our word: the words either table may use for it
    "sensor": ("sensor",),
    "crankshaft": ("crankshaft",),
    "camshaft": ("camshaft",),
    "correlation": ("correlation",),
    "range": ("range/performance",),
    "low": ("low",),
    "high": ("high resolution", "high"),
    "intermittent": ("intermittent",),
    "misfire": ("misfire",),
    "random": ("random",),
    "cylinder": ("cylinder",),
    "actuator": ("actuator",),
    "over-advanced": ("over-advanced",),
    "over-retarded": ("over-retarded",),
    "not": ("not",),
    "engine": ("engine",),
    "many": ("many",),
    "few": ("few",),
    "no": ("no pulse",),
    "reference": ("reference",),
    "voltage": ("voltage",),
    "open": ("open",),
    "timing": ("timing",),
}


def general() -> dict[str, str]:
    found = importlib.util.find_spec("obd")
    need("the obd package", found is not None)
    assert found is not None and found.origin is not None
    spec = importlib.util.spec_from_file_location("obd_codes", Path(found.origin).parent / "codes.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return dict(module.DTC)


def words(text: str) -> set[str]:
    """Which of the words of SAME a wording uses."""
    text = (
        text.lower().replace("range or performance", "range/performance").replace("high-resolution", "high resolution")
    )
    text = text.replace("no pulses", "no pulse")
    found = set()
    for ours, theirs in SAME.items():
        for word in theirs:
            if re.search(rf"(?<![a-z]){re.escape(word)}(?![a-z-])", text):
                found.add(ours)
                break
    return found


def test_every_code_but_the_slow_responses_is_in_the_general_table() -> None:
    table = general()
    assert {code for code in codes.TABLE if code not in table} == NOT_THERE


@pytest.mark.parametrize("code", sorted(set(codes.TABLE) - NOT_THERE))
def test_the_same_part_and_condition(code: str) -> None:
    assert words(codes.TABLE[code].text) == words(general()[code])


def test_the_comparison_can_fail() -> None:
    assert words("Crankshaft position sensor A: circuit low") != words("Crankshaft Position Sensor 'A' Circuit High")
    assert words("Misfire, cylinder 3") != words("Random/Multiple Cylinder Misfire Detected")


def test_maker_specific_codes_are_not_decoded_even_where_some_table_does() -> None:
    assert all(not code.startswith("P1") for code in codes.TABLE)
    assert codes.read("P1336").kind == "maker"


def test_cylinders_and_letters_agree() -> None:
    table = general()
    for code, entry in codes.TABLE.items():
        theirs = table.get(code, "")
        numbered = re.search(r"Cylinder (\d+) ", theirs)
        if numbered:
            assert entry.cylinder == int(numbered[1])
        letter = re.match(r".*'([ABC])'", theirs)
        if letter and entry.kind in ("crank", "cam", "pulses", "supply"):
            assert re.search(rf" {letter[1]}[:, ]| {letter[1]}$| {letter[1]}:", entry.text)
