"""Limits files: the templates load, and every slip is named by its key."""

from __future__ import annotations

import pytest
from toothwise.bench import limits, setup
from toothwise.errors import FileTrouble

HALL = limits.template("hall")


@pytest.mark.parametrize("kind", limits.TEMPLATES)
def test_templates_load_and_say_that_they_are_proposals(kind: str) -> None:
    found = limits.parse(limits.template(kind), kind)
    assert found.kind == kind and found.proposal
    assert "PROPOSAL" in limits.template(kind)
    assert all(limit.source for limit in found.measures.values())
    assert found.sequence.revolutions == 998  # zero failures, 95 %, 0.3 % of revolutions
    assert {"lowest_full_count", "missing", "extra", "jitter", "insulation"} <= set(found.measures)


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ('kind = "hall"', 'kind = "halls"', "`kind`"),
        ('status = "proposal"', 'status = "maybe"', "`status`"),
        ('timing_edge = "falling"', 'timing_edge = "left"', "`timing_edge`"),
        ("[measure.jitter]", "[measure.jiter]", "is `jitter` meant?"),
        ("sweep_s = 20", "sweep_seconds = 20", "is `sweep_s` meant?"),
        ('unit = "deg rms"', 'unit = "rad"', "`measure.jitter.unit`"),
        ("high = 0.05\n", "", "`measure.jitter.high`"),
        ("high = 0.05\n", "high = 0.05\nlow = 0.06\n", "`measure.jitter.low`"),
        ("high = 0.05\n", "high = 0.05\nmeter_plus = 0.1\n", "`measure.jitter.meter_plus`"),
        ("high = 0.05\n", 'high = "0.05"\n', "`measure.jitter.high`"),
        ('source = "none in the whole count"', "", "`measure.missing.source`"),
        ("confidence = 0.95", "confidence = 95", "`sequence.confidence`"),
        ("dwell_rpm = [3000]", "dwell_rpm = []", "`sequence.dwell_rpm`"),
        ("sweep_rpm = [20, 1000]", "sweep_rpm = [1000, 20]", "`sequence.sweep_rpm`"),
        ("flex = true ", "flex = 1 ", "`sequence.flex`"),
        ('wheel = "60-2"', 'wheel = "sixty"', "no wheel is called"),
        ("[sequence]", "[sequence", "is not TOML"),
        ("required = false ", "required = 0 ", "`measure.feed_current.required`"),
    ],
)
def test_a_slip_is_named(old: str, new: str, named: str) -> None:
    assert old in HALL
    with pytest.raises(FileTrouble) as raised:
        limits.parse(HALL.replace(old, new, 1), "hall.toml")
    assert named in str(raised.value)


def test_a_stage_may_have_limits_of_its_own() -> None:
    found = limits.parse(limits.template("variable_reluctance"), "vr")
    resistance = found.measures["resistance"]
    assert resistance.at("bench") == (200.0, 1500.0)
    assert resistance.at("hot") == (260.0, 2100.0)
    assert found.measures["jitter"].at("gap 1.5 mm") == (None, 0.05)


def test_a_meters_doubt_is_rectangular() -> None:
    """GUM 4.3.7: half width over the square root of three."""
    limit = limits.parse(limits.template("variable_reluctance"), "vr").measures["resistance"]
    assert limit.meter_uncertainty(850.0) == pytest.approx((0.01 * 850 + 1) / 3**0.5)


def test_the_setups_template_loads_and_a_drive_needs_a_most_speed(tmp_path) -> None:  # type: ignore[no-untyped-def]
    file = tmp_path / "bench.toml"
    file.write_text(setup.template())
    found = setup.load(str(file))
    assert found.drive is not None and found.drive.most_rpm == 3500.0 and found.drive.plant is None
    file.write_text(setup.template().replace("most_rpm = 3500", "# most_rpm = 3500"))
    with pytest.raises(FileTrouble, match="most speed"):
        setup.load(str(file))
    file.write_text(setup.template().replace('kind = "pwm"', 'kind = "steam"'))
    with pytest.raises(FileTrouble, match=r"drive\.kind"):
        setup.load(str(file))
    assert setup.load(None).drive is None
