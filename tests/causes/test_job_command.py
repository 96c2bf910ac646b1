"""`toothwise job` as a user types it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from toothwise.causes.job import Reference, load
from toothwise.cli import main

from tests.causes.textbook import CASES, missing, report


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    code = main([str(w) for w in words])
    out = capsys.readouterr()
    return code, out.out, out.err


@pytest.fixture
def card(tmp_path: Path) -> Path:
    path = tmp_path / "van.toml"
    path.write_text(
        'complaint = ["stall"]\ncodes = ["P0336", "P1336"]\n[sensor]\nkind = "hall"\nwheel = "60-2"\n', encoding="utf-8"
    )
    return path


def seen(tmp_path: Path) -> Path:
    measures = [{"name": "stripe_p", "value": 1e-30, "kind": "missing"}]
    path = tmp_path / "seen.json"
    path.write_text(json.dumps(report(events=missing(300, tooth=17), measures=measures)), encoding="utf-8")
    return path


def test_new_asks_and_does_not_overwrite(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = iter(["stall", "P0335"])
    monkeypatch.setattr("builtins.input", lambda question: next(answers, ""))
    path = tmp_path / "new.toml"
    code, out, _ = run(capsys, "job", "new", path)
    assert code == 0 and "written" in out and "P0335" in path.read_text(encoding="utf-8")
    code, _, err = run(capsys, "job", "new", path)
    assert code == 3 and "already there" in err


def test_show_says_what_codes_mean(card: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "job", "show", card)
    assert code == 0
    assert "P0336" in out and "implausible" in out and "maker's own" in out


def test_add_reading_checks_and_keeps(card: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "job", "add-reading", card, "feed_v", "4.97 V")[0] == 0
    assert run(capsys, "job", "add-reading", card, "measured_at", "sensor")[0] == 0
    text = card.read_text(encoding="utf-8")
    assert "feed_v = 4.97" in text and 'measured_at = "sensor"' in text
    for reading, value in (("feed_v", "497"), ("feed", "5"), ("feed_v", "five"), ("measured_at", "moon")):
        code, _, err = run(capsys, "job", "add-reading", card, reading, value)
        assert code == 3 and err.count("\n") == 1
    assert card.read_text(encoding="utf-8") == text


def test_plan_shrinks_when_something_was_seen(card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, "job", "plan", card, "--json")
    before = [s["test"] for s in json.loads(out)["plan"]]
    _, out, _ = run(capsys, "job", "plan", card, seen(tmp_path), "--json")
    after = [s["test"] for s in json.loads(out)["plan"]]
    assert "record" in before and "record" not in after
    assert json.loads(out)["confirm"]["cause"] == "wheel_tooth"
    _, out, _ = run(capsys, "job", "plan", card, seen(tmp_path))
    assert out.startswith("Supported: a bent, chipped or missing tooth") and "To confirm it: " in out
    code, out, _ = run(capsys, "job", "plan", card)
    assert code == 0 and "Caution" in out and "maker's service information" in out


def test_causes_for_people_and_machines(card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "job", "causes", card, seen(tmp_path), "--json")
    found = json.loads(out)["causes"]
    assert code == 1 and len(found) == len(CASES)
    assert found[0]["cause"] == "wheel_tooth" and found[0]["stands"] == "supported"
    code, out, _ = run(capsys, "job", "causes", card, seen(tmp_path))
    assert code == 1 and "tooth 17" in out and "maker's service information" in out
    assert run(capsys, "job", "causes", card)[0] == 0


def test_a_good_recording_becomes_the_reference(card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good = report(
        measures=[
            *(
                {"name": "cam_edge", "value": a, "unit": "deg", "edge": n}
                for n, a in enumerate((40.0, 100.0, 401.5), 1)
            ),
            *({"name": "tooth_error", "value": 0.01 * t, "unit": "deg", "tooth": t} for t in (3, 1, 2)),
            {"name": "slowest_angle", "value": 84.0, "while": "cranking"},
            {"name": "slowest_angle", "value": 71.0, "while": "idle"},
        ]
    )
    good["wheel"]["timing_level"] = 1
    well = tmp_path / "well.json"
    well.write_text(json.dumps(good), encoding="utf-8")
    code, out, _ = run(capsys, "job", "reference", card, well)
    assert code == 0 and "3 cam edges, 3 tooth errors, 1 slowest angle" in out
    kept = load(card)
    assert kept.reference == Reference((40.0, 100.0, 401.5), (0.01, 0.02, 0.03), 84.0, 1)
    assert kept.codes == ("P0336", "P1336")
    text = card.read_text(encoding="utf-8")
    for bad, why in ((seen(tmp_path), "no reference"), (tmp_path / "empty.json", "nothing to compare")):
        (tmp_path / "empty.json").write_text(json.dumps(report()), encoding="utf-8")
        code, _, err = run(capsys, "job", "reference", card, bad)
        assert code == 3 and why in err and err.count("\n") == 1
    assert card.read_text(encoding="utf-8") == text


EVENT = '"kind": "missing", "channel": "crank"'
COMPRESSION = '{"name": "relative_compression", "value": 70, "unit": "%"}'


@pytest.mark.parametrize(
    "text",
    [
        "{",
        "[]",
        "[" * 100_000,
        '{"channels": 3}',
        '{"channels": {"crank": {}}}',
        '{"events": [{}]}',
        '{"events": [3]}',
        f'{{"events": [{{{EVENT}, "t_s": 1e400}}]}}',
        f'{{"events": [{{{EVENT}, "t_s": {"9" * 400}}}]}}',
        f'{{"events": [{{{EVENT}, "t_s": 1, "count": NaN}}]}}',
        f'{{"measures": [{COMPRESSION}, {COMPRESSION}]}}',
        '{"measures": [{"name": "jitter", "value": "x", "unit": ""}]}',
        '{"measures": [{"name": "tooth_error", "value": 1, "unit": ""}]}',
        '{"wheel": {"slots": 60, "gaps": [[]]}}',
        '{"wheel": {"slots": 2, "gaps": [[1, 2]]}}',
        '{"speed_rpm": {"min": 3}}',
        '{"places": [{"place": "plug"}]}',
    ],
)
def test_not_an_examination(card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str) -> None:
    bad = tmp_path / "bad.json"
    bad.write_text(text, encoding="utf-8")
    for do in ("causes", "reference"):
        code, _, err = run(capsys, "job", do, card, bad)
        assert code == 3 and err.count("\n") == 1 and "is not what an examination prints" in err


def test_a_reference_that_no_card_can_hold_is_refused(
    card: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    far = tmp_path / "far.json"
    far.write_text(json.dumps(report(measures=[{"name": "cam_edge", "value": 900.0}])), encoding="utf-8")
    text = card.read_text(encoding="utf-8")
    code, _, err = run(capsys, "job", "reference", card, far)
    assert code == 3 and "cam_edges_deg = 900" in err
    assert card.read_text(encoding="utf-8") == text
