"""What benches found: each sensor's result once, however often it is sent and from how many benches at once."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from sqlalchemy import ColumnElement, Row, Select, Subquery, func, select

from toothwise.book import bench_columns, schema
from toothwise.book.advice import damaged
from toothwise.book.bench_columns import MEASURE_NUMBERS as _MEASURE_NUMBERS
from toothwise.book.bench_columns import LotMean, MeasureColumn
from toothwise.book.keep import no_such
from toothwise.book.rows import as_text, from_text, insert_once, mentions
from toothwise.book.store import Store
from toothwise.book.times import now_utc
from toothwise.errors import BookTrouble
from toothwise.records import Judged, ResultLine, finite_or_none

_results, _measures = schema.bench_results, schema.bench_measures

_LINE = tuple(field.name for field in fields(ResultLine))
_HEAD = tuple(name for name in _LINE if name not in ("uuid", "reasons"))
"""Those that are kept as they are."""
_MEASURE = tuple(field.name for field in fields(Judged) if field.name in _measures.c)
_MEASURE_WORDS = tuple(name for name in _MEASURE if name not in (*_MEASURE_NUMBERS, "stage"))


@dataclass(frozen=True, slots=True)
class LotLine:
    """A lot's line in the list. `passed`, `retest` and `failed` count sensors, each by its last result."""

    lot: str
    sensor_types: tuple[str, ...]
    benches: tuple[str, ...]
    results: int
    sensors: int
    passed: int
    retest: int
    failed: int
    first_utc: str
    last_utc: str


class BenchResults:
    """`book.bench`: keep and read back the results of one or many benches."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def save_result(self, result: Mapping[str, Any]) -> bool:
        """Keep a result (`records.SensorResult.as_dict`); False if it was there already.

        A result's uuid says which it is: sent twice, by two programs at once, or again after a lost connection, it
        is kept once, the first time. Raises BookTrouble where it is no result, too.
        """
        head, measures = _rows_of(result)
        with self._store.writing() as connection:
            number = insert_once(connection, _results, "uuid", head | {"kept_utc": now_utc()})
            if number is not None and measures:
                connection.execute(_measures.insert(), [{"result_id": number} | row for row in measures])
        return number is not None

    def result(self, uuid: str) -> dict[str, Any]:
        """One result as it was given. Raises BookTrouble if it is not there."""
        found = self._whole(select(_results).where(_results.c.uuid == uuid))
        if not found:
            raise no_such("bench result", uuid, self._store)
        return found[0]

    def forget(self, uuid: str) -> None:
        """Take a result out of the book, or do nothing where it is not there."""
        with self._store.writing() as connection:
            connection.execute(_results.delete().where(_results.c.uuid == uuid))

    def count(self) -> int:
        """How many results there are."""
        with self._store.reading() as connection:
            return connection.execute(select(func.count()).select_from(_results)).scalar_one()

    def oldest(self, limit: int) -> list[dict[str, Any]]:
        """As they were given, in the order this book took them."""
        return self._whole(select(_results).order_by(_results.c.id).limit(limit))

    def lot_results(self, lot: str, *, last_only: bool = False, measures: bool = True) -> list[dict[str, Any]]:
        """A lot's results as they were given, in the order they ended; `last_only`: each sensor's last; without
        `measures`: their list is left empty, which takes a tenth of the time."""
        wanted = select(_results).where(_results.c.lot == lot).order_by(_results.c.ended_utc, _results.c.id)
        found = self._whole(wanted, measures=measures)
        if last_only:
            last = {result["serial"]: result for result in found}
            return [result for result in found if last[result["serial"]] is result]
        return found

    def last_result(self, lot: str, serial: str) -> dict[str, Any] | None:
        """A sensor's last result in a lot, as it was given."""
        r = _results.c
        wanted = select(_results).where(r.lot == lot, r.serial == serial)
        found = self._whole(wanted.order_by(r.ended_utc.desc(), r.id.desc()).limit(1))
        return found[0] if found else None

    def results(
        self,
        search: str = "",
        *,
        lot: str | None = None,
        verdict: str | None = None,
        limit: int = 100,
        skip: int = 0,
    ) -> list[ResultLine]:
        """Newest first; with `search`, those whose lot, serial, sensor type, bench or reasons hold it."""
        wanted = select(*(_results.c[name] for name in _LINE))
        if search:
            named = [_results.c[name] for name in ("lot", "serial", "sensor_type", "bench", "reasons")]
            wanted = wanted.where(mentions(search, named))
        if lot is not None:
            wanted = wanted.where(_results.c.lot == lot)
        if verdict is not None:
            wanted = wanted.where(_results.c.verdict == verdict)
        wanted = wanted.order_by(_results.c.ended_utc.desc(), _results.c.id.desc()).limit(limit).offset(skip)
        with self._store.reading() as connection:
            return [
                ResultLine(**{**row._mapping, "reasons": tuple(from_text(row.reasons, list))})
                for row in connection.execute(wanted)
            ]

    def lots(self, search: str = "", *, limit: int = 100, skip: int = 0) -> list[LotLine]:
        """Those worked on last come first; with `search`, those whose name or sensor type holds it."""
        r = _results.c
        names = select(r.lot).group_by(r.lot).order_by(func.max(r.ended_utc).desc(), r.lot).limit(limit).offset(skip)
        if search:
            names = names.where(mentions(search, [r.lot, r.sensor_type]))
        with self._store.reading() as connection:
            lots = list(connection.execute(names).scalars())
            among = r.lot.in_(lots)
            kinds = connection.execute(select(r.lot, r.sensor_type, r.bench).where(among).distinct()).all()
            counts = {row.lot: row for row in connection.execute(_counts(among))}
        if set(counts) != set(lots):
            raise damaged("The index of the lots", "It does not fit its table")
        return [
            LotLine(
                sensor_types=tuple(sorted({kind.sensor_type for kind in kinds if kind.lot == lot})),
                benches=tuple(sorted({kind.bench for kind in kinds if kind.lot == lot})),
                **counts[lot]._mapping,
            )
            for lot in lots
        ]

    def measure_columns(self, lot: str, *, last_only: bool = False) -> list[MeasureColumn]:
        """The measures of a lot, one column for each name, stage and unit, as they first come up in the sequence.

        `last_only` takes each sensor's last result alone.
        """
        with self._store.reading() as connection:
            return bench_columns.columns(connection, lot, last_only=last_only)

    def earlier_means(self, lot: str, *, lots: int, sensors: int) -> list[LotMean]:
        """What each measure came to in the lots of the same sensor type before this one, the oldest first.

        Before: their last result came before this one's last. lots: at most so many, the latest. sensors: of each lot
        at most so many results, the last ones, each sensor by its last. So the time it takes is bounded, whatever the
        book holds. Empty where the lot has sensors of several types.
        """
        with self._store.reading() as connection:
            return bench_columns.earlier_means(connection, lot, lots=lots, sensors=sensors)

    def _whole(self, wanted: Select[Any], *, measures: bool = True) -> list[dict[str, Any]]:
        """Results with their measures, in the order of `wanted`."""
        rows = select(_measures.c.result_id, _measures.c.more, *(_measures.c[name] for name in _MEASURE))
        rows = rows.where(_measures.c.result_id.in_(select(wanted.subquery().c.id)))
        rows = rows.order_by(_measures.c.result_id, _measures.c.seq)
        of: dict[int, list[dict[str, Any]]] = defaultdict(list)
        known: dict[str, dict[str, Any]] = {}  # the same words come again and again
        with self._store.reading() as connection:
            heads = connection.execute(wanted).all()
            for number, text, *values in connection.execute(rows).all() if measures else ():
                more = known.get(text) or known.setdefault(text, from_text(text, dict))
                of[number].append(dict(zip(_MEASURE, values, strict=True), **more))
        return [_result_of(head, of[head.id]) for head in heads]


