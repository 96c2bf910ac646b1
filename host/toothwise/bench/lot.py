"""A lot of sensors in figures: yield, distributions, capability, control charts, sampling, trend."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toothwise.bench import sampling
from toothwise.bench.capability import Capability, capability
from toothwise.bench.charts import RULES, STANDARD, Chart, individuals, means
from toothwise.bench.decide import COUNTED
from toothwise.bench.result import FAIL, PASS, RETEST, from_dict
from toothwise.records import Judged, SensorResult

FEWEST_CHARTED = 8
GROUPED_FROM, GROUP = 100, 5
"""So many sensors and more are charted by the means of five in a row, which see a shift sooner."""
FEWEST_FOR_TREND = 3
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


@dataclass(frozen=True, slots=True)
class Trend:
    """A measure's mean against the mean of earlier lots' means. far: so many standard errors away. values: of each lot,
    this one last."""

    key: str
    unit: str
    now: float
    before: float
    far: float
    values: Mapping[str, Sequence[float]]


@dataclass(frozen=True, slots=True, eq=False)
class Lot:
    """Everything a lot's report shows. failures: reasons of sensors that did not pass, the most frequent first."""

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
    *,
    earlier: Mapping[str, Mapping[str, Sequence[float]]] | None = None,
    plan: sampling.Plan | None = None,
    confidence: float = 0.95,
) -> Lot | None:
    """From results as the book gives them, in the order they ended; None for none.

    earlier: measure key -> lot -> its values. plan: a sampling plan that the lot is to be decided by.
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
    measures = _measures(ordered, confidence)
    not_passed = Counter(
        f"{one.verdict}: {one.name} {one.stage}".strip()
        for run in ordered
        for one in run.measures
        if one.verdict != PASS
    )
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
        _trends(name, measures, earlier or {}),
        plan,
        None if plan is None else plan.decide(counts[FAIL] + counts[RETEST], len(last)),
    )


def _measures(runs: Sequence[SensorResult], confidence: float) -> tuple[MeasureFigures, ...]:
    found: dict[str, list[tuple[str, Judged]]] = {}
    for run in runs:
        for one in run.measures:
            if one.value is not None:
                found.setdefault(one.key, []).append((run.serial, one))
    return tuple(_figures(rows, confidence) for rows in found.values())


def _figures(rows: list[tuple[str, Judged]], confidence: float) -> MeasureFigures:
    """Limits are those of the last one: they may have been set anew on the way."""
    values = np.array([one.value for _, one in rows], np.float64)
    last = rows[-1][1]
    doubts = [one.uncertainty for _, one in rows if one.uncertainty is not None]
    counted = last.name in COUNTED
    low, q1, middle, q3, high = np.quantile(values, [0.0, 0.25, 0.5, 0.75, 1.0]).tolist()
    return MeasureFigures(
        last.name,
        last.stage,
        last.unit,
        last.low,
        last.high,
        values,
        tuple(serial for serial, _ in rows),
        (low, q1, middle, q3, high),
        Counter(one.verdict for _, one in rows),
        float(np.median(doubts)) if doubts else None,
        None if counted else capability(values, last.low, last.high, confidence),
        None if counted else _chart(values),
    )


def _chart(values: NDArray[np.float64]) -> Chart | None:
    if len(values) < FEWEST_CHARTED or np.ptp(values) == 0.0:
        return None
    if len(values) < GROUPED_FROM:
        return individuals(values)
    return means(values[: len(values) // GROUP * GROUP].reshape(-1, GROUP))


def _trends(
    name: str, measures: Iterable[MeasureFigures], earlier: Mapping[str, Mapping[str, Sequence[float]]]
) -> tuple[Trend, ...]:
    """Against the spread of earlier lots' means, and this mean's own standard error."""
    out = []
    for one in measures:
        lots = {lot: values for lot, values in earlier.get(one.key, {}).items() if len(values)}
        before = np.array([np.mean(values) for values in lots.values()])
        if len(before) < FEWEST_FOR_TREND or len(one.values) < 2:
            continue
        own = float(np.var(one.values, ddof=1)) / len(one.values)
        between = float(np.var(before, ddof=1)) * (1.0 + 1.0 / len(before))
        far = (float(one.values.mean()) - float(before.mean())) / max(np.sqrt(own + between), 1e-30)
        values = {**lots, name: one.values.tolist()}
        out.append(Trend(one.key, one.unit, float(one.values.mean()), float(before.mean()), float(far), values))
    return tuple(out)


def as_json(lot: Lot) -> dict[str, Any]:
    """Plain types, ready for `json.dumps`."""
    return {
        "lot": lot.name,
        "sensor_types": list(lot.sensor_types),
        "benches": list(lot.benches),
        "first_utc": lot.first_utc,
        "last_utc": lot.last_utc,
        "yield": asdict(lot.yields),
        "failures": [{"what": what, "sensors": n} for what, n in lot.failures],
        "references": dict(lot.references),
        "measures": [_measure_json(one) for one in lot.measures],
        "trends": [
            {"key": t.key, "unit": t.unit, "now": t.now, "before": t.before, "far": t.far, "lots": list(t.values)}
            for t in lot.trends
        ],
        "plan": None if lot.plan is None else asdict(lot.plan),
        "decision": None if lot.decision is None else {"decision": lot.decision[0], "why": lot.decision[1]},
        "sensors": [
            {"serial": run.serial, "verdict": run.verdict, "uuid": run.uuid, "ended_utc": run.ended_utc}
            for run in lot.last
        ],
    }


def _measure_json(one: MeasureFigures) -> dict[str, Any]:
    chart = one.chart
    return {
        "name": one.name,
        "stage": one.stage,
        "unit": one.unit,
        "low": one.low,
        "high": one.high,
        "n": len(one.values),
        "quartiles": list(one.quartiles),
        "verdicts": dict(one.verdicts),
        "gauge": one.gauge,
        "capability": None if one.capability is None else asdict(one.capability),
        "chart": None
        if chart is None
        else {
            "group": chart.size,
            "centre": chart.centre,
            "low": chart.low,
            "high": chart.high,
            "signals": [
                {"serial": serial, "rule": rule, "standard": STANDARD, "words": RULES[rule]} for rule, serial in one.met
            ],
        },
    }


def as_csv(lot: Lot) -> str:
    """One row a sensor: its last verdict and every measure; RFC 4180."""
    keys = [one.key for one in lot.measures]
    heads = [f"{one.key} [{one.unit}]" if one.unit else one.key for one in lot.measures]
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["serial", "verdict", "ended_utc", "bench", "reference", *heads, "reasons"])
    for run in lot.last:
        values = {one.key: one.value for one in run.measures}
        cells = ["" if values.get(key) is None else f"{values[key]:.9g}" for key in keys]
        writer.writerow(
            [run.serial, run.verdict, run.ended_utc, run.bench, run.reference, *cells, *[" | ".join(run.reasons)]]
        )
    return out.getvalue()
