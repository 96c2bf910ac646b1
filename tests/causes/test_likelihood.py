"""The likelihood table: whole, and read as it is written."""

import ast
import copy
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest
import toothwise.causes.signs as signs
from toothwise.causes.likelihood import CAUSES, read, table
from toothwise.causes.plan import book_of_tests

DESIGN = {
    "sensor", "signal_open", "signal_short_ground", "signal_short_feed", "feed_or_ground", "intermittent_wiring",
    "weak_signal", "reversed_polarity", "wheel_tooth", "wheel_runout", "wheel_slip", "wrong_wheel", "interference",
    "cam_sensor", "cam_timing", "cam_phaser", "misfire", "low_compression", "look_past_signal", "unproven",
}  # fmt: skip


def raw() -> dict:
    return tomllib.loads(files("toothwise.causes").joinpath("likelihood.toml").read_text(encoding="utf-8"))


def test_every_cause_is_there() -> None:
    assert set(CAUSES) == DESIGN
    assert sum(table().prior.values()) == pytest.approx(1.0)


def test_every_row_sums_to_one_and_has_its_source() -> None:
    for sign in table().signs.values():
        assert sign.asks.endswith("?")
        assert any(tag in sign.source for tag in ("[S]", "[T]", "[C]", "[M]", "[D]")), sign.name
        for cause in CAUSES:
            assert sum(sign.chance[cause].values()) == pytest.approx(1.0)
            assert min(sign.chance[cause].values()) > 0


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d["sign"]["held"].update(others=[50, 40, 5]), "sum to 100"),
        (lambda d: d["sign"]["held"].update(others=[60, 40, 0]), "above 0"),
        (lambda d: d["sign"]["held"].update(gremlin=[40, 40, 20]), "no cause"),
        (lambda d: d["sign"]["held"].pop("others"), "no row"),
    ],
)
def test_a_broken_table_is_refused(change, says: str) -> None:
    data = copy.deepcopy(raw())
    change(data)
    with pytest.raises(ValueError, match=says):
        read(data)


def test_a_causes_own_row_goes_before_its_group() -> None:
    data = copy.deepcopy(raw())
    data["sign"]["dropouts"]["misfire"] = [90, 2, 2, 2, 2, 2]
    assert read(data).signs["dropouts"].chance["misfire"]["none"] == pytest.approx(0.90)
    assert read(data).signs["dropouts"].chance["cam_phaser"]["none"] == pytest.approx(0.96)


def said_in_the_code() -> set[tuple[str, str]]:
    """Every Sighting("sign", "outcome", …) spelt out in the signs, by reading their source."""
    found = set()
    for path in Path(signs.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Sighting":
                sign, outcome = node.args[:2]
                for name in strings(sign):
                    found |= {(name, out) for out in strings(outcome)}
    return found


def strings(node: ast.expr) -> list[str]:
    """The strings an expression may be, as far as they are spelt out."""
    if isinstance(node, ast.Constant):
        return [node.value]
    if isinstance(node, ast.IfExp):
        return strings(node.body) + strings(node.orelse)
    return []


def test_signs_and_table_speak_of_the_same() -> None:
    said = said_in_the_code()
    assert len(said) > 50
    for sign, outcome in said:
        assert outcome in table().signs[sign].outcomes, (sign, outcome)


def test_every_sign_is_answered_by_some_test_or_the_card() -> None:
    tests, confirm = book_of_tests()
    answered = {sign for test in tests for sign in test.signs}
    assert answered <= set(table().signs)
    assert set(table().signs) - answered == {"complaint", "kind"}
    assert set(confirm) == set(CAUSES)
