"""Gauge repeatability and reproducibility: a crossed study by analysis of variance.

Every operator measures every part the same number of times. The model has parts and operators at random, as in
AIAG, Measurement Systems Analysis, 4th edition, 2010 (from memory). Where the interaction does not show, it is pooled
with the repeatability.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toothwise.bench.result import from_dict
from toothwise.bench.special import f_survival
from toothwise.errors import FileTrouble
from toothwise.records import finite

POOLED_ABOVE = 0.25
"""The interaction is pooled where chance gives a larger F more often than this: common practice, from memory."""
GOOD, CONDITIONAL = 0.10, 0.30
"""Shares of the total spread: below 10 % good, to 30 % conditional [M]."""


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the table of variance. f, p: None where nothing is tested."""

    source: str
    freedom: int
    squares: float
    mean: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """variances: of repeatability, operators, interaction, parts. spread: standard deviations, with `gauge` (the first
    three together) and `total`. share: of the total spread. of_tolerance: six gauge spreads over the tolerance.
    categories: how many groups of parts the gauge can tell apart, 1.41 times parts over gauge."""

    rows: tuple[Row, ...]
    pooled: bool
    variances: dict[str, float]
    spread: dict[str, float]
    share: dict[str, float]
    of_tolerance: float | None
    categories: int
    verdict: str


def read_study(path: Path) -> NDArray[np.float64]:
    """A CSV file with the columns part, operator, value as (parts, operators, trials), trials in the file's order.

    Raises FileTrouble that names the row.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as problem:
        raise FileTrouble(f"the gauge study {path} cannot be read: {problem}", step="check the path") from None
    found: list[tuple[str, str, float]] = []
    for line, row in enumerate(rows, 2):
        try:
            found.append((row["part"], row["operator"], finite(row["value"])))
        except (KeyError, TypeError, ValueError):
            raise FileTrouble(
                f"{path}, line {line}: not a measurement",
                cause="every row needs part, operator and value, named in the first line",
                step="mend that line",
            ) from None
    return _crossed(found)


def study_of_lot(results: Iterable[Mapping[str, Any]], measure: str) -> tuple[NDArray[np.float64], float | None]:
    """A lot of which every bench tested every sensor several times: sensors are the parts, benches the operators.

    results: as the book gives them. measure: its name, with its stage where it was measured in several. With it the
    tolerance, where the measure has both limits. Raises FileTrouble where the lot has no such measure.
    """
    found: dict[str, list[tuple[str, str, float]]] = {}
    tolerance: dict[str, float | None] = {}
    for run in map(from_dict, results):
        for one in run.measures:
            if one.value is not None:
                found.setdefault(one.key, []).append((run.serial, run.bench, one.value))
                tolerance[one.key] = None if one.low is None or one.high is None else one.high - one.low
    meant = [key for key in found if measure in (key, key.partition(" ")[0])]
    if len(meant) != 1:
        known = ", ".join(meant or found) or "none was measured"
        raise FileTrouble(
            f"the lot has {'several measures' if meant else 'no measure'} {measure!r}",
            cause=f"there are: {known}",
            step="name one of them with --measure",
        )
    return _crossed(found[meant[0]]), tolerance[meant[0]]


def _crossed(rows: list[tuple[str, str, float]]) -> NDArray[np.float64]:
    """(parts, operators, trials) of rows of part, operator and value; NaN where something is missing."""
    cells: dict[tuple[str, str], list[float]] = {}
    for part, operator, value in rows:
        cells.setdefault((part, operator), []).append(value)
    parts, operators = (list(dict.fromkeys(key[place] for key in cells)) for place in (0, 1))
    trials = max(map(len, cells.values()), default=0)
    values = np.full((len(parts), len(operators), trials), np.nan)
    for (part, operator), found in cells.items():
        values[parts.index(part), operators.index(operator), : len(found)] = found
    return values


def gauge_study(values: NDArray[np.float64], tolerance: float | None = None) -> GaugeStudy:
    """values: (parts, operators, trials), at least two of each. tolerance: high limit minus low, where there is one.

    Raises FileTrouble for a study that is too small or has holes.
    """
    if values.ndim != 3 or min(values.shape) < 2 or not np.isfinite(values).all():
        raise FileTrouble(
            "the gauge study is not complete",
            cause="every operator must measure every part equally often: two parts, operators and trials at least",
            step="measure what is missing, or leave that part out",
        )
    parts, operators, trials = values.shape
    grand = float(values.mean())
    of_part, of_operator, cell = values.mean(axis=(1, 2)), values.mean(axis=(0, 2)), values.mean(axis=2)
    both = cell - of_part[:, None] - of_operator[None, :] + grand
    squares = {
        "parts": operators * trials * float(((of_part - grand) ** 2).sum()),
        "operators": parts * trials * float(((of_operator - grand) ** 2).sum()),
        "interaction": trials * float((both**2).sum()),
        "repeatability": float(((values - cell[:, :, None]) ** 2).sum()),
    }
    freedom = {
        "parts": parts - 1,
        "operators": operators - 1,
        "interaction": (parts - 1) * (operators - 1),
        "repeatability": parts * operators * (trials - 1),
    }
    mean = {name: squares[name] / freedom[name] for name in squares}
    f = _ratio(mean["interaction"], mean["repeatability"])
    p = f_survival(f, freedom["interaction"], freedom["repeatability"])
    pooled = p > POOLED_ABOVE
    if pooled:
        free = freedom["interaction"] + freedom["repeatability"]
        error, error_freedom = (squares["interaction"] + squares["repeatability"]) / free, free
        within = error
    else:
        error, error_freedom = mean["interaction"], freedom["interaction"]
        within = mean["repeatability"]
    rows = []
    for name in ("parts", "operators"):
        ratio = _ratio(mean[name], error)
        rows.append(
            Row(name, freedom[name], squares[name], mean[name], ratio, f_survival(ratio, freedom[name], error_freedom))
        )
    rows.append(Row("interaction", freedom["interaction"], squares["interaction"], mean["interaction"], f, p))
    rows.append(Row("repeatability", freedom["repeatability"], squares["repeatability"], mean["repeatability"]))
    rows.append(Row("total", values.size - 1, sum(squares.values()), sum(squares.values()) / (values.size - 1)))
    variances = {
        "repeatability": within,
        "operators": max((mean["operators"] - error) / (parts * trials), 0.0),
        "interaction": 0.0 if pooled else max((mean["interaction"] - within) / trials, 0.0),
        "parts": max((mean["parts"] - error) / (operators * trials), 0.0),
    }
    return _study(tuple(rows), pooled, variances, tolerance)


def _study(rows: tuple[Row, ...], pooled: bool, variances: dict[str, float], tolerance: float | None) -> GaugeStudy:
    gauge = variances["repeatability"] + variances["operators"] + variances["interaction"]
    total = gauge + variances["parts"]
    spread = {name: math.sqrt(v) for name, v in {**variances, "gauge": gauge, "total": total}.items()}
    share = {name: _ratio(s, spread["total"]) for name, s in spread.items()}
    good = share["gauge"]
    verdict = "good" if good < GOOD else "conditional" if good <= CONDITIONAL else "not good enough"
    categories = int(1.41 * spread["parts"] / spread["gauge"]) if gauge > 0.0 else 0
    of_tolerance = 6.0 * spread["gauge"] / tolerance if tolerance else None
    return GaugeStudy(rows, pooled, variances, spread, share, of_tolerance, max(categories, 1), verdict)


def _ratio(above: float, below: float) -> float:
    return above / below if below > 0.0 else 0.0
