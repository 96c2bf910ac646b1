"""Job cards: nothing lost between writing and reading, and every slip named where it is made."""

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.causes import readings
from toothwise.causes.job import COMPLAINTS, PLACES, SENSOR_KINDS, Job, from_dict, load, save, to_dict
from toothwise.causes.prompt import guided
from toothwise.errors import FileTrouble

DESIGN = """
complaint = ["stall", "no start"]
codes = ["P0335"]
[vehicle]
name = "delivery van, blue"
cylinders = 4
firing_order = [1, 3, 4, 2]
[sensor]
kind = "hall"
wheel = "60-2"
[readings]
resistance_ohm = 850.0
insulation_ohm = 5e6
feed_v = 5.02
ground_drop_v = 0.02
signal_low_v = 0.3
signal_high_v = 4.9
cranking_ac_v = 1.1
measured_at = "control unit"
[reference]
cam_edges_deg = [40.0, 100.0, 220.0, 250.0]
tooth_error_deg = [0.1, -0.1]
"""


def card(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "card.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_designs_card(tmp_path: Path) -> None:
    job = load(card(tmp_path, DESIGN))
    assert job.complaint == ("stall", "no start") and job.codes == ("P0335",)
    assert job.vehicle.firing_order == (1, 3, 4, 2) and job.sensor.wheel == "60-2"
    assert job.readings["feed_v"] == 5.02 and job.measured_at == "control unit"
    assert job.reference.cam_edges_deg == (40.0, 100.0, 220.0, 250.0)


def test_a_card_as_some_editors_save_it(tmp_path: Path) -> None:
    path = card(tmp_path, "")
    path.write_text(DESIGN, encoding="utf-8-sig")
    assert load(path).codes == ("P0335",)


def test_a_full_disk_leaves_the_card_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = card(tmp_path, DESIGN)
    job = load(path)

    def full(self: Path, *_: object, **__: object) -> None:
        self.open("w").close()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(FileTrouble, match=r"card.toml cannot be written. No space left"):
        save(job, path)
    assert load(path) == job


def test_a_card_behind_a_link_is_written_where_it_is(tmp_path: Path) -> None:
    path, link = card(tmp_path, ""), tmp_path / "link.toml"
    link.symlink_to(path)
    save(Job(complaint=("stall",)), link)
    assert link.is_symlink() and load(path).complaint == ("stall",)


@pytest.mark.parametrize("text", ["[readings]\nresistance_ohm = 1e999", "[vehicle]\ntdc1_deg = 1e999"])
def test_a_number_too_large_is_not_over_range(tmp_path: Path, text: str) -> None:
    with pytest.raises(FileTrouble, match="too large"):
        load(card(tmp_path, text))
    assert load(card(tmp_path, "[readings]\nresistance_ohm = inf")).readings["resistance_ohm"] == math.inf


@pytest.mark.parametrize("data", [{"readings": {"feed_v": 10**400}}, {"vehicle": {"tdc1_deg": -(10**400)}}])
def test_whole_numbers_of_any_length_are_refused_in_words(data: dict[str, object]) -> None:
    with pytest.raises(FileTrouble, match="cannot be"):
        from_dict(data)


def test_an_empty_card_knows_that_nobody_read_codes(tmp_path: Path) -> None:
    assert load(card(tmp_path, "")) == Job()
    assert load(card(tmp_path, "")).codes is None
    assert load(card(tmp_path, "codes = []")).codes == ()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('complaint = ["dead"]', "complaint: 'dead' is not known here"),
        ('complaint = "stall"', "must be a list"),
        ('codes = ["335"]', "not a trouble code"),
        ("[vehicle]\ncylinders = 2.5", "not a whole number"),
        ("[vehicle]\ncylinders = 99", "outside 1 to 16"),
        ("[vehicle]\ncylinders = 4\nfiring_order = [1, 3, 4]", "each of 4 cylinders once"),
        ('[sensor]\nkind = "optical"', "sensor kind"),
        ("[readings]\nfeed_v = 50", "outside 0 to 36"),
        ("[readings]\nfeed_v = true", "must be a number in V"),
        ('[readings]\nfeed_v = "5"', "must be a number in V"),
        ("[readings]\nfeed_v = nan", "outside"),
        ("[readings]\nfeed_v = inf", "outside"),
        ("[readings]\nfeed_volt = 5", "did you mean feed_v"),
        ('[readings]\nmeasured_at = "home"', "measured_at"),
        ("[freeze_frame]\ncoolant_c = 900", "outside -60 to 200"),
        ("[reference]\ncam_edges_deg = [800.0]", "outside 0 to 720"),
        ("readings = 3", "must be a table"),
        ("colour = 'blue'", "no entry called colour"),
        ("complaint = [", "not valid TOML"),
    ],
)
def test_a_slip_is_named(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(FileTrouble) as caught:
        load(card(tmp_path, text))
    assert says in str(caught.value) and "card.toml" in str(caught.value)


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(FileTrouble, match="toothwise job new"):
        load(tmp_path / "none.toml")


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False)


