"""Lots: counts, figures, charts, papers; and the bar code read back by somebody else's decoder."""

from __future__ import annotations

import csv
import io
import json
import random
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from toothwise.bench import axes, charts, code128, lot, lot_files, pages, pictures, sampling
from toothwise.bench.result import FAIL, PASS, RETEST
from toothwise.errors import Trouble
from toothwise.records import SensorResult

from tests.bench import made_results
from tests.parts import need


def of(runs: list[SensorResult], **more: object) -> lot.Lot | None:
    """As the book gives it: results without their measures, and those as columns."""
    heads = [{**run.as_dict(), "measures": []} for run in runs]
    return lot.lot_of("QB-7", heads, made_results.columns(runs), **more)  # type: ignore[arg-type]


def whole(sensors: int = 80, **more: object) -> lot.Lot:
    found = of(made_results.lot(sensors), **more)
    assert found is not None
    return found


def test_each_sensor_counts_by_its_last_run() -> None:
    runs = made_results.lot(30)
    again = replace(
        runs[3], uuid="00000000-0000-4000-8000-00000000ffff", verdict=FAIL, ended_utc="2026-12-01T00:00:00Z"
    )
    found = of([*runs, again])
    assert found is not None
    good = sum(r.verdict == PASS for r in runs)
    assert (found.yields.sensors, found.yields.passed, found.yields.failed) == (
        30,
        good - 1,
        31 - good - found.yields.retest,
    )
    assert found.yields.first == good
    assert found.yields.bounds == sampling.clopper_pearson(good - 1, 30)
    assert lot.lot_of("none", [], []) is None


def test_figures_are_those_of_the_values() -> None:
    found = whole()
    one = next(m for m in found.measures if m.name == "edge_position")
    assert one.capability is not None and one.capability.cp is not None
    assert one.capability.mean == pytest.approx(one.values.mean())
    assert one.capability.cp == pytest.approx(1.0 / (6 * one.values.std(ddof=1)))
    assert one.capability.cp_low is not None and one.capability.cp_low < one.capability.cp
    assert one.chart is not None
    assert one.chart.high - one.chart.centre == pytest.approx(3 * np.abs(np.diff(one.values)).mean() / 1.128, rel=1e-3)
    assert next(m for m in found.measures if m.name == "missing").capability is None


def test_a_large_lot_is_charted_by_means_of_five() -> None:
    found = whole(203)
    one = next(m for m in found.measures if m.name == "edge_position")
    assert one.chart is not None and one.chart.size == 5 and len(one.chart.points) == 40
    groups = one.values[:200].reshape(40, 5)
    sigma = groups.std(axis=1, ddof=1).mean() / charts.c4(5) / np.sqrt(5)
    assert one.chart.high - one.chart.centre == pytest.approx(3 * sigma)
    shifted = charts.means(np.where(np.arange(40)[:, None] < 30, groups, groups + 0.3))
    assert any(at >= 30 and rule == 1 for at, rule in shifted.signals), "a shift of two standard deviations is seen"


def test_the_spread_has_a_chart_of_its_own() -> None:
    """Factors as tables of control charts have them (D4 = 3.267 of two, B4 = 2.089 of five: from memory, and here
    from their integrals)."""
    rng = np.random.default_rng(3)
    single = charts.individuals(rng.normal(size=50)).spread
    assert single is not None and len(single.points) == 49
    assert (single.low, single.high / single.centre) == (0.0, pytest.approx(3.267, abs=1e-3))
    groups = rng.normal(size=(40, 5))
    five = charts.means(groups).spread
    assert five is not None and (five.low, five.high / five.centre) == (0.0, pytest.approx(2.089, abs=1e-3))
    groups[17] *= 6.0
    wide = charts.means(groups).spread
    assert wide is not None and (17, 1) in wide.signals
    runs = made_results.lot(20)
    at = [m.name for m in runs[0].measures].index("duty")
    for n, value in ((11, 0.40), (12, 0.60)):
        measures = list(runs[n].measures)
        measures[at] = replace(measures[at], value=value)
        runs[n] = replace(runs[n], measures=tuple(measures))
    found = of(runs)
    assert found is not None
    duty = next(m for m in found.measures if m.name == "duty")
    assert "QB-7-0012" in duty.spread_met, "a moving range belongs to the later of its two"


