"""The short form: every case that once broke something, and some hundred new ones a target, the same each time.

The long form is `python -m tests.fuzz`.
"""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import pytest

from tests.firmware.worlds import micropython
from tests.fuzz.hunt import cases, kept
from tests.fuzz.rig import BATCH, SEEDS, Commanded, lines
from tests.fuzz.targets import FOUND, TARGETS, Target, named
from tests.parts import need

FOUND_CASES = [(target.name, path) for target in TARGETS for path in kept(target)]


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_changed_input_is_read_or_refused_in_words(target: Target) -> None:
    for data in [*target.seeds(), *islice(cases(target, 1), target.short)]:
        try:
            target.run(data)
        except Exception as error:
            error.add_note(f"the case: {data[:400]!r}")
            raise


@pytest.mark.parametrize(("name", "path"), FOUND_CASES, ids=lambda part: part.name if isinstance(part, Path) else part)
def test_what_was_once_found_stays_mended(name: str, path: Path) -> None:
    named(name).run(path.read_bytes())


def test_every_case_kept_belongs_to_a_target() -> None:
    assert {folder.name for folder in FOUND.iterdir() if folder.is_dir()} <= {target.name for target in TARGETS} | {
        "rig"
    }


def test_the_rig_answers_whatever_it_is_told(tmp_path: Path) -> None:
    need("MicroPython's unix port", micropython() is not None)
    rig = Commanded(tmp_path)
    told = [*SEEDS, *islice(lines(1), 300)]
    for at in range(0, len(told), BATCH):
        rig.say(told[at : at + BATCH])
    for path in sorted((FOUND / "rig").glob("*")):
        rig.say(path.read_bytes().split(b"\n"))
    rig.close()
