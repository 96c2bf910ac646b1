"""What `bench` prints: a judgement, a lot, a gauge study, as lines of text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from toothwise.bench.charts import RULES, STANDARD
from toothwise.bench.decide import WORDS, limits_of, plain
from toothwise.bench.pages import failures, in_words, title
from toothwise.bench.result import PASS, REFERENCES
from toothwise.show.table import table

if TYPE_CHECKING:
    from toothwise.bench.gauge import GaugeStudy
    from toothwise.bench.lot import Lot
    from toothwise.records import SensorResult


def judgement(result: SensorResult) -> list[str]:
    """Verdict, reasons, every measure."""
    rows = [["", "measure", "stage", "value ± standard uncertainty", "limits"]]
    for one in result.measures:
        value = plain(one.value, one.unit, one.uncertainty)
        stage = "" if one.stage == "bench" else one.stage
        verdict = one.verdict if one.value is not None or one.verdict != PASS else "-"
        rows.append([verdict, WORDS.get(one.name, one.name), stage, value, limits_of(one.low, one.high, one.unit)])
    head = [result.verdict.upper(), *(f"  {reason}" for reason in result.reasons), ""]
    return [*head, *table(rows), f"reference: {REFERENCES[result.reference]}"]


def lot_lines(lot: Lot) -> list[str]:
    """In words, the measures, what was unusual."""
    rows = [["measure", "n", "median", "lowest", "highest", "limits", "Cpk (at least)"]]
    for one in lot.measures:
        found = one.capability
        index = "" if found is None or found.cpk is None else f"{found.cpk:.2f} ({found.cpk_low:.2f})"
        values = [plain(one.quartiles[place], one.unit) for place in (2, 0, 4)]
        rows.append([title(one), str(len(one.values)), *values, limits_of(one.low, one.high, one.unit), index])
    lines = [*in_words(lot), "", *table(rows, right={1})]
    if lot.failures:
        why = [[f"  {verdict}", name, f"{sensors:,}"] for name, verdict, sensors in failures(lot)]
        lines += ["", *table([["  why not", "", "sensors"], *why], right={2})]
    met = [
        f"  {title(one)}: rule {rule}, {RULES[rule]}, at {serial}"
        for one in lot.measures
        for rule, serial in one.met[-2:]
    ]
    return lines + ([f"run rules met ({STANDARD}), the latest:", *met] if met else [])


def gauge_lines(study: GaugeStudy) -> list[str]:
    """The table of variance, then the shares."""
    rows = [["source", "degrees of freedom", "sum of squares", "mean square", "F", "p"]]
    for row in study.rows:
        tested = ["", ""] if row.f is None or row.p is None else [f"{row.f:.3f}", f"{row.p:.3f}"]
        mean = "" if row.source == "total" else f"{row.mean:.5g}"
        rows.append([row.source, str(row.freedom), f"{row.squares:.5g}", mean, *tested])
    lines = [*table(rows, right={1, 2, 3, 4, 5}), ""]
    if study.pooled:
        lines.append("The interaction does not show; it is counted with the repeatability.")
    rows = [["part of the spread", "standard deviation", "share of the total"]]
    for name in ("repeatability", "operators", "interaction", "gauge", "parts", "total"):
        rows.append([name, f"{study.spread[name]:.5g}", f"{study.share[name]:.1%}"])
    lines += table(rows, right={1, 2})
    if study.of_tolerance is not None:
        lines.append(f"Six gauge spreads are {study.of_tolerance:.1%} of the tolerance.")
    share = study.share["gauge"]
    lines.append(
        f"The gauge takes {share:.1%} of the total spread: {study.verdict} (below 10 % good, to 30 % conditional)."
    )
    return [*lines, f"It can tell {study.categories} groups of parts apart."]
