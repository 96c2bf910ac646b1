"""The bench's commands from the outside: what they print, write, keep, and how they end."""

from __future__ import annotations

import json
from argparse import Namespace
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from toothwise.book import Book, queue
from toothwise.cli import main
from toothwise.commands import bench_lots
from toothwise.commands.bench_run import Work
from toothwise.edges.files import write_recording
from toothwise.edges.signal import Clock, Edges, Held
from toothwise.errors import BookTrouble
from toothwise.model.motor import Seeing

from tests.bench import made_results
from tests.bench import made_sensors as made
from tests.bench.bench_at_work import AtWork
from tests.bench.bench_at_work import limits as bench_limits
from tests.cli.rigs import FakeRig


@pytest.fixture(autouse=True)
def own_data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What waits on this computer waits in the test's own folder."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))


@pytest.fixture
def book(tmp_path: Path) -> str:
    """A book with a lot of forty sensors and an earlier one."""
    path = tmp_path / "book.sqlite"
    with Book.open(path) as opened:
        for result in [*made_results.lot(40), *made_results.lot(20, seed=2, name="QB-6")]:
            opened.bench.save_result(result.as_dict())
    return str(path)


@pytest.fixture
def limits(tmp_path: Path) -> str:
    file = tmp_path / "limits.toml"
    file.write_text(made.LIMITS)
    return str(file)


def recorded(tmp_path: Path, sensor: made.MadeSensor, seed: int = 4) -> str:
    file = tmp_path / "run.csv"
    write_recording(file, made.record(sensor, np.random.default_rng(seed)))
    return str(file)


def test_a_book_lost_between_two_sensors_costs_recordings_and_no_more() -> None:
    class Lost:
        def start_recording(self, *_: object, **__: object) -> None:
            raise BookTrouble("The book is out of reach", cause="no answer")

    on = AtWork(Seeing(), bench_limits())
    rig = FakeRig(Held(Clock(16.0), {"crank": Edges.none()}, 0), [])
    work = Work(Namespace(lot="QB-7"), on.bench, rig, SimpleNamespace(trouble=None), lambda: None)  # type: ignore[arg-type]
    work._book = Lost()  # type: ignore[assignment]
    for serial in ("S1", "S2"):
        on.bench.sensor.serial, on.bench.sensor.uuid = serial, serial
        work._take(on.batch(), "")
    assert work._recorder is None
    assert work._notice() == "recordings are not kept: The book is out of reach"