def _ranked(condition: ColumnElement[bool]) -> Subquery:
    """Results with their `rank` among those of the same sensor in the same lot; 1 is the last."""
    r = _results.c
    rank = func.row_number().over(partition_by=(r.lot, r.serial), order_by=(r.ended_utc.desc(), r.id.desc()))
    return select(r.id, r.lot, r.verdict, r.started_utc, r.ended_utc, rank.label("rank")).where(condition).subquery()


def _counts(condition: ColumnElement[bool]) -> Select[Any]:
    """A row a lot, with the numbers and times of its LotLine."""
    of = _ranked(condition).c
    last = of.rank == 1
    verdicts = {"passed": "pass", "retest": "retest", "failed": "fail"}
    return select(
        of.lot,
        func.count().label("results"),
        func.count().filter(last).label("sensors"),
        *(func.count().filter(last, of.verdict == verdict).label(name) for name, verdict in verdicts.items()),
        func.min(of.started_utc).label("first_utc"),
        func.max(of.ended_utc).label("last_utc"),
    ).group_by(of.lot)


def _rows_of(result: Mapping[str, Any]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The row of a result and those of its measures."""
    try:
        head = {
            "uuid": str(uuid.UUID(str(result["uuid"]))),
            **{name: _text(result[name]) for name in _HEAD},
            "reasons": _text(as_text(list(result["reasons"]))),
            "more": _text(as_text(_rest(result, ("uuid", "reasons", "measures", *_HEAD)))),
        }
        measures = [
            {
                "seq": seq,
                "stage": _text(measure.get("stage", "")),
                **{name: _text(measure[name]) for name in _MEASURE_WORDS},
                **{name: finite_or_none(measure[name]) for name in _MEASURE_NUMBERS},
                "more": _text(as_text(_rest(measure, _MEASURE))),
            }
            for seq, measure in enumerate(result["measures"])
        ]
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        raise BookTrouble(
            "A bench result cannot be kept",
            cause=f"It lacks {problem}" if isinstance(problem, KeyError) else str(problem),
            step="Run the sensor again",
        ) from None
    return head, measures


def _rest(whole: Mapping[str, Any], known: tuple[str, ...]) -> dict[str, Any]:
    return {key: value for key, value in whole.items() if key not in known}


def _text(value: Any) -> str:
    """Text that either database takes."""
    text = str(value)
    text.encode()  # raises ValueError on half a character, as from a name that is not UTF-8
    if "\0" in text:
        raise ValueError("There is a zero byte in its text")
    return text


def _result_of(head: Row[Any], measures: list[dict[str, Any]]) -> dict[str, Any]:
    """The result as it was given."""
    return {
        "uuid": head.uuid,
        **{name: getattr(head, name) for name in _HEAD},
        "reasons": from_text(head.reasons, list),
        "measures": measures,
        **from_text(head.more, dict),
    }
