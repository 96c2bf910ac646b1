"""Pictures of a lot: each measure's distribution beside its control chart, the trend over lots, a plan's curve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from toothwise.bench.charts import Chart
from toothwise.bench.decide import WORDS
from toothwise.bench.lot import MeasureFigures
from toothwise.bench.sampling import Plan
from toothwise.report.plots.paper import FILL, INK, MISSING, QUIET, drawing

HEIGHT_IN = 1.7
MARGINS = {"left": 0.07, "right": 0.99, "bottom": 0.27, "top": 0.95, "wspace": 0.17}


def measure(one: MeasureFigures) -> str:
    """SVG: histogram with limits and guard band on the left, the chart in the order of making on the right."""
    with drawing(HEIGHT_IN) as (figure, out):
        one = _scaled(one)
        figure.set_layout_engine("none")  # finding the margins anew takes a third of the time, a dozen times a report
        left, right = figure.subplots(1, 2, width_ratios=[1, 2], gridspec_kw=MARGINS)
        _histogram(left, one)
        if one.chart is not None:
            _chart(right, one.chart)
        else:
            right.plot(np.arange(1, len(one.values) + 1), one.values, ".", color=INK, markersize=3)
        group = 1 if one.chart is None else one.chart.size
        right.set_xlabel("sensor" if group == 1 else f"means of {group} sensors in a row")
    return out[0]


def _histogram(axes: Any, one: MeasureFigures) -> None:
    bins = min(30, max(6, round(np.sqrt(len(one.values)))))
    axes.hist(one.values, bins=bins, color=FILL, edgecolor=QUIET, linewidth=0.4)
    for limit in (one.low, one.high):
        if limit is not None and _near(limit, one):
            axes.axvline(limit, color=MISSING, linewidth=1.0)
            if one.gauge:
                band = 2.0 * one.gauge
                axes.axvspan(limit - band, limit + band, color=MISSING, alpha=0.12, linewidth=0)
    axes.set_xlabel(_label(one.name, one.unit))
    axes.set_ylabel("sensors")


def _scaled(one: MeasureFigures) -> MeasureFigures:
    """Large resistances in megohms, so that the axis needs no power of ten."""
    if one.unit != "ohm" or one.quartiles[2] < 1e6:
        return one
    low, high = (None if limit is None else limit / 1e6 for limit in (one.low, one.high))
    chart, (a, b, c, d, e) = one.chart, one.quartiles
    if chart is not None:
        chart = replace(
            chart, points=chart.points / 1e6, centre=chart.centre / 1e6, low=chart.low / 1e6, high=chart.high / 1e6
        )
    return replace(
        one,
        unit="MΩ",
        low=low,
        high=high,
        values=one.values / 1e6,
        quartiles=(a / 1e6, b / 1e6, c / 1e6, d / 1e6, e / 1e6),
        gauge=one.gauge and one.gauge / 1e6,
        chart=chart,
    )


def _near(limit: float, one: MeasureFigures) -> bool:
    """Whether drawing a limit leaves the distribution readable."""
    span = max(one.quartiles[4] - one.quartiles[0], 1e-12)
    return one.quartiles[0] - 8.0 * span <= limit <= one.quartiles[4] + 8.0 * span


def _chart(axes: Any, chart: Chart) -> None:
    at = np.arange(1, len(chart.points) + 1)
    axes.plot(at, chart.points, "-", color=QUIET, linewidth=0.5)
    axes.plot(at, chart.points, ".", color=INK, markersize=3)
    axes.axhline(chart.centre, color=INK, linewidth=0.7)
    for limit in (chart.low, chart.high):
        axes.axhline(limit, color=MISSING, linewidth=0.7, linestyle="--")
    rules: dict[int, list[int]] = {}
    for place, rule in chart.signals:
        rules.setdefault(place, []).append(rule)
    ringed = np.array(list(rules), np.int64)
    axes.plot(ringed + 1, chart.points[ringed], "o", color=MISSING, markersize=5, fillstyle="none")
    for place, met in rules.items():
        if len(rules) <= 12:
            text = ",".join(map(str, met))
            axes.annotate(text, (place + 1, chart.points[place]), (3, 3), textcoords="offset points", fontsize=6)


def trend(unit: str, lots: Mapping[str, Sequence[float]]) -> str:
    """SVG: each lot's mean with its spread (bars) and mean's standard error (thick), oldest first."""
    with drawing(1.5) as (figure, out):
        axes = figure.subplots()
        for place, values in enumerate(lots.values(), 1):
            data = np.array(values)
            spread = float(np.std(data, ddof=1)) if len(data) > 1 else 0.0
            axes.errorbar(place, data.mean(), spread, color=QUIET, linewidth=0.7, capsize=2)
            error = spread / np.sqrt(len(data))
            axes.errorbar(place, data.mean(), error, color=INK, linewidth=2.0, fmt="o", markersize=3)
        axes.set_xticks(range(1, len(lots) + 1), [name[:12] for name in lots], fontsize=6)
        axes.set_xlim(0.5, len(lots) + 0.5)
        axes.set_ylabel(unit)  # the caption says of what
    return out[0]


def operating_curve(plan: Plan) -> str:
    """SVG: how likely a lot is accepted by its share of bad sensors, the producer's and consumer's points marked."""
    with drawing(1.8) as (figure, out):
        axes = figure.subplots()
        worst = max(2.5 * plan.share_at(0.10), 0.01)
        share = np.linspace(0.0, min(worst, 1.0), 200)
        axes.plot(100.0 * share, [100.0 * plan.accepts(p) for p in share.tolist()], color=INK, linewidth=1.2)
        for chance in (0.95, 0.10):
            at = plan.share_at(chance)
            axes.plot(100.0 * at, 100.0 * chance, "o", color=MISSING, markersize=4)
            text, point = f"{chance:.0%} at {at:.2%}", (100.0 * at, 100.0 * chance)
            axes.annotate(text, point, (6, 3), textcoords="offset points", fontsize=7)
        axes.set_xlabel("bad sensors in the lot, %")
        axes.set_ylabel("accepted, %")
        axes.set_xlim(left=0.0)
        axes.set_ylim(0.0, 103.0)
    return out[0]


def _label(name: str, unit: str) -> str:
    words = WORDS.get(name.split(" ")[0], name)
    return f"{words}, {unit}" if unit else words
