"""Trouble codes: what is known, what is a maker's own, what is no code at all."""

import pytest
from toothwise.causes import codes
from toothwise.errors import FileTrouble


@pytest.mark.parametrize(
    ("code", "kind", "condition"),
    [
        ("P0335", "crank", "circuit"),
        ("p0336 ", "crank", "range"),
        ("P0337", "crank", "low"),
        ("P0338", "crank", "high"),
        ("P0339", "crank", "intermittent"),
        ("P0389", "crank", "intermittent"),
        ("P0340", "cam", "circuit"),
        ("P0347", "cam", "low"),
        ("P0368", "cam", "high"),
        ("P0394", "cam", "intermittent"),
        ("P0016", "correlation", ""),
        ("P0008", "position_system", ""),
        ("P000C", "phaser", ""),
        ("P0023", "phaser", "circuit"),
        ("P0025", "phaser", ""),
        ("P0300", "misfire", ""),
        ("P0315", "variation", ""),
        ("P0374", "pulses", "circuit"),
        ("P0652", "supply", "low"),
    ],
)
def test_known(code: str, kind: str, condition: str) -> None:
    read = codes.read(code)
    assert (read.kind, read.condition) == (kind, condition)
    assert read.known and read.means


def test_every_range_of_the_trade_is_there() -> None:
    spans = [
        (0x335, 0x339), (0x385, 0x389), (0x340, 0x349), (0x365, 0x369), (0x390, 0x394), (0x16, 0x19), (0x8, 0x9),
        (0xA, 0xD), (0x10, 0x15), (0x20, 0x25), (0x300, 0x312), (0x315, 0x315), (0x370, 0x379), (0x641, 0x643),
        (0x651, 0x653), (0x697, 0x699),
    ]  # fmt: skip
    decimal = {0x300: range(300, 313)}  # cylinder numbers count in tens
    wanted = set()
    for first, last in spans:
        if first in decimal:
            wanted |= {f"P0{n}" for n in decimal[first]}
        else:
            wanted |= {f"P{n:04X}" for n in range(first, last + 1) if not f"{n:X}"[-1].isalpha() or first == 0xA}
    assert wanted == set(codes.TABLE)


def test_misfire_names_its_cylinder() -> None:
    assert [codes.read(f"P03{n:02d}").cylinder for n in (1, 9, 10, 12)] == [1, 9, 10, 12]
    assert codes.read("P0300").cylinder is None


@pytest.mark.parametrize("code", ["P1336", "P3000", "C1200", "U2100"])
def test_maker_specific_is_never_decoded(code: str) -> None:
    read = codes.read(code)
    assert read.kind == "maker" and not read.known and "maker" in read.means


@pytest.mark.parametrize("code", ["P0420", "P2000", "U0100"])
def test_unknown_says_so(code: str) -> None:
    assert codes.read(code).kind == "unknown" and "Not in" in codes.read(code).text


@pytest.mark.parametrize("text", ["", "335", "P335", "X0335", "P0G35", "P03355", "P0335 P0336"])
def test_no_code_at_all(text: str) -> None:
    with pytest.raises(FileTrouble, match="not a trouble code"):
        codes.read(text)
