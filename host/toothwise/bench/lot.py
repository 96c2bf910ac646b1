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
from toothwise.bench.charts import RULES, STANDARD, Chart, individuals
from toothwise.bench.decide import COUNTED
from toothwise.bench.result import FAIL, PASS, RETEST, Judged, SensorResult, from_dict

FEWEST_CHARTED = 8
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


@dataclass(frozen=True, slots=True)
class Trend:
    """A measure's mean against the mean of earlier lots' means. far: so many standard errors away."""

    key: str
    unit: str
    now: float
    before: float
    far: float
    lots: int


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
        _trends(measures, earlier or {}),
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
    chart = individuals(values) if len(values) >= FEWEST_CHARTED and not counted and np.ptp(values) > 0.0 else None
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
        chart,
    )


def _trends(
    measures: Iterable[MeasureFigures], earlier: Mapping[str, Mapping[str, Sequence[float]]]
) -> tuple[Trend, ...]:
    """Against the spread of earlier lots' means, and this mean's own standard error."""
    out = []
    for one in measures:
        means = np.array([np.mean(values) for values in earlier.get(one.key, {}).values() if len(values)])
        if len(means) < FEWEST_FOR_TREND or len(one.values) < 2:
            continue
        own = float(np.var(one.values, ddof=1)) / len(one.values)
        between = float(np.var(means, ddof=1)) * (1.0 + 1.0 / len(means))
        far = (float(one.values.mean()) - float(means.mean())) / max(np.sqrt(own + between), 1e-30)
        out.append(Trend(one.key, one.unit, float(one.values.mean()), float(means.mean()), float(far), len(means)))
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
        "trends": [asdict(trend) for trend in lot.trends],
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
            "kind": chart.kind,
            "centre": chart.centre,
            "low": chart.low,
            "high": chart.high,
            "signals": [
                {"serial": one.serials[at], "rule": rule, "standard": STANDARD, "words": RULES[rule]}
                for at, rule in chart.signals
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
