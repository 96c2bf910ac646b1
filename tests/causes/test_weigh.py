"""Weighing: the textbook cases come first, nothing stands on paper alone, and nothing is ruled out unmeasured."""

from dataclasses import replace

import pytest
from toothwise.causes.findings import Findings, from_json
from toothwise.causes.job import Job, from_dict
from toothwise.causes.likelihood import CAUSES, NOTHING, table
from toothwise.causes.signs import Sighting, look
from toothwise.causes.weigh import CAP, PAPER, causes, weigh, weigh_sightings

from tests.causes.textbook import CAM, CASES, COIL, GOOD, HALL, extra, missing, of, silence

FIRST = {name: weigh(findings)[0] for name, findings in CASES.items()}


def stands(findings: Findings) -> dict[str, str]:
    return {w.cause: w.stands for w in weigh(findings)}


@pytest.mark.parametrize("cause", CASES)
def test_the_textbook_case_comes_first(cause: str) -> None:
    found = weigh(CASES[cause])
    if cause in NOTHING:
        assert stands(CASES[cause])[cause] == "supported"
        assert not [w for w in found if w.stands == "supported" and w.cause not in NOTHING]
    else:
        assert found[0].cause == cause
        assert found[0].stands in ("supported", "possible")
        assert [w.cause for w in found if w.stands == "supported"] in ([], [cause])


def test_the_cases_cover_every_cause() -> None:
    assert set(CASES) == set(CAUSES)


def test_the_object_for_machines() -> None:
    found = causes(CASES["wheel_tooth"])
    assert {c["cause"] for c in found} == set(CAUSES)
    assert sum(c["weight"] for c in found) == pytest.approx(1.0, abs=0.01)
    assert found[0]["stands"] == "supported"
    assert any("tooth 17" in words and "p = 1e-40" in words for words in found[0]["for"])
    assert found[0]["next"]
    assert {c["cause"] for c in found if not c["fault"]} == set(NOTHING)
    for c in found:
        assert c["stands"] in ("supported", "possible", "contradicted", "untested")
        assert (c["next"] == "") == (c["stands"] == "contradicted")
        if c["stands"] == "supported" and c["cause"] not in NOTHING:
            assert c["for"]
        if c["stands"] == "contradicted":
            assert c["against"]


def test_paper_alone_supports_and_contradicts_nothing() -> None:
    for codes in (["P0335"], ["P0301", "P0302"], ["P0016", "P0011"], []):
        found = stands(Findings(job=from_dict({"codes": codes, "complaint": ["stall"], "sensor": {"kind": "hall"}})))
        assert set(found.values()) <= {"untested", "possible", "supported"}
        assert [c for c, s in found.items() if s == "supported"] == ["unproven"]


def test_nothing_known_is_untested() -> None:
    found = stands(Findings())
    assert found.pop("unproven") == "supported"
    assert set(found.values()) == {"untested"}


def test_what_nobody_measured_is_untested_in_a_clean_recording() -> None:
    found = stands(of({"sensor": HALL}))
    assert found["low_compression"] == "untested" and found["cam_timing"] == "untested"
    assert found["signal_open"] == "contradicted"


def test_two_that_cannot_be_told_apart_are_both_left_open() -> None:
    """A line that is silent and low, and not one reading: sensor, short and feed all do that."""
    found = stands(of({"sensor": HALL}, events=silence(0)))
    assert "supported" not in found.values()
    assert {found[c] for c in ("sensor", "signal_short_ground", "feed_or_ground")} == {"possible"}


def test_look_past_signal_needs_the_control_units_connector_and_a_complaint() -> None:
    clean = CASES["look_past_signal"]
    assert stands(clean)["look_past_signal"] == "supported"
    elsewhere = replace(clean, job=replace(clean.job, measured_at="sensor"))
    assert stands(elsewhere)["look_past_signal"] == "possible"
    assert stands(elsewhere)["unproven"] == "supported"
    content = replace(clean, job=replace(clean.job, codes=(), complaint=()))
    assert stands(content)["look_past_signal"] == "possible" and stands(content)["unproven"] == "supported"
    short = replace(clean, revolutions=300)
    assert stands(short)["look_past_signal"] == "possible"
    failing = of({"codes": ["P0335"], "readings": {"measured_at": "control unit"}}, events=missing(20, level=1))
    assert stands(failing)["look_past_signal"] != "supported"


def test_a_crank_code_against_a_proven_signal_looks_past_it_whatever_else_nobody_tested() -> None:
    proven = {"sensor": HALL, "readings": {"measured_at": "control unit"}}
    for codes, extra_measures, expected in (
        (["P0336"], [], "supported"),
        (["P0339"], [], "possible"),  # the fault may have its moment outside the recording
        (["P0016"], [], "possible"),  # no code of the crank's own signal
        (["P0336"], [{"name": "runout_1", "value": 0.6, "uncertainty": 0.02}], "possible"),
    ):
        assert stands(of({**proven, "codes": codes}, measures=extra_measures))["look_past_signal"] == expected


