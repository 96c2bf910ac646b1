"""Pictures of a lot: each measure's distribution beside its control charts, the trend over lots, a plan's curve."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from toothwise.bench.axes import WIDTH, Axes, Floats, picture, reach
from toothwise.bench.charts import Chart
from toothwise.bench.decide import COUNTED, WORDS, scale_of
from toothwise.bench.lot import LotInShort, MeasureFigures
from toothwise.bench.sampling import Plan
from toothwise.report.plots.paper import FILL, INK, MISSING, QUIET

_CHARTED, _SPREAD, _PLAIN = 165.0, 60.0, 110.0
"""Heights: a measure with its charts, of which so much for the lower one; any other picture."""
_MOST_DOTS = 400
"""More points than that would run into one another: the line alone is drawn."""
_MOST_NOTES = 12
_MOST_BINS = 30


def measure(one: MeasureFigures) -> str:
    """SVG: histogram with limits and guard band on the left; on the right, in the order of making, the control chart
    and under it the chart of the spread."""
    factor, unit = scale_of(one.quartiles[2], one.unit)
    height = _PLAIN if one.chart is None else _CHARTED
    left = 0.36 * WIDTH
    drawn = [_histogram(one, factor, unit, left, height)]
    if one.chart is None:
        values = one.values / factor
        axes = Axes(left, 0.0, WIDTH - left, height, (0.0, len(values) + 1.0), reach(values))
        axes.frame("sensor", "", whole=one.name in COUNTED)
        axes.points(np.arange(1.0, len(values) + 1.0), values, INK, 2.2)
        return picture(height, *drawn, axes)
    chart, spread = one.chart, one.chart.spread
    across = (0.0, len(chart.points) + 1.0)
    upper = Axes(left, 0.0, WIDTH - left, height - _SPREAD, across, _of_chart(chart, factor), below=12.0)
    upper.frame("", "value" if chart.size == 1 else "mean")
    _chart(upper, chart, factor, 1)
    drawn.append(upper)
    if spread is not None:
        ends = (0.0, _of_chart(spread, factor)[1])
        lower = Axes(left, height - _SPREAD, WIDTH - left, _SPREAD, across, ends)
        name = "sensor" if chart.size == 1 else f"groups of {chart.size} sensors in a row"
        lower.frame(name, "range" if chart.size == 1 else "spread")
        _chart(lower, spread, factor, 2 if chart.size == 1 else 1)  # the first range is the second sensor's
        drawn.append(lower)
    return picture(height, *drawn)


def _histogram(one: MeasureFigures, factor: float, unit: str, width: float, height: float) -> Axes:
    values = one.values / factor
    counts, edges = np.histogram(values, bins=_edges(one.name in COUNTED, values))
    limits = [limit / factor for limit in (one.low, one.high) if limit is not None and _near(limit, one)]
    axes = Axes(0.0, 0.0, width, height, reach(edges, *limits, room=0.04), (0.0, 1.05 * float(counts.max())))
    band = 2.0 * (one.gauge or 0.0) / factor
    for limit in limits:
        if band:
            axes.band(limit - band, limit + band, MISSING)
    axes.bars(edges, counts.astype(np.float64), FILL)
    for limit in limits:
        axes.upright(limit, MISSING, 1.0)
    words = WORDS.get(one.name, one.name)
    axes.frame(f"{words}, {unit}" if unit else words, "sensors", whole=True)
    return axes


def _edges(counted: bool, values: Floats) -> list[float]:
    low, high = float(values.min()), float(values.max())
    if counted and high - low < _MOST_BINS:  # a bar for each number
        return [low - 0.5 + n for n in range(int(high - low) + 2)]
    bins = min(_MOST_BINS, max(6, round(np.sqrt(len(values)))))
    edges: list[float] = np.histogram_bin_edges(values, bins).tolist()
    return edges


def _near(limit: float, one: MeasureFigures) -> bool:
    """Whether drawing a limit leaves the distribution readable."""
    span = max(one.quartiles[4] - one.quartiles[0], 1e-12)
    return one.quartiles[0] - 8.0 * span <= limit <= one.quartiles[4] + 8.0 * span


def _of_chart(chart: Chart, factor: float) -> tuple[float, float]:
    return reach(chart.points / factor, chart.low / factor, chart.high / factor)


def _chart(axes: Axes, chart: Chart, factor: float, first: int) -> None:
    """first: the place of the first point on the lower axis."""
    at = np.arange(first, first + len(chart.points), dtype=np.float64)
    points: Floats = chart.points / factor
    few = len(points) <= _MOST_DOTS
    axes.across(chart.centre / factor, INK, 0.6)
    for limit in {chart.low, chart.high}:
        axes.across(limit / factor, MISSING, 0.6, "3 2")
    axes.line(at, points, QUIET if few else INK, 0.5)
    if few:
        axes.points(at, points, INK, 2.2)
    rules: dict[int, list[int]] = {}
    for place, rule in chart.signals:
        if few or rule == 1:
            rules.setdefault(place, []).append(rule)
    ringed = np.array(sorted(rules), np.int64)
    axes.rings(at[ringed], points[ringed], MISSING)
    if len(rules) <= _MOST_NOTES and chart.spread is not None:  # of the spread only one rule is asked
        for place, met in rules.items():
            axes.note(float(at[place]), float(points[place]), ",".join(map(str, met)))


def trend(unit: str, lots: Sequence[LotInShort]) -> str:
    """SVG: each lot's mean with its spread (thin) and mean's standard error (thick), oldest first."""
    factor, unit = scale_of(lots[-1].mean, unit)
    mean = np.array([lot.mean for lot in lots]) / factor
    spread = np.array([lot.spread for lot in lots]) / factor
    axes = Axes(0.0, 0.0, WIDTH, _PLAIN, (0.4, len(lots) + 0.6), reach(mean - spread, mean + spread), below=14.0)
    axes.frame("", unit, named=[(n, lot.name[:12]) for n, lot in enumerate(lots, 1)])  # the caption says of what
    for n, lot in enumerate(lots, 1):
        at, by = float(mean[n - 1]), float(spread[n - 1])
        error = by / np.sqrt(lot.count)
        axes.span(n, at - by, at + by, QUIET, 0.7, cap=4.0)
        axes.span(n, at - error, at + error, INK, 2.0)
    axes.points(np.arange(1.0, len(lots) + 1.0), mean, INK, 4.0)
    return picture(_PLAIN, axes)


def operating_curve(plan: Plan) -> str:
    """SVG: how likely a lot is accepted by its share of bad sensors, the producer's and consumer's points marked."""
    worst = min(max(2.5 * plan.share_at(0.10), 0.01), 1.0)
    share = np.linspace(0.0, worst, 200)
    axes = Axes(0.0, 0.0, WIDTH, 130.0, (0.0, 100.0 * worst), (0.0, 103.0))
    axes.frame("bad sensors in the lot, %", "accepted, %")
    axes.line(100.0 * share, np.array([100.0 * plan.accepts(p) for p in share.tolist()]), INK, 1.2)
    marks = np.array([(100.0 * plan.share_at(chance), 100.0 * chance) for chance in (0.95, 0.10)])
    axes.points(marks[:, 0], marks[:, 1], MISSING, 4.0)
    for at, chance in marks.tolist():
        axes.note(at, chance, f"{chance:.0f} % at {at:.2f} %")
    return picture(130.0, axes)
