"""The state that is shown: whoever asks at whatever pace ends with the same, and nothing grows."""

from __future__ import annotations

import json
import re
from importlib.resources import files
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise import records
from toothwise.page.shown import MOST_FINDINGS, MOST_ROWS, Shown

news = st.fixed_dictionaries(
    {},
    optional={
        "now": st.integers(0, 99),
        "alarm": st.integers(0, 9),
        "rows": st.lists(st.tuples(st.integers(0, 300), st.integers(0, 9)).map(list), max_size=4),
        "findings": st.lists(st.tuples(st.integers(0, 90), st.text(max_size=3)).map(list), max_size=4),
    },
)


def merged(parts: list[dict[str, Any]]) -> dict[str, Any]:
    """As the page puts together what it is sent."""
    out: dict[str, Any] = {"rows": {}, "findings": {}}
    for part in parts:
        for name, value in part.items():
            if name in ("rows", "findings"):
                out[name] |= {one[0]: one for one in value}
            else:
                out[name] = value
    for name, most in (("rows", MOST_ROWS), ("findings", MOST_FINDINGS)):
        out[name] = {number: out[name][number] for number in sorted(out[name])[-most:]}
    return out


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(news, st.booleans()), max_size=40))
def test_a_slow_reader_ends_with_what_a_quick_one_has(steps: list[tuple[dict[str, Any], bool]]) -> None:
    shown = Shown()
    quick, slow, asked = [], [], 0
    for part, read in steps:
        before = shown.serial
        shown.take(part)
        quick.append(shown.since(before))
        if read:
            slow.append(shown.since(asked))
            asked = shown.serial
    slow.append(shown.since(asked))
    assert merged(slow) == merged(quick) == merged([shown.since(0)])


def test_nothing_new_is_nothing() -> None:
    shown = Shown()
    shown.take({"now": 1, "rows": [[1, "a"]]})
    assert shown.since(shown.serial) == {}


def test_it_keeps_the_last_few_and_no_more() -> None:
    shown = Shown()
    for n in range(10_000):
        shown.take({"now": {"n": n}, "rows": [[n, 0, 1, "1" * 58]], "findings": [[n, "missing", "x", "y"]]})
    told = shown.since(0)
    assert [row[0] for row in told["rows"]] == list(range(10_000 - MOST_ROWS, 10_000))
    assert [finding[0] for finding in told["findings"]] == list(range(10_000 - MOST_FINDINGS, 10_000))
    assert len(json.dumps(told)) < 20_000


def test_the_script_counts_and_reads_cells_as_we_do() -> None:
    script = files("toothwise.page").joinpath("page.js").read_text(encoding="utf-8")
    numbers = {name: int(value) for name, value in re.findall(r"\b([A-Z_]+) = (\d+)\b", script)}
    assert numbers.items() >= {"MOST_ROWS": MOST_ROWS, "MOST_FINDINGS": MOST_FINDINGS}.items()
    assert {n: numbers[n] for n in ("SEEN", "BLIND", "EXTRA", "MISSING")} == {
        n: getattr(records, n) for n in ("SEEN", "BLIND", "EXTRA", "MISSING")
    }


def test_a_wheel_that_is_new_begins_with_new_rows() -> None:
    shown = Shown()
    shown.take({"rows": [[1, "old"]]})
    shown.take({"wheel": "36-1", "rows": [[2, "new"]]})
    assert shown.since(0) == {"wheel": "36-1", "rows": [[2, "new"]]}