def test_blind_time_and_stops_count_for_nothing() -> None:
    clean = of({"sensor": HALL})
    noisy = of({"sensor": HALL}, events=[{"kind": "blind"}, {"kind": "stopped"}])
    assert [(w.cause, w.weight) for w in weigh(clean)] == [(w.cause, w.weight) for w in weigh(noisy)]


def test_few_events_weigh_less_than_many() -> None:
    one = next(s for s in look(of({}, events=missing(1))) if s.sign == "dropouts")
    many = next(s for s in look(of({}, events=missing(30))) if s.sign == "dropouts")
    assert one.strength < many.strength == 1.0


def test_an_extra_edge_is_not_a_missing_tooth() -> None:
    seen = {s.sign: s.outcome for s in look(of({}, events=extra(9)))}
    assert seen["dropouts"] == "none" and seen["extras"] == "scattered"


def test_no_sign_moves_the_odds_beyond_the_cap() -> None:
    likelihood = table()
    for sign in likelihood.signs.values():
        for outcome in sign.outcomes:
            for w in weigh_sightings([Sighting(sign.name, outcome, "")], likelihood):
                for worth, _ in (*w.pro, *w.con):
                    assert abs(worth) <= CAP


def test_half_the_weight_supports_nothing() -> None:
    found = weigh_sightings([Sighting("dropouts", "one tooth", "")], table())
    assert found[0].cause == "wheel_tooth" and 0.4 < found[0].weight < 0.75 and found[0].stands == "possible"


def test_look_past_signal_wants_something_that_still_complains() -> None:
    clean = [
        Sighting(sign, outcome, "")
        for sign, outcome in (
            ("dropouts", "none"), ("extras", "none"), ("fit", "fits"), ("cam_signal", "whole"), ("power", "even"),
            ("cam_place", "in place"), ("compression", "even"), ("supply", "good"), ("runout", "within"),
            ("polarity", "right"), ("wiggle", "quiet"), ("spacing", "even"), ("proven", "at the control unit"),
        )
    ]  # fmt: skip
    quiet = {w.cause: w.stands for w in weigh_sightings(clean, table())}
    complains = {w.cause: w.stands for w in weigh_sightings([*clean, Sighting("crank_code", "circuit", "")], table())}
    assert (quiet["look_past_signal"], quiet["unproven"]) == ("possible", "supported")
    assert (complains["look_past_signal"], complains["unproven"]) == ("supported", "possible")


def test_paper_tests_nothing() -> None:
    """A code that fits and a duty that is fine: the short to ground was still not looked for."""
    found = weigh_sightings([Sighting("crank_code", "low", ""), Sighting("runout", "within", "")], table())
    assert {w.cause: w.stands for w in found}["signal_short_ground"] == "untested"
    proven = weigh_sightings([Sighting("proven", "at the control unit", "")], table())
    assert {w.cause: w.stands for w in proven}["look_past_signal"] == "untested"
    assert {w.cause: w.stands for w in proven}["unproven"] == "supported"


@pytest.mark.parametrize(("levels", "outcome"), [((0, 0), "low"), ((1, 1), "high"), ((0, 1), "both")])
def test_what_the_line_holds(levels: tuple[int, int], outcome: str) -> None:
    events = [e for level in levels for e in missing(5, level=level)]
    seen = {s.sign: s.outcome for s in look(of({}, events=events))}
    assert seen["held"] == outcome
    at_sensor = of({"sensor": HALL, "readings": {"measured_at": "sensor"}}, events=events)
    assert {s.sign: s.outcome for s in look(at_sensor)}["held_at_sensor"] == outcome


def test_a_meter_that_repeats_the_recording_is_no_second_witness() -> None:
    stuck = {"sensor": HALL, "readings": {"signal_low_v": 4.9, "signal_high_v": 4.9}}
    alone = next(s for s in look(of(stuck)) if s.sign == "levels")
    again = next(s for s in look(of(stuck, events=silence(1))) if s.sign == "levels")
    assert again.strength < alone.strength == 1.0


@pytest.mark.parametrize(
    ("feed", "outcome"),
    [(4.79, "bad"), (4.8, "half good"), (5.2, "half good"), (5.21, "bad"), (7.79, "bad"), (7.8, "half good"),
     (8.47, "bad"), (9.5, "bad"), (9.6, "half good"), (12.4, "half good"), (15.1, "bad")],
)  # fmt: skip
def test_a_feed_is_good_within_what_the_plan_says(feed: float, outcome: str) -> None:
    assert {s.sign: s.outcome for s in look(of({"sensor": HALL, "readings": {"feed_v": feed}}))}["supply"] == outcome


