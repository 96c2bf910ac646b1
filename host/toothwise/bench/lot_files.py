"""A lot for other programs: as JSON, and as a table with a row a sensor."""

from __future__ import annotations

import csv
import io
from dataclasses import asdict
from typing import Any

from toothwise.bench.charts import RULES, STANDARD
from toothwise.bench.lot import Lot, MeasureFigures


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
            {
                "key": t.key,
                "unit": t.unit,
                "now": t.now,
                "before": t.before,
                "far": t.far,
                "lots": [one.name for one in t.lots],
                "by_lot": [asdict(one) for one in t.lots],
            }
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
            "spread": None
            if chart.spread is None
            else {
                "of": "moving ranges of two" if chart.size == 1 else "standard deviations within the groups",
                "centre": chart.spread.centre,
                "low": chart.spread.low,
                "high": chart.spread.high,
                "beyond": one.spread_met,
            },
        },
    }


def as_csv(lot: Lot) -> str:
    """One row a sensor: its last verdict and every measure; RFC 4180."""
    heads = [f"{one.key} [{one.unit}]" if one.unit else one.key for one in lot.measures]
    of = [dict(zip(one.serials, one.values.tolist(), strict=True)) for one in lot.measures]
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["serial", "verdict", "ended_utc", "bench", "reference", *heads, "reasons"])
    for run in lot.last:
        cells = [f"{values[run.serial]:.9g}" if run.serial in values else "" for values in of]
        row = [run.serial, run.verdict, run.ended_utc, run.bench, run.reference, *cells, " | ".join(run.reasons)]
        writer.writerow(row)
    return out.getvalue()
