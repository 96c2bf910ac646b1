"""What bench results hold as numbers: a lot's measures as columns, and earlier lots in short."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, Float, Row, Select, func, select

from toothwise.book import schema
from toothwise.book.advice import damaged
from toothwise.records import Judged

_results, _measures = schema.bench_results, schema.bench_measures

MEASURE_NUMBERS = tuple(
    field.name
    for field in fields(Judged)
    if field.name in _measures.c and isinstance(_measures.c[field.name].type, Float)
)
"""Of a measure's fields those that are numbers."""


@dataclass(frozen=True, slots=True)
class MeasureColumn:
    """One measure of a lot's results, in the order they ended. All columns have the same length n.

    values, uncertainties, low, high: float64, NaN where there is none; in `unit`.
    """

    name: str
    stage: str
    unit: str
    serials: list[str]
    verdicts: list[str]
    values: NDArray[np.float64]
    uncertainties: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LotMean:
    """One measure of one lot in short. spread: standard deviation, 0 for a single value."""

    lot: str
    name: str
    stage: str
    unit: str
    count: int
    mean: float
    spread: float


def columns(connection: Connection, lot: str, *, last_only: bool = False) -> list[MeasureColumn]:
    """See BenchResults.measure_columns."""
    r, m = _results.c, _measures.c
    heads = select(r.id, r.serial).where(r.lot == lot).order_by(r.ended_utc, r.id)
    wanted = select(m.name, m.stage, m.unit, m.result_id, m.verdict, *(m[n] for n in MEASURE_NUMBERS))
    wanted = wanted.where(m.result_id.in_(select(r.id).where(r.lot == lot))).order_by(m.result_id, m.seq)
    grouped: dict[tuple[str, str, str], list[Row[Any]]] = defaultdict(list)
    serials = {row.id: row.serial for row in connection.execute(heads)}
    if last_only:
        last = {serial: number for number, serial in serials.items()}
        serials = {number: serial for number, serial in serials.items() if last[serial] == number}
    for row in connection.execute(wanted).all():
        if row[3] in serials:
            grouped[row[0], row[1], row[2]].append(row)
    return [_column(key, rows, serials) for key, rows in grouped.items()]


def earlier_means(connection: Connection, lot: str, *, lots: int, sensors: int) -> list[LotMean]:
    """See BenchResults.earlier_means."""
    r = _results.c
    kinds = connection.execute(select(r.sensor_type).where(r.lot == lot).distinct()).scalars().all()
    if len(kinds) != 1:
        return []
    ended = func.max(r.ended_utc)
    before = select(ended).where(r.lot == lot).scalar_subquery()
    alike = select(r.lot).where(r.sensor_type == kinds[0], r.lot != lot).group_by(r.lot)
    names = alike.having(ended < before).order_by(ended.desc(), r.lot.desc()).limit(lots)
    found: list[LotMean] = []
    for name in reversed(connection.execute(names).scalars().all()):
        for of, stage, unit, count, mean, square in connection.execute(_sums(name, sensors)).all():
            found.append(LotMean(name, of, stage, unit, count, mean, _spread(count, mean, square)))
    return found


def _column(key: tuple[str, str, str], rows: list[Any], serials: Mapping[int, str]) -> MeasureColumn:
    """rows: name, stage, unit, result, verdict, and the numbers. serials: of each result, in the order they ended."""
    place = {number: place for place, number in enumerate(serials)}
    rows.sort(key=lambda row: place[row[3]])  # mostly they are: results are numbered as they come
    of, verdicts, *numbers = (list(values) for values in zip(*(row[3:] for row in rows), strict=True))
    try:
        values, uncertainties, low, high = (np.array(values, np.float64) for values in numbers)  # None becomes NaN
    except (ValueError, TypeError) as error:
        raise damaged(f"The measure {key[0]} of the bench results", str(error)) from None
    return MeasureColumn(*key, [serials[number] for number in of], verdicts, values, uncertainties, low, high)


def _sums(lot: str, sensors: int) -> Select[Any]:
    """Name, stage, unit, how many, mean and mean square of each measure, over the last sensors of a lot."""
    r, m = _results.c, _measures.c
    newest = select(r.id, r.serial, r.ended_utc).where(r.lot == lot)
    newest_c = newest.order_by(r.ended_utc.desc(), r.id.desc()).limit(sensors).subquery().c
    rank = func.row_number().over(
        partition_by=newest_c.serial, order_by=(newest_c.ended_utc.desc(), newest_c.id.desc())
    )
    ranked = select(newest_c.id, rank.label("rank")).subquery().c
    return (
        select(m.name, m.stage, m.unit, func.count(), func.avg(m.value), func.avg(m.value * m.value))
        .where(m.result_id.in_(select(ranked.id).where(ranked.rank == 1)), m.value.is_not(None))
        .group_by(m.name, m.stage, m.unit)
        .order_by(func.min(m.seq))
    )


def _spread(count: int, mean: float, square: float) -> float:
    """The standard deviation from mean and mean square: good to half a double's digits, enough to be compared."""
    return math.sqrt(max(square - mean * mean, 0.0) * count / (count - 1)) if count > 1 else 0.0