def test_judge_says_the_decision_and_its_reasons(
    tmp_path: Path, limits: str, capsys: pytest.CaptureFixture[str]
) -> None:
    setup = tmp_path / "bench.toml"
    setup.write_text(f'name = "bench 9"\n[master]\nzero_deg = {made.MOUNT_DEG}\nuncertainty_deg = 0.01\n')
    target = recorded(tmp_path, made.MadeSensor())
    assert main(["bench", "judge", target, "--limits", limits, "--setup", str(setup), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["decision"] == "pass" and told["reference"] == "master" and told["bench"] == "bench 9"
    assert told["reasons"] == ["6 measures, all within their limits"]
    assert main(["bench", "judge", target, "--limits", limits, "--json"]) == 1, (
        "without a setup the zero is the master's own place"
    )
    assert json.loads(capsys.readouterr().out)["decision"] == "fail"


def test_judge_keeps_a_result_in_a_lot(tmp_path: Path, limits: str, capsys: pytest.CaptureFixture[str]) -> None:
    target = recorded(tmp_path, made.MadeSensor(jitter_deg=0.2))
    path = str(tmp_path / "b.sqlite")
    where = ["--limits", limits, "--book", path, "--lot", "L1", "--serial", "0001"]
    assert main(["bench", "judge", target, *where]) == 1
    said = capsys.readouterr().out
    assert said.startswith("FAIL") and "jitter" in said
    with Book.open(path) as opened:
        (kept,) = opened.bench.lot_results("L1")
    assert kept["verdict"] == "fail" and kept["serial"] == "0001"
    assert main(["bench", "judge", target, "--limits", limits, "--lot", "L1"]) == 3
    assert "give both" in capsys.readouterr().err


def test_judge_says_that_a_result_waits_for_a_server_out_of_reach(
    tmp_path: Path, limits: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench_lots, "SEND_S", 0.1)
    target, address = recorded(tmp_path, made.MadeSensor(jitter_deg=0.2)), "postgresql://bench@127.0.0.1:1/book"
    where = ["--limits", limits, "--book", address, "--lot", "L1", "--serial", "0001"]
    assert main(["bench", "judge", target, *where]) == 1
    said = capsys.readouterr()
    assert said.out.startswith("FAIL")
    assert said.err.startswith("1 result waits on this computer for the book")
    assert said.err.endswith("The next run sends it, or now: toothwise book send\n")
    with Book.open(queue.queue_path(address)) as waiting:
        assert waiting.bench.count() == 1


@pytest.mark.parametrize(
    ("asked", "says"),
    [(["lots"], "QB-8"), (["lot", "QB-8"], "1 sensor tested"), (["label", "QB-8", "QB-8-0000"], "label")],
)
def test_what_waits_on_this_computer_is_sent_before_a_lot_is_told(
    book: str, asked: list[str], says: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(Path(book).parent)
    with Book.open(queue.queue_path(book)) as waiting:
        waiting.bench.save_result(made_results.lot(1, name="QB-8")[0].as_dict())
    assert main(["bench", *asked, "--book", book]) == 0
    assert says in capsys.readouterr().out
    with Book.open(queue.queue_path(book)) as waiting:
        assert waiting.bench.count() == 0


def test_lots_are_told_also_where_what_waits_cannot_be_read(book: str, capsys: pytest.CaptureFixture[str]) -> None:
    waits = queue.queue_path(book)
    waits.parent.mkdir(parents=True)
    waits.write_bytes(b"no book at all")
    assert main(["bench", "lots", "--book", book]) == 0
    said = capsys.readouterr()
    assert "QB-7" in said.out and "not counted here" in said.err and str(waits) in said.err


def test_learn_gives_the_wheel_to_the_book_and_the_zero_to_the_setup(
    tmp_path: Path, limits: str, capsys: pytest.CaptureFixture[str]
) -> None:
    target, path = recorded(tmp_path, made.MadeSensor(jitter_deg=0.005)), str(tmp_path / "b.sqlite")
    assert main(["bench", "learn", target, "--limits", limits, "--name", "mandrel", "--book", path, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["zero_deg"] == pytest.approx(made.MOUNT_DEG, abs=0.01)
    with Book.open(path) as opened:
        assert opened.wheel("mandrel") is not None


def test_lots_and_a_lot(tmp_path: Path, book: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "lots", "--book", book]) == 0
    assert "QB-7" in capsys.readouterr().out
    assert main(["bench", "lots", "--book", book, "--most", "1"]) == 0
    said = capsys.readouterr()
    assert said.out.count("QB-") == 1 and "more" in said.err
    assert main(["bench", "lots", "qb-6", "--book", book]) == 0
    assert "QB-7" not in capsys.readouterr().out
    assert main(["bench", "lots", "zz", "--book", book]) == 0
    assert "no lot has 'zz'" in capsys.readouterr().out
    report, table = tmp_path / "qb7.html", tmp_path / "qb7.csv"
    wanted = ["bench", "lot", "QB-7", "--book", book, "--report", str(report), "--csv", str(table)]
    assert main([*wanted, "--aql", "1.0", "--lot-size", "150", "--json"]) in (0, 1)
    told = json.loads(capsys.readouterr().out)
    assert told["yield"]["sensors"] == 40 and told["plan"]["letter"] == "F"
    assert "Lot QB-7" in report.read_text() and len(table.read_text().splitlines()) == 41
    assert main(wanted) == 3
    assert "is there already" in capsys.readouterr().err
    assert main([*wanted, "--replace"]) in (0, 1)
    said = capsys.readouterr().out
    assert "Cpk" in said and "why not" not in said
    assert main(["bench", "lot", "QB-8", "--book", book]) == 3


def test_a_lot_says_why_sensors_did_not_pass(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, runs = str(tmp_path / "b.sqlite"), made_results.lot(3, name="QB-5")
    jitter = replace(next(m for m in runs[1].measures if m.name == "jitter"), value=0.2, verdict="fail")
    runs[1] = replace(runs[1], verdict="fail", measures=(jitter,))
    with Book.open(path) as opened:
        for run in runs:
            opened.bench.save_result(run.as_dict())
    assert main(["bench", "lot", "QB-5", "--book", path]) == 1
    assert capsys.readouterr().out.splitlines()[-1].split() == ["fail", "jitter,", "dwell", "3000", "rpm", "1"]


@pytest.mark.parametrize("paper", ["certificate", "label"])
def test_papers(tmp_path: Path, book: str, paper: str, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "paper"
    assert main(["bench", paper, "QB-7", "QB-7-0003", "--book", book, "-o", str(file)]) == 0
    assert "QB-7-0003" in file.read_text()
    assert main(["bench", paper, "QB-7", "0003", "--book", book, "-o", str(file)]) == 3
    assert "has no sensor" in capsys.readouterr().err


@pytest.mark.parametrize("paper", ["certificate", "label"])
def test_papers_of_a_whole_lot(
    tmp_path: Path, paper: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = str(tmp_path / "b.sqlite")
    runs = made_results.lot(4)
    runs[2], runs[3] = replace(runs[2], serial="A/1"), replace(runs[3], serial="A_1")
    with Book.open(path) as opened:
        for run in runs:
            opened.bench.save_result(run.as_dict())
    monkeypatch.chdir(tmp_path)
    assert main(["bench", paper, "QB-7", "--book", path]) == 0
    assert f"4 {paper}s in {paper}s-QB-7" in capsys.readouterr().out
    files = list((tmp_path / f"{paper}s-QB-7").iterdir())
    held = "".join(file.read_text() for file in files)
    assert len(files) == 4 and all(run.serial in held for run in runs)
    assert main(["bench", paper, "QB-7", "--book", path]) == 3
    assert main(["bench", paper, "none", "--book", path]) == 3


def test_plan_and_gauge(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "plan", "1000", "--aql", "1.0"]) == 0
    assert "check 80 of 1,000, accept with up to 2" in capsys.readouterr().out
    assert main(["bench", "plan", "1000", "--aql", "1.1"]) == 3
    study = tmp_path / "study.csv"
    rng = np.random.default_rng(1)
    rows = [f"{p},{o},{p + 0.02 * rng.normal():.4f}" for p in range(5) for o in "AB" for _ in range(3)]
    study.write_text("\n".join(["part,operator,value", *rows]))
    capsys.readouterr()
    assert main(["bench", "gauge", str(study), "--tolerance", "2"]) == 0
    assert "good (below 10 %" in capsys.readouterr().out
    study.write_text("\n".join(["part,operator,value", *rows[:-1]]))
    assert main(["bench", "gauge", str(study)]) == 3
    assert "not complete" in capsys.readouterr().err
    for value in ("x", "nan", "inf"):
        study.write_text(f"part,operator,value\n1,A,{value}\n")
        assert main(["bench", "gauge", str(study)]) == 3
        assert "line 2" in capsys.readouterr().err
    study.write_text("\n".join(["part,operator,value", *rows]), encoding="utf-8-sig")
    assert main(["bench", "gauge", str(study)]) == 0, "as spreadsheets save it"


def test_a_plan_for_a_lot_that_is_not_there(book: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bench", "lot", "none", "--aql", "1.0", "--book", book]) == 3
    assert "the book has no lot 'none'" in capsys.readouterr().err


def test_a_gauge_study_of_a_lot(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same numbers from the book as from a file."""
    rng, path, number = np.random.default_rng(2), str(tmp_path / "b.sqlite"), 0
    rows = ["part,operator,value"]
    with Book.open(path) as opened:
        for first in made_results.lot(5, name="GRR"):
            for bench in ("north", "south"):
                for _ in range(3):
                    number += 1
                    judged = [replace(m, value=m.value + 0.01 * rng.normal()) for m in first.measures[-2:-1] if m.value]
                    rows.append(f"{first.serial},{bench},{judged[0].value}")
                    uuid = f"00000000-0000-4000-8000-{number:012x}"
                    run = replace(first, uuid=uuid, bench=bench, measures=tuple(judged))
                    opened.bench.save_result(run.as_dict())
    study = tmp_path / "study.csv"
    study.write_text("\n".join(rows))
    assert main(["bench", "gauge", "--lot", "GRR", "--book", path, "--json"]) == 0
    of_lot = json.loads(capsys.readouterr().out)
    assert main(["bench", "gauge", str(study), "--tolerance", "1", "--json"]) == 0
    assert of_lot == json.loads(capsys.readouterr().out)
    assert of_lot["of_tolerance"] is not None
    assert main(["bench", "gauge", "--lot", "GRR", "--book", path, "--measure", "duty"]) == 3
    assert "there are: edge_position dwell 3000 rpm" in capsys.readouterr().err


@pytest.mark.parametrize("kind", ["hall", "variable_reluctance", "current"])
def test_limits_and_setup_print_what_can_be_read_back(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from toothwise.bench import limits as limits_file
    from toothwise.bench import setup

    assert main(["bench", "limits", kind]) == 0
    assert limits_file.parse(capsys.readouterr().out, kind).kind == kind
    assert main(["bench", "setup"]) == 0
    file = tmp_path / "bench.toml"
    file.write_text(capsys.readouterr().out)
    assert setup.load(str(file)).name == "bench 1"