@pytest.mark.parametrize(
    ("high", "outcome"),
    [(4.51, "high is low"), (4.69, "high is low"), (4.7, "good"), (5.3, "good"), (6.5, "high is low"), (7.7, "good"),
     (9.0, "high is low"), (12.4, "good")],
)  # fmt: skip
def test_a_high_level_is_good_within_what_the_plan_says(high: float, outcome: str) -> None:
    readings = {"signal_low_v": 0.5, "signal_high_v": high}
    assert {s.sign: s.outcome for s in look(of({"sensor": HALL, "readings": readings}))}["levels"] == outcome


def test_a_code_that_repeats_the_meter_is_no_second_witness() -> None:
    """A dead chip pulls the line down as a short does; that the control unit saw it low adds little to the meter's."""
    low = {"signal_low_v": 0.15, "signal_high_v": 0.15}
    code = {
        name: next(s for s in look(of({"sensor": HALL, "codes": ["P0337"], "readings": r})) if s.sign == "crank_code")
        for name, r in (("alone", {}), ("again", low))
    }
    assert code["again"].strength < code["alone"].strength == 1.0
    card = {"sensor": HALL, "codes": ["P0337"], "complaint": ["no start"], "readings": {**GOOD, **low}}
    assert "supported" not in stands(Findings(job=from_dict(card))).values()


def test_a_reference_from_the_other_edge_of_the_teeth_is_no_proof() -> None:
    """Half a pitch lies between the edges of a tooth: a cam that seems late by as much may stand where it stood."""
    shown = {"name": "cam_shift", "value": 3.4, "uncertainty": 0.1}
    found = {}
    for level, value in ((0, 3.4), (1, 3.4), (0, 18.1)):
        card = {"sensor": HALL, "reference": {"cam_edges_deg": [40.0], "timing_level": level}}
        seen = replace(of(card, channels=CAM, measures=[{**shown, "value": value}]), timing_level=1)
        found[level, value] = {s.sign: s.outcome for s in look(seen)}.get("cam_place")
    assert found == {(0, 3.4): None, (1, 3.4): "late", (0, 18.1): "off a tooth"}


@pytest.mark.parametrize(
    ("interval", "off", "outcome"),
    [
        (180.0, 179.0, "same"),
        (240.0, 120.5, "same"),
        (144.0, 71.0, "same"),
        (180.0, 90.0, "moved"),
        (240.0, 60.0, "moved"),
    ],
)
def test_the_slowest_place_is_known_up_to_the_turn(interval: float, off: float, outcome: str) -> None:
    """Of 3 or 5 cylinders the other turn's firings lie half-way between this one's."""
    card = {"sensor": HALL, "reference": {"slowest_deg": 80.0}}
    seen = {"name": "slowest_angle", "value": 80.0 + off, "uncertainty": 0.3, "interval_deg": interval}
    assert {s.sign: s.outcome for s in look(of(card, measures=[seen]))}["slowest"] == outcome


def test_a_signal_that_is_whole_only_once_it_is_there_is_weak() -> None:
    late = [{"name": "first_edge", "value": 2.3}, {"name": "startup_rpm", "value": 690.0}]
    whole = of({"sensor": COIL}, measures=[late[0], {**late[1], "value": 190.0}])
    strength = {n: next(s.strength for s in look(f) if s.sign == "dropouts") for n, f in
                (("late", of({"sensor": COIL}, measures=late)), ("whole", whole))}  # fmt: skip
    assert strength["late"] < strength["whole"] == 1.0
    found = weigh(of({"sensor": COIL, "complaint": ["no start"]}, measures=late))
    assert max((w for w in found if w.cause not in NOTHING), key=lambda w: w.weight).cause == "weak_signal"


def test_paper_is_named_in_the_table() -> None:
    assert set(table().signs) >= PAPER


def test_half_good_supply_is_not_good() -> None:
    whole = of({"sensor": HALL, "readings": GOOD})
    half = of({"sensor": HALL, "readings": {"feed_v": 5.0}})
    weight = {
        n: next(w.weight for w in weigh(f) if w.cause == "feed_or_ground") for n, f in (("w", whole), ("h", half))
    }
    assert weight["h"] > weight["w"]


def test_a_dead_cam_is_seen_beside_a_crank_with_a_few_faults() -> None:
    dead = of({"sensor": HALL}, events=missing(5), channels={"crank": 174_000, "cam": 0})
    assert {s.sign: s.outcome for s in look(dead)}["cam_signal"] == "dead"
    both = of({"sensor": HALL}, events=silence(0), channels={"crank": 174_000, "cam": 0})
    assert "cam_signal" not in {s.sign for s in look(both)}


