"""Wheels by name and from a file of one's own, and words that help when it is neither."""

from __future__ import annotations

from pathlib import Path

import pytest
from toothwise.errors import FileTrouble
from toothwise.wheel import catalogue

GOOD = """
name = "mill spindle"
angles_deg = [0.0, 30, 60.0, 200.0]
widths_deg = [10.0, 10.0, 40.0, 10.0]
slots = 12
"""


def test_a_wheel_file(tmp_path: Path) -> None:
    file = tmp_path / "mill.toml"
    file.write_text(GOOD)
    wheel = catalogue.wheel(str(file))
    assert wheel.name == "mill spindle"
    assert wheel.angles_deg == (0.0, 30.0, 60.0, 200.0)
    assert wheel.widths_deg == (10.0, 10.0, 40.0, 10.0)
    assert (wheel.slots, wheel.turn_deg) == (12, 360.0)


def test_a_wheel_file_over_two_turns(tmp_path: Path) -> None:
    file = tmp_path / "cam.toml"
    file.write_text('name = "cam"\nangles_deg = [0, 100, 400]\nturn_deg = 720\n')
    wheel = catalogue.wheel(str(file))
    assert wheel.steps_deg.sum() == 720.0
    assert wheel.slots == 3


BAD = {
    "no name": ("angles_deg = [0]", "name"),
    "empty name": ('name = " "\nangles_deg = [0]', "name"),
    "name a number": ("name = 3\nangles_deg = [0]", "name"),
    "a key misspelt": ('name = "w"\nangle_deg = [0]', "angle_deg"),
    "turn": ('name = "w"\nangles_deg = [0]\nturn_deg = 180', "turn_deg"),
    "no angles": ('name = "w"', "angles_deg"),
    "angles empty": ('name = "w"\nangles_deg = []', "angles_deg"),
    "angles a number": ('name = "w"\nangles_deg = 4', "angles_deg"),
    "angles words": ('name = "w"\nangles_deg = [0, "ten"]', "angles_deg"),
    "angles truths": ('name = "w"\nangles_deg = [false, true]', "angles_deg"),
    "angles not from 0": ('name = "w"\nangles_deg = [5, 10]', "angles_deg"),
    "angles fall": ('name = "w"\nangles_deg = [0, 20, 10]', "angles_deg"),
    "angles twice": ('name = "w"\nangles_deg = [0, 20, 20]', "angles_deg"),
    "angles beyond": ('name = "w"\nangles_deg = [0, 360]', "angles_deg"),
    "angles nan": ('name = "w"\nangles_deg = [0, nan]', "angles_deg"),
    "angles infinite": ('name = "w"\nangles_deg = [0, inf]', "angles_deg"),
    "too many": ('name = "w"\nangles_deg = [' + ",".join(str(i / 100) for i in range(1441)) + "]", "angles_deg"),
    "widths too few": ('name = "w"\nangles_deg = [0, 90]\nwidths_deg = [5]', "widths_deg"),
    "width nothing": ('name = "w"\nangles_deg = [0, 90]\nwidths_deg = [5, 0]', "widths_deg"),
    "width nan": ('name = "w"\nangles_deg = [0, 90]\nwidths_deg = [5, nan]', "widths_deg"),
    "width overlaps": ('name = "w"\nangles_deg = [0, 90]\nwidths_deg = [90, 5]', "widths_deg"),
    "last width overlaps": ('name = "w"\nangles_deg = [0, 90]\nwidths_deg = [5, 270]', "widths_deg"),
    "slots too few": ('name = "w"\nangles_deg = [0, 90]\nslots = 1', "slots"),
    "slots broken": ('name = "w"\nangles_deg = [0, 90]\nslots = 4.5', "slots"),
    "slots a truth": ('name = "w"\nangles_deg = [0]\nslots = true', "slots"),
    "slots too many": ('name = "w"\nangles_deg = [0, 90]\nslots = 99999', "slots"),
    "code": ('name = "w"\nangles_deg = [0]\nwidths_carry_code = 1', "widths_carry_code"),
}


@pytest.mark.parametrize("case", BAD)
def test_a_wheel_file_gone_wrong_names_the_key(tmp_path: Path, case: str) -> None:
    text, key = BAD[case]
    file = tmp_path / "own.toml"
    file.write_text(text)
    with pytest.raises(FileTrouble) as told:
        catalogue.load_toml(file)
    assert f"`{key}`" in told.value.what
    assert str(file) in told.value.what
    assert told.value.step
    assert told.value.exit_code == 3


@pytest.mark.parametrize("text", ["name = ", "angles_deg = [0, 1", "<wheel/>"])
def test_a_wheel_file_that_is_no_toml(tmp_path: Path, text: str) -> None:
    file = tmp_path / "own.toml"
    file.write_text(text)
    with pytest.raises(FileTrouble, match="is not TOML"):
        catalogue.load_toml(file)


def test_a_wheel_file_that_is_no_text(tmp_path: Path) -> None:
    file = tmp_path / "own.toml"
    file.write_bytes(b"\xff\xfe\x00name")
    with pytest.raises(FileTrouble, match="is not TOML"):
        catalogue.load_toml(file)


def test_a_wheel_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileTrouble, match="cannot be read"):
        catalogue.wheel(str(tmp_path / "none.toml"))
    with pytest.raises(FileTrouble, match="cannot be read"):
        catalogue.load_toml(tmp_path)


@pytest.mark.parametrize("name", ["", "wheel", "60-", "-2", "60-0", "60-59", "60-60", "60+2", "1+1", "0", "1441",
                                  "1441-1", "60 - 2", "60-2-2", "6e1", "99999"])  # fmt: skip
def test_a_name_that_is_none(name: str) -> None:
    with pytest.raises(FileTrouble, match="no wheel is called") as told:
        catalogue.wheel(name)
    assert told.value.step


@pytest.mark.parametrize(("name", "teeth"), [(" 60-2 ", 58), ("1", 1), ("1440", 1440), ("720-30", 690), ("2+1", 3)])
def test_names_by_rule(name: str, teeth: int) -> None:
    assert catalogue.wheel(name).teeth == teeth


@pytest.mark.parametrize(
    ("angles", "slots"),
    [
        ([6.0 * i for i in range(60) if i not in (28, 29, 58, 59)], 60),  # two gaps
        ([0, 120, 240], 3),
        ([0, 90, 180, 270, 300], 5),  # even teeth and one more: no grid
        ([0, 7, 19, 50], 4),
    ],
)
def test_slots_are_seen_from_the_angles(tmp_path: Path, angles: list[float], slots: int) -> None:
    file = tmp_path / "own.toml"
    file.write_text(f'name = "own"\nangles_deg = {angles}\n')
    assert catalogue.wheel(str(file)).slots == slots
