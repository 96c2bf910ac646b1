"""A lot of sensors in figures: yield, distributions, capability, control charts, sampling, trend."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from toothwise.bench import sampling
from toothwise.bench.capability import Capability, capability
from toothwise.bench.charts import Chart, individuals, means
from toothwise.bench.decide import COUNTED
from toothwise.bench.result import FAIL, PASS, RETEST, from_dict
from toothwise.records import SensorResult

if TYPE_CHECKING:
    from toothwise.book import LotMean, MeasureColumn

FEWEST_CHARTED = 8
GROUPED_FROM, GROUP = 100, 5
"""So many sensors and more are charted by the means of five in a row, which see a shift sooner."""
FEWEST_FOR_TREND = 3
EARLIER_LOTS, EARLIER_SENSORS = 16, 500
"""A trend looks at so many lots before this one, and of each at so many sensors, the last ones."""
FAR = 3.0
"""A lot's mean so many standard errors from the earlier lots' is told; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Yield:
    """Sensors by their last verdict. first: passed at their first run. bounds: exact 95 % ones of the share that
    passed."""

    sensors: int
    passed: int
    retest: int
    failed: int
    first: int
    bounds: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class MeasureFigures:
    """One measure over the lot, each sensor's last value, in the order they were made.

    quartiles: lowest, three quartiles, highest. gauge: median standard uncertainty of one value, None where there is
    none. chart: None for fewer than FEWEST_CHARTED values, and for counts.
    """

    name: str
    stage: str
    unit: str
    low: float | None
    high: float | None
    values: NDArray[np.float64]
    serials: tuple[str, ...]
    quartiles: tuple[float, float, float, float, float]
    verdicts: Mapping[str, int]
    gauge: float | None
    capability: Capability | None
    chart: Chart | None

    @property
    def key(self) -> str:
        return f"{self.name} {self.stage}".strip()

    @property
    def met(self) -> list[tuple[int, str]]:
        """(rule, serial number of the last sensor) of every run rule that was met."""
        if self.chart is None:
            return []
        return [(rule, self.serials[(at + 1) * self.chart.size - 1]) for at, rule in self.chart.signals]

    @property
    def spread_met(self) -> list[str]:
        """Serial number of the last sensor wherever the spread was out of its limits."""
        if self.chart is None or self.chart.spread is None:
            return []
        size = self.chart.size  # a moving range belongs to the later of its two
        return [self.serials[at + 1 if size == 1 else (at + 1) * size - 1] for at, _ in self.chart.spread.signals]


@dataclass(frozen=True, slots=True)
class Trend:
    """A measure's mean against the mean of earlier lots' means. far: so many standard errors away. lots: each in short,
    this one last."""

    key: str
    unit: str
    now: float
    before: float
    far: float
    lots: tuple[LotInShort, ...]


@dataclass(frozen=True, slots=True)
class LotInShort:
    """One measure of one lot: how many sensors, mean, standard deviation."""

    name: str
    count: int
    mean: float
    spread: float


@dataclass(frozen=True, slots=True, eq=False)
class Lot:
    """Everything a lot's report shows. failures: reasons of sensors that did not pass, the most frequent first. last:
    each sensor's last result, without its measures: those are in `measures`."""

    name: str
    sensor_types: tuple[str, ...]
    benches: tuple[str, ...]
    first_utc: str
    last_utc: str
    yields: Yield
    failures: tuple[tuple[str, int], ...]
    measures: tuple[MeasureFigures, ...]
    last: tuple[SensorResult, ...]
    references: Mapping[str, int]
    trends: tuple[Trend, ...] = ()
    plan: sampling.Plan | None = None
    decision: tuple[str, str] | None = None