def test_ticks_are_round_numbers() -> None:
    assert [text for _, text in axes.numbered(0.0, 1.0, 5)] == ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]
    assert [text for _, text in axes.numbered(-0.06, 0.05, 5)] == ["−0.050", "−0.025", "0.000", "0.025", "0.050"]
    assert [text for _, text in axes.numbered(0.0, 2600.0, 3)] == ["0", "1,000", "2,000"]
    assert [value for value, _ in axes.numbered(0.0, 3.0, 9, least=1.0)] == [0.0, 1.0, 2.0, 3.0]
    low, high = axes.reach(np.array([1.0, 2.0]), 3.0)
    assert low < 1.0 and high > 3.0


def test_pictures_show_their_points_where_they_are() -> None:
    """A point's place on the paper, turned back by the ticks' places and numbers, is its value."""
    found = whole(30)
    one = next(m for m in found.measures if m.name == "feed_current")
    assert one.chart is not None
    root = ElementTree.fromstring(pictures.measure(one))
    line = root.find("{*}polyline")
    assert line is not None
    drawn = np.array([list(map(float, pair.split(","))) for pair in line.attrib["points"].split()])
    numbers = [t for t in root.findall(".//{*}text[@text-anchor='end']") if float(t.attrib["x"]) > 180]
    beside = {float(t.text or ""): float(t.attrib["y"]) - 2.6 for t in numbers if float(t.attrib["y"]) < 110}
    assert len(beside) >= 3
    slope, foot = np.polyfit(list(beside.values()), list(beside), 1)
    np.testing.assert_allclose(slope * drawn[:, 1] + foot, one.values, atol=0.02 * np.ptp(one.values))


def test_a_trend_is_told_where_a_lot_is_unlike_the_others() -> None:
    key = "edge_position dwell 3000 rpm"
    late = [made_results.in_short(made_results.lot(40, seed=n, offset_deg=0.3), f"QB-{n}") for n in range(5)]
    found = whole(earlier=[mean for each in late for mean in each])
    trend = next(one for one in found.trends if one.key == key)
    assert trend.far < -3.0 and [one.name for one in trend.lots] == [*(f"QB-{n}" for n in range(5)), "QB-7"]
    assert "Unlike the earlier lots: edge position" in " ".join(pages.in_words(found))
    alike = [made_results.in_short(made_results.lot(40, seed=n), f"QB-{n}") for n in range(2, 7)]
    same = whole(earlier=[mean for each in alike for mean in each])
    assert all(abs(one.far) < 3.0 for one in same.trends) and len(same.trends) == len(same.measures)
    assert whole(earlier=[mean for each in alike[:2] for mean in each]).trends == ()


def test_sampling_decides() -> None:
    plan = sampling.plan(1000, 1.0)
    decided = whole(plan=plan).decision
    assert decided is not None and decided[0] in ("accept", "reject")
    assert plan.decide(3, 10)[0] == "reject"
    assert plan.decide(0, 79) == ("go on", "1 of 80 are still to be checked")
    with pytest.raises(Trouble, match="no plan"):
        sampling.plan(1000, 0.9)


def test_what_was_left_out_after_a_clear_fail_is_no_reason() -> None:
    runs = made_results.lot(10)
    kept = runs[4].measures
    failed = tuple(replace(m, value=None, verdict=RETEST) if m.name == "jitter" else m for m in kept)
    early = replace(kept[4], verdict=FAIL, value=150.0)
    runs[4] = replace(runs[4], verdict=FAIL, measures=(early, *(m for m in failed if m.name == "jitter")))
    runs[5] = replace(runs[5], verdict=RETEST, measures=failed)
    found = of(runs)
    assert found is not None
    assert dict(found.failures) == {"fail: lowest_full_count sweep": 1, "retest: jitter dwell 3000 rpm": 1}


