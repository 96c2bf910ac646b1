"""Bench results: once each, from however many benches, and read back as lots, columns and lists."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from toothwise.bench.result import from_dict, new_uuid, utc_now
from toothwise.book import Book
from toothwise.errors import BookTrouble
from toothwise.records import Judged, SensorResult

from tests.book.made_results import MEASURES, made


@pytest.fixture
def book(address: str) -> Iterator[Book]:
    with Book.open(address) as book:
        yield book


def test_a_result_comes_back_as_it_was_given(book: Book) -> None:
    given = made(7, measures=9, verdict="retest")
    assert book.bench.save_result(given) is True
    assert book.bench.result(given["uuid"]) == given
    assert book.bench.lot_results("L1") == [given]
    assert book.bench.lot_results("L2") == []
    with pytest.raises(BookTrouble, match="no bench result"):
        book.bench.result("none")


def test_what_a_bench_makes_is_what_the_book_gives_back(book: Book) -> None:
    judged = Judged("jitter", 0.0123456789012345, "deg", None, None, 0.05, "retest", "hot", "inside the guard band")
    given = SensorResult(
        uuid=new_uuid(),
        lot="L1",
        serial="Ä-17",
        sensor_type="hall",
        bench="north",
        started_utc=utc_now(),
        ended_utc=utc_now(),
        verdict="retest",
        reasons=("jitter is inside the guard band",),
        measures=(judged, Judged("full_count", None, "1", None, 1000.0, None, "fail")),
        versions={"program": "0.1.0"},
        recordings=(3, 4),
    )
    assert book.bench.save_result(given.as_dict())
    assert from_dict(book.bench.result(given.uuid)) == given


def test_the_same_result_is_kept_once(book: Book) -> None:
    given = made(7)
    assert [book.bench.save_result(given) for _ in range(3)] == [True, False, False]
    assert book.bench.save_result(given | {"uuid": given["uuid"].upper().replace("-", "")}) is False
    assert book.bench.lot_results("L1") == [given]


def test_many_programs_sending_the_same_results_at_once_keep_each_once(book: Book, address: str) -> None:
    troubles: list[Exception] = []
    new: list[bool] = []

    def send() -> None:
        try:
            with Book.open(address) as own:
                new.extend([own.bench.save_result(made(n)) for n in range(20)])
        except Exception as error:
            troubles.append(error)

    threads = [threading.Thread(target=send) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert troubles == []
    assert sum(new) == 20 and len(new) == 100
    assert book.bench.lot_results("L1") == [made(n) for n in range(20)]


@pytest.mark.parametrize(
    ("harm", "says"),
    [
        ({"uuid": "7"}, "badly formed"),
        ({"reasons": None}, "not iterable"),
        ({"measures": [{"name": "duty"}]}, "lacks 'unit'"),
        ({"measures": [made(1)["measures"][0] | {"value": float("nan")}]}, "nan is no number"),
        ({"more": float("inf")}, "not JSON compliant"),
    ],
)
def test_what_is_no_result_is_refused_whole(book: Book, harm: dict[str, Any], says: str) -> None:
    with pytest.raises(BookTrouble, match=says):
        book.bench.save_result(made(7) | harm)
    assert book.bench.results() == []


def test_lots_count_each_sensor_by_its_last_result(book: Book) -> None:
    for n, serial, verdict, lot in (
        (1, "A", "retest", "L1"),
        (2, "A", "pass", "L1"),
        (3, "B", "fail", "L1"),
        (4, "C", "retest", "L1"),
        (5, "A", "fail", "L2"),
        (5, "D", "pass", "L3"),  # as late as L2's: told apart by their names
    ):
        result = made(n, lot=lot, serial=serial, verdict=verdict, bench="south" if n % 2 else "north")
        book.bench.save_result(result | {"uuid": made(100 * n + ord(serial))["uuid"]})
    first, second, third = book.bench.lots()
    assert [first.lot, second.lot, third.lot] == ["L2", "L3", "L1"]
    assert (third.results, third.sensors, third.passed, third.retest, third.failed) == (4, 3, 1, 1, 1)
    assert (third.benches, third.sensor_types) == (("north", "south"), ("two-wire 12",))
    assert third.first_utc < third.last_utc
    assert [line.lot for line in book.bench.lots(limit=1, skip=1)] == ["L3"]
    assert [line.lot for line in book.bench.lots("l1")] == ["L1"]
    assert book.bench.lots("nowhere") == []
    assert [r["verdict"] for r in book.bench.lot_results("L1", last_only=True)] == ["pass", "fail", "retest"]
    assert book.bench.last_result("L1", "A") == book.bench.lot_results("L1", last_only=True)[0]
    assert book.bench.last_result("L1", "D") is None


def test_results_are_listed_newest_first_and_searched(book: Book) -> None:
    for n in range(6):
        book.bench.save_result(made(n, verdict="fail" if n == 3 else "pass", lot=f"L{n % 2}"))
    assert [line.serial for line in book.bench.results(limit=2)] == ["S000005", "S000004"]
    (failed,) = book.bench.results("JITTER is")
    assert (failed.serial, failed.reasons) == ("S000003", ("jitter is 3 µs",))
    assert book.bench.results(verdict="fail") == [failed]
    assert [line.serial for line in book.bench.results(lot="L0", skip=1)] == ["S000002", "S000000"]


def test_columns_hold_what_the_results_hold(book: Book) -> None:
    given = [made(n, lot=f"L{n % 2}", serial=f"S{n % 30}", measures=9) for n in range(60)]
    for result in given:
        book.bench.save_result(result)
    columns = book.bench.measure_columns("L1")
    assert [f"{c.name} {c.stage}" for c in columns][-3:] == [
        "level_high ",
        "lowest_full_count gap 1",
        "full_count gap 1",
    ]
    of_lot = [result for result in given if result["lot"] == "L1"]
    for i, column in enumerate(columns):
        rows = [result["measures"][i] for result in of_lot]
        for values, name in ((column.values, "value"), (column.uncertainties, "uncertainty"), (column.high, "high")):
            np.testing.assert_array_equal(values, np.array([row[name] for row in rows], np.float64))
        assert column.serials == [result["serial"] for result in of_lot]
        assert column.verdicts == [row["verdict"] for row in rows]
        assert np.isnan(column.low).all()
    last = next(c for c in book.bench.measure_columns("L1", last_only=True) if c.name == "duty" and not c.stage)
    assert last.serials == [f"S{n}" for n in range(1, 30, 2)]
    assert last.values[0] == of_lot[15]["measures"][2]["value"]
    assert book.bench.measure_columns("L9") == []
    bare = book.bench.lot_results("L1", measures=False)
    assert bare == [{**result, "measures": []} for result in of_lot]


def test_columns_are_in_the_order_the_results_ended_whichever_came_first(book: Book) -> None:
    for n in (3, 1, 2):
        book.bench.save_result(made(n))
    assert [result["serial"] for result in book.bench.lot_results("L1")] == ["S000001", "S000002", "S000003"]
    assert all(c.serials == ["S000001", "S000002", "S000003"] for c in book.bench.measure_columns("L1"))


def test_earlier_lots_in_short(book: Book) -> None:
    """Five lots of four results, sensors 0 and 1 twice; the fourth lot is asked."""
    given = [made(n, lot=f"L{n // 4}", serial=f"S{n % 4 % 2 if n % 4 < 3 else 2}", measures=2) for n in range(20)]
    for result in given:
        book.bench.save_result(result)
    assert book.bench.save_result(made(20, lot="other") | {"sensor_type": "hall"})
    found = book.bench.earlier_means("L3", lots=2, sensors=3)
    assert [(one.lot, one.name) for one in found] == [(lot, MEASURES[i]) for lot in ("L1", "L2") for i in (0, 1)]
    for one in found:
        seq, first = MEASURES.index(one.name), 4 * int(one.lot[1:])
        rows = [given[n]["measures"][seq]["value"] for n in (first + 1, first + 2, first + 3)]  # each sensor's last
        values = [value for value in rows if value is not None]
        assert (one.count, one.unit) == (len(values), "rpm" if seq == 0 else "deg")
        assert one.mean == pytest.approx(np.mean(values))
        assert one.spread == pytest.approx(np.std(values, ddof=1), rel=1e-5)
    assert book.bench.earlier_means("L0", lots=9, sensors=9) == []
    assert book.bench.earlier_means("none", lots=9, sensors=9) == []
    book.bench.save_result(made(21, lot="L4") | {"sensor_type": "hall"})
    assert book.bench.earlier_means("L4", lots=9, sensors=9) == []


def test_the_oldest_have_their_measures(book: Book) -> None:
    for n in range(6):
        book.bench.save_result(made(n))
    assert book.bench.oldest(3) == [made(0), made(1), made(2)]