def test_a_feed_that_falls_once_does_not_explain_faults_while_it_holds() -> None:
    fall = {"kind": "feed_low", "channel": "feed", "t_s": 8.0, "duration_s": 0.05, "level": 0}
    often = [{**fall, "t_s": 1.0 + 7 * i} for i in range(9)]
    channels = {"crank": 174_000, "feed": 2}
    events = [*missing(9, level=1), *extra(12)]
    once = of({"sensor": HALL}, events=[*events, fall], channels=channels)
    always = of({"sensor": HALL}, events=[*missing(9, level=1), *often], channels=channels)
    outcome = {n: next(s for s in look(f) if s.sign == "feed").outcome for n, f in (("once", once), ("all", always))}
    assert outcome == {"once": "with some faults", "all": "with the faults"}
    assert weigh(once)[0].cause == "intermittent_wiring"
    assert weigh(always)[0].cause == "feed_or_ground"


def test_one_short_silence_among_many_dropouts_is_one_of_them() -> None:
    short = {"kind": "silent", "t_s": 2.0, "duration_s": 0.06, "level": 1, "count": 90}
    again = {**short, "kind": "missing", "t_s": 2.0004, "duration_s": 0.0596}  # the same, counted
    few = of({"sensor": HALL}, events=[*missing(9, level=1), short, again])
    words = next(s for s in look(few) if s.sign == "dropouts")
    assert words.outcome == "scattered" and words.words.startswith("99 teeth absent")
    for events in ([short, again], [*missing(9, level=1), {**short, "duration_s": 8.0}]):
        seen = {s.sign: s.outcome for s in look(of({"sensor": HALL}, events=events))}
        assert seen["dropouts"] == "silent"


def test_the_slowest_place_at_idle_is_not_held_against_that_of_cranking() -> None:
    card = {"sensor": HALL, "reference": {"slowest_deg": 80.0}}
    seen = {"name": "slowest_angle", "value": 92.0, "uncertainty": 0.3, "interval_deg": 180.0, "while": "idle"}
    assert "slowest" not in {s.sign for s in look(of(card, measures=[seen]))}


def test_teeth_beside_any_gap_are_not_held_to_their_places() -> None:
    # A wheel of 36 slots with gaps behind teeth 15, 28 and 30; a coil sees the teeth beside them shifted.
    wheel = {"name": "own", "slots": 36, "gaps": [[16, 17], [31, 32], [35, 36]]}
    for tooth, outcome in ((15, None), (16, None), (28, None), (29, None), (30, None), (1, None), (7, "one tooth off")):
        errors = [{"name": "tooth_error", "value": 0.01, "unit": "deg", "uncertainty": 0.02, "tooth": 8}]
        errors.append({"name": "tooth_error", "value": -0.9, "unit": "deg", "uncertainty": 0.05, "tooth": tooth})
        seen = {s.sign: s.outcome for s in look(from_json({"wheel": wheel, "measures": errors}, Job()))}
        assert (seen.get("spacing") == "one tooth off") is (outcome is not None), tooth


def test_a_dropout_once_a_turn_is_one_zone_though_its_number_wanders() -> None:
    # A coil near its end of range loses the same third of a wheel in each turn, the gap with it.
    events = [{**missing(1)[0], "revolution": turn, "tooth": 1 + (12 + turn // 3) % 58} for turn in range(60)]
    seen = {s.sign: s for s in look(of({"sensor": COIL}, events=events))}
    assert seen["dropouts"].outcome == "one zone" and "once a turn" in seen["dropouts"].words
    anywhere = [{**missing(1)[0], "revolution": turn, "tooth": 1 + turn * 23 % 58} for turn in range(60)]
    assert {s.sign: s.outcome for s in look(of({"sensor": COIL}, events=anywhere))}["dropouts"] == "scattered"


def test_the_cam_is_not_held_against_a_crank_that_loses_count() -> None:
    step = {"name": "cam_step", "value": 96.0, "unit": "deg", "uncertainty": 0.5, "times": 2}
    events = missing(500)
    assert "cam_place" in {s.sign for s in look(of({"sensor": COIL}, measures=[step]))}
    assert "cam_place" not in {s.sign for s in look(of({"sensor": COIL}, measures=[step], events=events))}


@pytest.mark.parametrize(("run", "outcome"), [(1, "one tooth"), (3, "one tooth"), (9, "one tooth"), (18, "one zone")])
def test_a_side_of_the_wheel_is_no_tooth(run: int, outcome: str) -> None:
    """Absent every turn from the same tooth on: a blow takes a tooth or some, an oval wheel's far side is a third."""
    seen = {s.sign: s for s in look(of({"sensor": COIL}, events=missing(30, 36, count=run)))}
    assert seen["dropouts"].outcome == outcome
    assert (f"{run} teeth in a row" in seen["dropouts"].words) == (outcome == "one zone")