CARDS = st.fixed_dictionaries(
    {"complaint": st.lists(st.sampled_from(COMPLAINTS), unique=True)},
    optional={
        "codes": st.lists(st.sampled_from(["P0335", "P1336", "P0016", "P0420"])),
        "vehicle": st.fixed_dictionaries({"name": st.text(max_size=20)}, optional={"cylinders": st.integers(1, 16)}),
        "sensor": st.fixed_dictionaries({"kind": st.sampled_from(SENSOR_KINDS)}),
        "readings": st.fixed_dictionaries(
            {},
            optional={
                **{r.key: numbers(r.low, r.high) for r in readings.READINGS.values()},
                "insulation_ohm": st.just(math.inf),
                "measured_at": st.sampled_from(PLACES),
            },
        ),
        "freeze_frame": st.fixed_dictionaries({}, optional={"engine_rpm": numbers(0, 20000)}),
        "reference": st.fixed_dictionaries({"cam_edges_deg": st.lists(numbers(0, 720), max_size=4)}),
    },
)


@settings(max_examples=60, deadline=None)
@given(CARDS)
def test_nothing_is_lost(tmp_path_factory: pytest.TempPathFactory, data: dict[str, object]) -> None:
    job = from_dict(data)
    path = tmp_path_factory.mktemp("card") / "card.toml"
    save(job, path)
    assert load(path) == job
    assert from_dict(to_dict(job)) == job


@pytest.mark.parametrize(
    ("key", "text", "value"),
    [
        ("resistance_ohm", "850", 850.0),
        ("resistance_ohm", "0,85 k", 850.0),
        ("resistance_ohm", "1.2kΩ", 1200.0),
        ("resistance_ohm", "OL", math.inf),
        ("insulation_ohm", "5 Mohm", 5e6),
        ("insulation_ohm", "5e6", 5e6),
        ("ground_drop_v", "20 mV", 0.02),
        ("feed_v", " 4.97 V ", 4.97),
        ("ground_drop_v", "-0.01", -0.01),
    ],
)
def test_readings_as_people_type_them(key: str, text: str, value: float) -> None:
    assert readings.parse(key, text) == pytest.approx(value)


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("feed_v", "OL"),
        ("resistance_ohm", "1e999"),
        ("insulation_ohm", "9" * 400),
        ("feed_v", "5 ohm"),
        ("feed_v", "five"),
        ("feed_v", "4970"),
        ("resistance_ohm", "-3"),
        ("feed_v", ""),
    ],
)
def test_readings_that_cannot_be(key: str, text: str) -> None:
    with pytest.raises(FileTrouble):
        readings.parse(key, text)


def test_the_prompt_makes_the_same_card_and_asks_again(tmp_path: Path) -> None:
    answers = {
        "Complaint": ["stall, no strt", "stall, no start"],
        "Trouble codes": ["335", "P0335"],
        "Vehicle": ["delivery van, blue"],
        "Cylinders": ["four", "4"],
        "Firing order": ["1 3 4", "1-3-4-2"],
        "Sensor kind": ["optical", "hall"],
        "Wheel": ["60-2"],
        "Sensor's feed": ["50", "5.02 V"],
        "Signal wire's low": ["300 mV"],
        "Where the signal": ["control unit"],
    }
    said: list[str] = []

    def ask(question: str) -> str:
        for start, lines in answers.items():
            if question.startswith(start) and lines:
                return lines.pop(0)
        return ""

    job = guided(ask, said.append)
    assert job == load(
        card(
            tmp_path,
            'complaint = ["stall", "no start"]\ncodes = ["P0335"]\n'
            '[vehicle]\nname = "delivery van, blue"\ncylinders = 4\n'
            'firing_order = [1, 3, 4, 2]\n[sensor]\nkind = "hall"\nwheel = "60-2"\n[readings]\nfeed_v = 5.02\n'
            'signal_low_v = 0.3\nmeasured_at = "control unit"',
        )
    )
    assert not any(answers.values())
    assert sum("P0335" in line or "outside" in line or "known" in line or "number" in line for line in said) >= 5
