"""Made bench results, for lots: no signals, only what a bench would have found."""

from __future__ import annotations

import numpy as np
from toothwise.bench import decide
from toothwise.bench.limits import Limits, template
from toothwise.bench.limits import parse as parse_limits
from toothwise.bench.result import MASTER
from toothwise.book import LotMean, MeasureColumn
from toothwise.records import Judged, SensorResult


def limits() -> Limits:
    return parse_limits(template("hall"), "hall template")


def result(number: int, rng: np.random.Generator, *, lot: str = "QB-7", offset_deg: float = 0.0) -> SensorResult:
    """One sensor's: mostly good, its edges about `offset_deg` late."""
    found = limits()
    coverage = found.sequence.coverage
    judged: list[Judged] = [
        *decide.readings(
            found,
            {
                "insulation": float(rng.lognormal(np.log(4e7), 0.5)),
                "signal_low": float(rng.normal(0.14, 0.03)),
                "signal_high": float(rng.normal(4.93, 0.03)),
                "feed_current": float(rng.normal(11.0, 0.8)),
            },
        ),
        decide.judge(found.measures["lowest_full_count"], float(rng.normal(31.0, 4.0)), 0.6, "sweep", coverage),
    ]
    stage = "dwell 3000 rpm"
    missing = int(rng.random() < 0.04)
    for name, count in (("missing", missing), ("extra", 0)):
        judged.append(decide.judge_count(found.measures[name], count, 1002, stage, found.sequence.revolutions, 0.95))
    for name, value, doubt in (
        ("duty", rng.normal(0.5, 0.015), 7e-5),
        ("jitter", rng.gamma(20.0, 0.001), 0.0004),
        ("edge_position", rng.normal(offset_deg, 0.13), 0.02),
        ("edge_spread", rng.gamma(9.0, 0.008), 0.002),
    ):
        judged.append(decide.judge(found.measures[name], float(value), doubt, stage, coverage))
    verdict, reasons = decide.verdict(judged)
    at = f"2026-11-{20 + number // 480:02d}T{8 + number // 60 % 8:02d}:{number % 60:02d}:30Z"
    return SensorResult(
        f"00000000-0000-4000-8000-{abs(hash_of(lot)):04x}{number:08x}",
        lot,
        f"{lot}-{number:04d}",
        found.name,
        "bench 1",
        at.replace("30Z", "00Z"),
        at,
        verdict,
        reasons,
        tuple(judged),
        MASTER,
        {"toothwise": "0.1.0", "firmware": "0.2.0", "limits_sha256": found.sha256},
        (number + 1,),
    )


def hash_of(text: str) -> int:
    return sum(ord(c) * 31**i for i, c in enumerate(text)) % 0xFFFF


def lot(sensors: int, seed: int = 1, name: str = "QB-7", offset_deg: float = 0.0) -> list[SensorResult]:
    rng = np.random.default_rng(seed)
    return [result(n, rng, lot=name, offset_deg=offset_deg) for n in range(sensors)]


def columns(runs: list[SensorResult]) -> list[MeasureColumn]:
    """What the book gives of them as columns, written down plainly: each sensor's last run, in the order they ended."""
    last = sorted({run.serial: run for run in runs}.values(), key=lambda run: run.ended_utc)
    found: dict[tuple[str, str, str], list[tuple[str, Judged]]] = {}
    for run in last:
        for one in run.measures:
            found.setdefault((one.name, one.stage, one.unit), []).append((run.serial, one))
    return [
        MeasureColumn(
            *key,
            [serial for serial, _ in rows],
            [one.verdict for _, one in rows],
            *(np.array([getattr(one, n) for _, one in rows], float) for n in ("value", "uncertainty", "low", "high")),
        )
        for key, rows in found.items()
    ]


def in_short(runs: list[SensorResult], lot: str) -> list[LotMean]:
    """The same as a lot before another one."""
    out = []
    for column in columns(runs):
        spread = float(np.std(column.values, ddof=1))
        mean = float(np.mean(column.values))
        out.append(LotMean(lot, column.name, column.stage, column.unit, len(column.values), mean, spread))
    return out
