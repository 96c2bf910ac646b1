"""README says what the tool does: every command's printed help, every exit code, kind of finding and wheel."""

from __future__ import annotations

import re

import pytest
from toothwise import errors, records
from toothwise.commands import COMMANDS
from toothwise.wheel import catalogue

from tests import readme

TEXT = readme.README.read_text(encoding="utf-8") if readme.README.exists() else ""


def test_the_printed_help_is_up_to_date() -> None:
    assert readme.renewed(TEXT) == TEXT, "run: python tests/readme.py"


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_its_section_and_help(command: str) -> None:
    assert f"\n### {command}\n" in TEXT
    assert f"usage: toothwise {command} " in TEXT


def test_every_exit_code_stands_there_with_its_meaning() -> None:
    for code, meaning in re.findall(r"^    (\d+)  (.+)$", errors.__doc__ or "", re.M):
        assert re.search(rf"^\|\s*{code}\s*\|\s*{re.escape(meaning.strip())}\s*\|$", TEXT, re.M), code


def test_every_kind_of_finding_and_every_wheel_stands_there() -> None:
    for kind in records.EVENT_KINDS:
        assert f"\n| {kind} | " in TEXT
    for name in catalogue.NAMES:
        assert f"`{name}`" in TEXT


def test_every_file_it_points_to_is_there() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", TEXT):
        if not target.startswith("http"):
            assert (readme.README.parent / target).exists(), target


def test_the_machine_object_is_described_whole() -> None:
    from toothwise.examine import examine

    from tests.examine.signals import held, turning

    crank, end = turning(catalogue.wheel("60-2"), 1000, 3)
    whole = examine(held(end, crank=crank), catalogue.wheel("60-2")).as_json()
    for field in whole:
        assert f"\n| {field} | " in TEXT
