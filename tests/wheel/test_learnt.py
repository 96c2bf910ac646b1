"""What is kept of a learnt wheel, and the command that learns it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from toothwise.causes import job
from toothwise.cli import main
from toothwise.edges.files import write_recording
from toothwise.edges.signal import Edges, Held
from toothwise.errors import BookTrouble
from toothwise.wheel import catalogue
from toothwise.wheel.learnt import LearntWheel, from_dict

from tests.wheel.turned import CLOCK, turned

SIZE = st.floats(-1.0, 1.0)


@given(st.lists(st.tuples(SIZE, SIZE.map(abs)), min_size=1, max_size=80), st.none() | SIZE)
def test_kept_and_read_again_it_is_the_same(teeth: list[tuple[float, float]], runout: float | None) -> None:
    learnt = LearntWheel("w", tuple(e for e, _ in teeth), tuple(u for _, u in teeth), (runout, None), 7, "idle.csv")
    assert from_dict("w", json.loads(json.dumps(learnt.as_dict()))) == learnt


@pytest.mark.parametrize("body", [{}, {"wheel": "60-2"}, None])
def test_what_is_no_learnt_wheel_says_so(body: dict[str, Any] | None) -> None:
    whole = LearntWheel("w", (0.1, -0.1), (0.01, 0.01)).as_dict()
    damaged = body if body is not None else {**whole, "uncertainty_deg": [0.01]}
    with pytest.raises(BookTrouble, match="learn it again"):
        from_dict("w", damaged)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("TOOTHWISE_BOOK", str(tmp_path / "book.sqlite"))
    monkeypatch.chdir(tmp_path)
    edges = turned(catalogue.wheel("36-1"), 90, rpm=800.0, error_deg=0.15, seed=5)
    _write(edges, tmp_path / "good.csv")
    gone = np.ones(len(edges), bool)
    gone[2000:2002] = False
    _write(Edges(edges.ticks[gone], edges.levels[gone]), tmp_path / "bad.csv")
    return tmp_path


def _write(edges: Edges, path: Path) -> None:
    write_recording(path, Held(CLOCK, {"crank": edges}, int(edges.ticks[-1]) + 1))


def test_a_wheel_is_learnt_kept_shown_and_put_on_a_card(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job.save(job.Job(), place / "card.toml")
    assert main(["wheel", "learn", "good.csv", "--wheel", "36-1", "--name", "press", "--into", "card.toml"]) == 0
    told = capsys.readouterr().out
    assert "press: 36-1, learnt from" in told
    assert main(["wheel", "show", "press", "--json"]) == 0
    kept = json.loads(capsys.readouterr().out)
    assert len(kept["error_deg"]) == len(kept["uncertainty_deg"]) == 35
    # Against the places the signal was made with.
    rng = np.random.default_rng(5)
    made = np.clip(rng.normal(0.0, 0.15, (35, 2)), -0.3, 0.3)[:, 0]
    turn = np.radians(np.arange(35) * 10.0)
    runout = np.stack([np.ones(35), *(wave(k * turn) for k in (1, 2) for wave in (np.cos, np.sin))], axis=1)
    made -= runout @ np.linalg.lstsq(runout, made, rcond=None)[0]
    assert float(np.corrcoef(made, kept["error_deg"])[0, 1]) > 0.95
    card = job.load(place / "card.toml")
    assert card.reference.tooth_error_deg == pytest.approx(kept["error_deg"], abs=1e-5)
    assert card.sensor.wheel == "36-1"
    assert main(["wheel", "list"]) == 0
    assert "press" in capsys.readouterr().out


def test_a_recording_with_findings_teaches_nothing(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["wheel", "learn", "bad.csv", "--wheel", "36-1", "--name", "press"]) == 3
    assert "no good recording to learn a wheel from" in capsys.readouterr().err
    assert main(["wheel", "show", "press"]) == 3


def test_the_catalogue_is_listed_and_shown(place: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["wheel", "list", "--json"]) == 0
    whole = json.loads(capsys.readouterr().out)
    assert [w["name"] for w in whole["known"]] == list(catalogue.NAMES)
    assert main(["wheel", "show", "60-2"]) == 0
    assert "empty slots of 60: 59–60" in capsys.readouterr().out