def test_json_and_csv_hold_every_sensor() -> None:
    found = whole()
    told = json.loads(json.dumps(lot_files.as_json(found), allow_nan=False))
    assert len(told["sensors"]) == 80 and told["yield"]["sensors"] == 80
    rows = list(csv.DictReader(io.StringIO(lot_files.as_csv(found))))
    assert len(rows) == 80
    assert float(rows[5]["edge_position dwell 3000 rpm [deg]"]) == pytest.approx(
        made_results.lot(80)[5].measures[-2].value, rel=1e-8
    )


def test_run_rules_each_see_their_pattern() -> None:
    """One made series a rule, in standard deviations; random ones meet few."""
    up = np.arange(6) * 0.3 - 0.8
    patterns = {
        1: [0.1, -0.2, 3.2],
        2: [0.3, 0.1, 0.4, 0.2, 0.5, 0.1, 0.3, 0.2, 0.4],
        3: up.tolist(),
        4: [0.5, -0.5] * 7,
        5: [0.1, 2.1, -0.1, 2.2],
        6: [1.1, 1.2, -0.1, 1.3, 1.2],
        7: [0.5, -0.4, 0.3] * 5,
        8: [1.2, -1.3, 1.4, -1.1, 1.2, 1.3, -1.5, -1.2],
    }
    for rule, series in patterns.items():
        found = charts.signals(np.array(series))
        assert (len(series) - 1, rule) in found, rule
        assert rule not in [r for at, r in found if at < len(series) - 1], f"rule {rule} came too soon"
    rng = np.random.default_rng(1)
    ones = [at for at, rule in charts.signals(rng.normal(size=20_000)) if rule == 1]
    assert len(ones) == pytest.approx(20_000 * 0.0027, rel=0.3)  # two tails of the normal beyond three


@pytest.mark.parametrize("text", ["QB-7-0042", "0123456789", "A1", "12", "AB1234567CD9", "x" * 20])
def test_widths_are_those_of_the_standard(text: str) -> None:
    """ISO/IEC 15417: every symbol 11 modules, the stop 13."""
    found = code128.widths(text)
    assert sum(found) == 11 * len(code128.values(text)) + 13


def test_the_bar_code_is_read_back_by_another_program() -> None:
    try:
        import zxingcpp
    except ImportError:
        need("zxing-cpp", False)
    draw = random.Random(1)
    every = ["".join(map(chr, range(first, min(first + 16, 127)))) for first in range(32, 127, 16)]
    letters = "ABCDEFXYZ0123456789-/."
    for text in [*every, "0042", "QB-7-0042", *("".join(draw.choices(letters, k=n)) for n in range(1, 18))]:
        row = [255 * (place % 2 == 0) for place, n in enumerate([10, *code128.widths(text), 10]) for _ in range(3 * n)]
        read = zxingcpp.read_barcodes(np.tile(np.array(row, np.uint8), (60, 1)))
        assert [code.text for code in read] == [text]


def test_a_serial_number_that_is_no_bar_code_is_refused_in_words() -> None:
    with pytest.raises(Trouble, match="plain ASCII"):
        pages.label(replace(made_results.lot(1)[0], serial="Größe 7"))


def test_papers_hold_what_they_should_and_escape_the_rest() -> None:
    found = whole(plan=sampling.plan(1000, 1.0))
    text = pages.lot_report(found)
    for words in ("In plain words", "Operating characteristic", "Bissell", "ISO 8258:1991", "QB-7-0042"):
        assert words in text
    assert "<script" not in text and "http://" not in text.replace("http://www.w3.org", "")
    evil = replace(found.last[0], serial="<script>alert(1)</script>", reasons=("<b>x</b>",))
    paper = pages.certificate(evil)
    assert "<script>" not in paper and "&lt;script&gt;" in paper and "&lt;b&gt;" in paper
    assert "proposal nobody has answered for" not in paper
    proposal = replace(evil, versions={"limits": "proposal"})
    assert "proposal nobody has answered for" in pages.certificate(proposal)
    assert "<script" not in pages.label(replace(evil, serial="<script>"))


def test_no_letter_that_steers_reaches_a_paper() -> None:
    turned = replace(made_results.lot(1)[0], reasons=("jitter \u202eliaf",), uuid="u\u202eid")
    assert "\u202e" not in pages.certificate(turned)
