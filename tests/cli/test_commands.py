"""The commands as a user meets them: output, one object for a machine, exit codes, plain text in a pipe."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from toothwise import __version__, errors
from toothwise import link as link_room
from toothwise.edges.files import write_recording
from toothwise.edges.signal import Held
from toothwise.errors import FirmwareMismatch, RigTrouble
from toothwise.link import Fault, Happening
from toothwise.wheel import catalogue

from tests.cli.conftest import Toothwise
from tests.cli.rigs import FakeRig
from tests.examine.signals import cut, held, turning

W60 = catalogue.wheel("60-2")


def healthy() -> Held:
    crank, end = turning(W60, 1000, 20)
    return held(end, crank=crank)


def faulty() -> Held:
    crank, end = turning(W60, 1000, 20, drop=[(5, 17), (9, 30), (9, 31)])
    return held(end, crank=crank)


@pytest.fixture
def files(tmp_path: Path) -> Path:
    write_recording(tmp_path / "good.csv", healthy())
    write_recording(tmp_path / "bad.csv", faulty())
    return tmp_path


def rig(monkeypatch: pytest.MonkeyPatch, recording: Held, **more: Any) -> FakeRig:
    ticks = [recording.until_tick * i // 40 for i in range(1, 40)]
    fake = FakeRig(recording, list(cut(recording, ticks)), **more)
    monkeypatch.setattr(link_room, "open_rig", lambda *_, **__: fake)
    return fake


def test_version(toothwise: Toothwise) -> None:
    assert toothwise("--version").out == f"toothwise {__version__}\n"


def test_examine_names_tooth_and_revolution(toothwise: Toothwise, files: Path) -> None:
    ran = toothwise("examine", "bad.csv", "--wheel", "60-2")
    assert ran.code == 1
    assert "revolution 5  tooth 17 (96°): 1 tooth missing, held low" in ran.out
    assert "revolution 9  tooth 30 (174°): 2 teeth missing, held low" in ran.out
    assert "\x1b" not in ran.out + ran.err
    good = toothwise("examine", "good.csv", "--wheel", "60-2")
    assert good.code == 0
    assert "Nothing found" in good.out


def test_examine_json_is_one_object_and_nothing_else(toothwise: Toothwise, files: Path) -> None:
    ran = toothwise("examine", "bad.csv", "--wheel", "60-2", "--json")
    whole = json.loads(ran.out)
    assert (ran.code, ran.err) == (1, "")
    assert [(e["kind"], e["revolution"], e["tooth"], e["count"]) for e in whole["events"]] == [
        ("missing", 5, 17, 1),
        ("missing", 9, 30, 2),
    ]


def test_examine_finds_the_wheel_out(toothwise: Toothwise, files: Path) -> None:
    pytest.importorskip("toothwise.wheel.identify")
    whole = json.loads(toothwise("examine", "bad.csv", "--json").out)
    assert (whole["wheel"]["name"], whole["wheel"]["identified"]) == ("60-2", True)
    assert whole["teeth"]["missing"] == 3


def test_a_file_is_kept_examined_again_by_number_and_exported(toothwise: Toothwise, files: Path) -> None:
    kept = toothwise("examine", "bad.csv", "--wheel", "60-2", "--keep", "--json")
    again = toothwise("examine", "1", "--wheel", "60-2", "--json")
    assert json.loads(again.out)["events"] == json.loads(kept.out)["events"]
    assert toothwise("book", "show", "1").out.count("tooth missing") == 1
    toothwise("examine", "1", "--wheel", "60")
    shown = json.loads(toothwise("book", "show", "1", "--json").out)
    assert shown["result"]["wheel"]["name"] == "60", "the newest findings are the ones kept"
    for name in ("out.csv", "out.vcd"):
        assert toothwise("export", "1", name).code == 0
        whole = json.loads(toothwise("examine", name, "--wheel", "60-2", "--json").out)
        assert [e["tooth"] for e in whole["events"]] == [17, 30]
    refused = toothwise("export", "1", "out.csv")
    assert refused.code == 3
    assert "already" in refused.err
    assert toothwise("export", "1", "out.csv", "--replace").code == 0
    assert not list(files.glob("*.part*"))


def test_watch_records_and_tells_a_line_a_finding(toothwise: Toothwise, monkeypatch: pytest.MonkeyPatch) -> None:
    rig(monkeypatch, faulty())
    ran = toothwise("watch", "--wheel", "60-2", "--note", "engine warm")
    assert ran.code == 1
    assert ran.out.count("revolution 5  tooth 17 (96°): 1 tooth missing") == 2, "when found, and in the end"
    assert "\x1b" not in ran.out + ran.err
    assert "kept as recording 1" in ran.err
    shown = toothwise("book", "show", "1")
    assert "engine warm" in shown.out
    assert "tooth 17" in shown.out
    again = toothwise("examine", "1", "--wheel", "60-2", "--json")
    assert json.loads(again.out)["teeth"]["missing"] == 3


def test_watch_json_is_one_object_and_nothing_else(toothwise: Toothwise, monkeypatch: pytest.MonkeyPatch) -> None:
    rig(monkeypatch, faulty())
    ran = toothwise("watch", "--wheel", "60-2", "--json")
    assert json.loads(ran.out)["teeth"]["missing"] == 3


def test_a_rig_lost_for_good_keeps_what_came(toothwise: Toothwise, monkeypatch: pytest.MonkeyPatch) -> None:
    rig(monkeypatch, faulty(), breaks=RigTrouble("the rig is gone", step="plug it in"))
    ran = toothwise("watch", "--wheel", "60-2")
    assert ran.code == 4
    assert ran.err.endswith("toothwise: the rig is gone. plug it in.\n")
    assert "tooth 17" in ran.out
    whole = json.loads(toothwise("book", "show", "1", "--json").out)
    assert whole["state"] == "finished"
    assert whole["result"]["teeth"]["missing"] == 3


def test_an_impatient_ctrl_c_keeps_what_came(toothwise: Toothwise, monkeypatch: pytest.MonkeyPatch) -> None:
    rig(monkeypatch, faulty(), breaks=KeyboardInterrupt())
    ran = toothwise("watch", "--wheel", "60-2")
    assert ran.code == 130
    assert json.loads(toothwise("book", "show", "1", "--json").out)["result"]["teeth"]["missing"] == 3


def test_marks_and_faults_of_the_rig_are_kept_and_told(toothwise: Toothwise, monkeypatch: pytest.MonkeyPatch) -> None:
    fake = rig(monkeypatch, faulty())
    fake.notes = [
        Happening("mark", 255, 0, 1, 125_000, 125_000),
        Fault("heap_low", "The board's heap is nearly full.", 255, 0, 1),
        Fault("source_end", "The stream being replayed is over.", 255, 0, 1),
    ]
    ran = toothwise("watch", "--wheel", "60-2")
    assert ran.err.count("The board's heap is nearly full.") == 1
    assert "replayed" not in ran.err
    assert "0.002 s  mark" in toothwise("book", "show", "1").out


def test_a_wheel_that_cannot_be_made_out_is_said_with_its_candidates(toothwise: Toothwise, tmp_path: Path) -> None:
    pytest.importorskip("toothwise.wheel.identify")
    crank, end = turning(W60, 1000, 0.3)
    write_recording(tmp_path / "short.csv", held(end, crank=crank))
    ran = toothwise("examine", "short.csv")
    assert ran.code == 3
    assert "The wheel cannot be made out from 36 crank edges" in ran.err
    write_recording(tmp_path / "short.csv", held(end, sensor=crank))
    assert toothwise("examine", "short.csv").err == ran.err
    machine = toothwise("examine", "short.csv", "--json")
    assert machine.code == 3
    wheel = json.loads(machine.out)["wheel"]
    assert (wheel["name"], wheel["identified"]) == (None, False)


def test_the_book_lists_searches_notes_and_deletes(toothwise: Toothwise, files: Path) -> None:
    assert "empty" in toothwise("book", "list").out
    for name in ("good.csv", "bad.csv"):
        toothwise("examine", name, "--wheel", "60-2", "--keep")
    assert toothwise("book", "note", "2", "fan belt off").code == 0
    lines = toothwise("book", "list").out.splitlines()
    assert [line.split()[0] for line in lines] == ["no.", "2", "1"]
    assert len(toothwise("book", "list", "fan belt").out.splitlines()) == 2
    assert [e["id"] for e in json.loads(toothwise("book", "list", "--json").out)] == [2, 1]
    first = toothwise("book", "list", "--most", "1")
    assert (first.out.splitlines()[1].split()[0], first.err) == ("2", "There are more: --most N\n")
    assert "findings: missing" in toothwise("book", "compare", "1", "2").out
    assert toothwise("book", "check").code == 0
    assert toothwise("book", "backup", "copy.sqlite").code == 0
    assert toothwise("book", "path").out.strip().endswith("book.sqlite")
    assert toothwise("book", "delete", "2").code == 2, "no one there to ask"
    assert toothwise("book", "delete", "2", "--yes").code == 0
    gone = toothwise("book", "show", "2")
    assert gone.code == 5
    assert gone.err.startswith("toothwise: There is no recording 2")


def test_every_exit_code_is_reached_and_documented(
    toothwise: Toothwise, files: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (files / "not-a-book").write_text("some text that is no database, and long enough to be looked at" * 20)

    def refuses(error: BaseException) -> None:
        def open_rig(*_: object, **__: object) -> None:
            raise error

        monkeypatch.setattr(link_room, "open_rig", open_rig)

    reached = {
        toothwise("examine", "good.csv", "--wheel", "60-2").code,
        toothwise("examine", "bad.csv", "--wheel", "60-2").code,
        toothwise("watch", "--seconds", "-1").code,
        toothwise("examine", "absent.csv").code,
        toothwise("book", "list", "--book", "not-a-book").code,
    }
    for error in (RigTrouble("none"), FirmwareMismatch("differs"), KeyboardInterrupt()):
        refuses(error)
        reached.add(toothwise("watch").code)
    assert reached == {0, 1, 2, 3, 4, 5, 6, 130}
    documented = set(map(int, re.findall(r"^    (\d+)  ", errors.__doc__ or "", re.M)))
    assert documented == reached
    in_help = set(map(int, re.findall(r"^  (\d+)  +\S", toothwise("--help").out, re.M)))
    assert in_help == reached


@pytest.mark.parametrize(
    "arguments",
    [
        ("examine", "absent.csv"),
        ("examine", "good.csv", "--wheel", "61-99"),
        ("examine", "good.csv", "--channel", "a=b"),
        ("examine", "empty.csv", "--wheel", "60-2"),
        ("examine", "junk.csv", "--wheel", "60-2"),
        ("export", "good.csv", "out.xyz"),
        ("export", "good.csv", "no/such/folder/out.csv"),
        ("export", "good.csv", "good.csv/out.csv"),
        ("export", "good.csv", "folder.csv", "--replace"),
        ("report", "good.csv", "-o", "folder.csv", "--replace"),
        ("book", "backup", "good.csv/copy.sqlite"),
        ("book", "show", "77"),
        ("book", "show", "9" * 20),
        ("book", "show", "job:" + "9" * 5000),
        ("book", "note", "9" * 20, "text"),
        ("book", "compare", "1", "9" * 20),
        ("book", "list", "--most", "9" * 20),
        ("book", "list", "--most", "-1"),
        ("bench", "lots", "--most", "-1"),
        ("examine", "9" * 20),
        ("report", "job:" + "9" * 20),
        ("wiggle", "--resume", "9" * 20),
        ("watch", "--rig", "no-such-port"),
        ("nonsense",),
        (),
    ],
)
def test_an_expected_failure_is_one_line(toothwise: Toothwise, files: Path, arguments: tuple[str, ...]) -> None:
    (files / "empty.csv").touch()
    (files / "junk.csv").write_bytes(bytes(range(256)) * 40)
    (files / "folder.csv").mkdir()
    ran = toothwise(*arguments)
    assert ran.code in (2, 3, 4, 5)
    assert ran.out == ""
    assert ran.err.startswith("toothwise")
    assert ran.err.count("\n") == 1
    assert "Traceback" not in ran.err
    assert ".part" not in ran.err
    assert not list(files.rglob("*.part"))