def lot_of(
    name: str,
    results: Iterable[Mapping[str, Any]],
    columns: Sequence[MeasureColumn],
    *,
    earlier: Iterable[LotMean] = (),
    plan: sampling.Plan | None = None,
    confidence: float = 0.95,
) -> Lot | None:
    """As the book gives it; None for no results.

    results: of the lot, in the order they ended; their measures are not looked at. columns: the measures of each
    sensor's last result. earlier: the lots before, the oldest first. plan: a sampling plan that the lot is to be
    decided by.
    """
    runs = [from_dict(result) for result in results]
    if not runs:
        return None
    last = {run.serial: run for run in runs}
    first: dict[str, SensorResult] = {}
    for run in runs:
        first.setdefault(run.serial, run)
    counts = Counter(run.verdict for run in last.values())
    passed = counts[PASS]
    yields = Yield(
        len(last),
        passed,
        counts[RETEST],
        counts[FAIL],
        sum(run.verdict == PASS for run in first.values()),
        sampling.clopper_pearson(passed, len(last)),
    )
    ordered = sorted(last.values(), key=lambda run: run.ended_utc)
    measures = tuple(_figures(column, confidence) for column in columns if not np.isnan(column.values).all())
    not_passed = Counter(what for column in columns for what in _not_passed(column, last))
    return Lot(
        name,
        tuple(sorted({run.sensor_type for run in runs})),
        tuple(sorted({run.bench for run in runs})),
        min(run.started_utc for run in runs),
        max(run.ended_utc for run in runs),
        yields,
        tuple(not_passed.most_common()),
        measures,
        tuple(ordered),
        Counter(run.reference for run in ordered),
        _trends(name, measures, earlier),
        plan,
        None if plan is None else plan.decide(counts[FAIL] + counts[RETEST], len(last)),
    )


def _not_passed(column: MeasureColumn, last: Mapping[str, SensorResult]) -> Iterator[str]:
    """Once a sensor whose measure did not pass; what was left out after a clear fail is no reason."""
    unmeasured = np.isnan(column.values).tolist()
    for place, verdict in enumerate(column.verdicts):
        if verdict == FAIL or (
            verdict == RETEST and not (unmeasured[place] and last[column.serials[place]].verdict == FAIL)
        ):
            yield f"{verdict}: {column.name} {column.stage}".strip()


def _figures(column: MeasureColumn, confidence: float) -> MeasureFigures:
    """Limits are those of the last one: they may have been set anew on the way."""
    there = ~np.isnan(column.values)
    values = column.values[there]
    at = np.flatnonzero(there).tolist()
    low_limit, high_limit = (
        None if np.isnan(limits[at[-1]]) else float(limits[at[-1]]) for limits in (column.low, column.high)
    )
    doubts = column.uncertainties[there]
    doubts = doubts[~np.isnan(doubts)]
    counted = column.name in COUNTED
    low, q1, middle, q3, high = np.quantile(values, [0.0, 0.25, 0.5, 0.75, 1.0]).tolist()
    return MeasureFigures(
        column.name,
        column.stage,
        column.unit,
        low_limit,
        high_limit,
        values,
        tuple(column.serials[place] for place in at),
        (low, q1, middle, q3, high),
        Counter(column.verdicts[place] for place in at),
        float(np.median(doubts)) if len(doubts) else None,
        None if counted else capability(values, low_limit, high_limit, confidence),
        None if counted else _chart(values),
    )


def _chart(values: NDArray[np.float64]) -> Chart | None:
    if len(values) < FEWEST_CHARTED or np.ptp(values) == 0.0:
        return None
    if len(values) < GROUPED_FROM:
        return individuals(values)
    return means(values[: len(values) // GROUP * GROUP].reshape(-1, GROUP))


def _trends(name: str, measures: Iterable[MeasureFigures], earlier: Iterable[LotMean]) -> tuple[Trend, ...]:
    """Against the spread of earlier lots' means, and this mean's own standard error."""
    by_measure: dict[tuple[str, str, str], list[LotInShort]] = {}
    for lot in earlier:
        short = LotInShort(lot.lot, lot.count, lot.mean, lot.spread)
        by_measure.setdefault((lot.name, lot.stage, lot.unit), []).append(short)
    out = []
    for one in measures:
        lots = by_measure.get((one.name, one.stage, one.unit), [])
        if len(lots) < FEWEST_FOR_TREND or len(one.values) < 2:
            continue
        means = np.array([lot.mean for lot in lots])
        now = LotInShort(name, len(one.values), float(one.values.mean()), float(np.std(one.values, ddof=1)))
        own = now.spread**2 / now.count
        between = float(np.var(means, ddof=1)) * (1.0 + 1.0 / len(means))
        before = float(means.mean())
        far = (now.mean - before) / max(np.sqrt(own + between), 1e-30)
        out.append(Trend(one.key, one.unit, now.mean, before, float(far), (*lots, now)))
    return tuple(out)
