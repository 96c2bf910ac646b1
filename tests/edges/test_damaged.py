"""Damaged files, each named after its fault: a clear error with the row, or a blind stretch; never a false edge.

The folder `damaged` holds four turns of a 12-1 wheel at 600 rpm (whole.csv, whole.vcd: 88 edges), or its voltage
(volts_whole.csv, whole.wav), with one fault each.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.edges.files import open_recording
from toothwise.edges.signal import Held
from toothwise.errors import FileTrouble

from tests.edges.contract import alternates, read_all

FOLDER = Path(__file__).with_name("damaged")

READ_WHOLE = [
    "another_channel_beside.csv", "byte_order_mark.csv", "comments_and_blank_lines.csv", "cr_only.csv", "crlf.csv",
    "exponents.csv", "no_line_end_at_the_end.csv", "quoted.csv", "semicolons_decimal_comma.csv", "unix_time.csv",
    "words_for_levels.csv", "comment_in_values.vcd", "last_word_cut_off.vcd", "values_repeated.vcd",
    "vectors_and_one_line.vcd", "whole.vcd",
]  # fmt: skip

BLIND = {
    "binary_in_the_middle.csv": "unreadable row",
    "channel_name_damaged.csv": "unreadable row",
    "edge_lost.csv": "edge lost",
    "huge_time.csv": "unreadable row",
    "infinite_time.csv": "unreadable row",
    "level_missing.csv": "unreadable row",
    "level_seven.csv": "unreadable row",
    "nan_time.csv": "unreadable row",
    "same_level_a_microsecond_later.csv": "edge lost",
    "time_back_for_one_row.csv": "time goes back",
    "time_far_ahead_for_good.csv": "time jumps ahead",
    "time_far_ahead_for_one_row.csv": "time goes back",
    "time_stands_still_for_ten_rows.csv": "time stands still",
    "time_stands_still_once.csv": "time stands still",
    "too_many_fields.csv": "unreadable row",
    "dump_off.vcd": "level unknown",
    "junk_in_the_middle.vcd": "unreadable row",
    "time_back_for_one_value.vcd": "time goes back",
    "unknown_level.vcd": "level unknown",
    "volts_hole.csv": "samples missing",
    "volts_nan.csv": "samples missing",
    "volts_time_back.csv": "samples missing",
    "volts_time_stands_still.csv": "samples missing",
}

REFUSED = {
    "binary.csv": "no text file",
    "compressed.wav": "kind 2",
    "decimal_comma_between_commas.csv": "row 2 has 4 fields",
    "empty.csv": "is empty",
    "header_cut_off.vcd": r"ends before \$enddefinitions",
    "header_cut_off.wav": "no readable WAV header",
    "header_only.csv": "no rows",
    "no_header.csv": "row 1: the header is",
    "no_samples.wav": "no samples",
    "no_timescale.vcd": "no readable .timescale",
    "no_values.vcd": "no time in its value section",
    "only_wide_variables.vcd": "no variable of one bit",
    "packed.csv": "Unpack it",
    "thousands_marks.csv": "row 2: .* does not begin with a time",
    "time_back_for_good.csv": "row 62: time goes back, and stays back",
    "time_back_for_good.vcd": "row 129: time goes back, and stays back",
    "time_stands_still_throughout.csv": "not one edge could be read. row 3: time stands still",
    "unknown_channels.csv": "it has D0, D1.*crank=D0",
    "unknown_variables.vcd": "it has D0, D1.*crank=D0",
    "utf16.csv": "16-bit characters",
    "volts_decimal_comma.csv": "row 2 has 4 fields",
    "volts_many_columns.csv": "200 columns",
    "volts_no_numbers.csv": "no readable volts",
    "volts_time_back_for_good.csv": "row 1802: time goes back, and stays back",
    "volts_too_few_digits.csv": "too few digits",
    "wrong_header.csv": "'Time,Chan,State', not 'time_s,channel,level'",
}

READ_TO_THE_FAULT = {
    # One edge or less at the end, and nothing else, is not there.
    "truncated_last_row.csv": ("whole.csv", 1),
    "zeros_at_the_end.csv": ("whole.csv", 0),
    "volts_last_row_cut_off.csv": ("volts_whole.csv", 0),
    "last_sample_cut_off.wav": ("whole.wav", 0),
    "length_too_large.wav": ("whole.wav", 0),
}

ROW_TWICE = "row_twice.csv"


def absolute(held: Held) -> set[tuple[int, int]]:
    """Edges as (nanoseconds on the file's clock, level)."""
    edges = held.edges["crank"]
    zero = round(held.clock.t0_s * 1e9) if held.clock.t0_s < 1e6 else 1_000_000
    times = zero + np.rint(edges.ticks * held.clock.tick_ns).astype(np.int64)
    return set(zip(times.tolist(), edges.levels.tolist(), strict=True))


def whole(name: str) -> Held:
    return read_all(open_recording(FOLDER / name))


def test_every_damaged_file_has_its_place() -> None:
    known = {*READ_WHOLE, *BLIND, *REFUSED, *READ_TO_THE_FAULT, ROW_TWICE}
    known |= {"whole.csv", "whole.vcd", "volts_whole.csv", "whole.wav"}
    assert {path.name for path in FOLDER.iterdir()} == known


@pytest.mark.parametrize("name", READ_WHOLE)
def test_reads_like_the_whole_file(name: str) -> None:
    held = whole(name)
    assert absolute(held) == absolute(whole("whole.csv"))
    assert held.blind == () and "faults" not in held.source


def test_a_row_that_stands_twice_changes_nothing() -> None:
    held = whole(ROW_TWICE)
    assert absolute(held) == absolute(whole("whole.csv")) and held.blind == ()
    assert held.source["first_faults"] == [{"row": 33, "what": "the same row twice"}]


@pytest.mark.parametrize(("name", "reason"), BLIND.items())
def test_the_fault_is_a_blind_stretch_and_no_edge_is_made_up(name: str, reason: str) -> None:
    held = whole(name)
    assert reason in {stretch.reason for stretch in held.blind}
    blind_s = sum(held.clock.span_s(b.end_tick - b.start_tick) for b in held.blind if b.reason != "time jumps ahead")
    assert blind_s < 0.1
    good = whole("volts_whole.csv" if name.startswith("volts") else "whole.csv")
    if name == "time_far_ahead_for_good.csv":
        assert len(held.edges["crank"]) == len(good.edges["crank"])
    elif name == "time_back_for_one_value.vcd" or name.endswith("csv"):
        assert absolute(held) <= absolute(good)
    assert alternates(held, "crank")
    # A hole in samples, and x, are in the file's own terms no faults of rows.
    if reason not in ("level unknown", "samples missing"):
        assert held.source["faults"] >= 1
        assert held.source["first_faults"][0]["row"] > 1


@pytest.mark.parametrize(("name", "words"), REFUSED.items())
def test_the_error_says_where_and_why(name: str, words: str) -> None:
    with pytest.raises(FileTrouble, match=words) as caught:
        whole(name)
    assert caught.value.what.startswith(name)
    assert caught.value.step


@pytest.mark.parametrize(("name", "against"), READ_TO_THE_FAULT.items())
def test_a_file_cut_short_keeps_what_came_before(name: str, against: tuple[str, int]) -> None:
    good, lost = against
    held, reference = whole(name), whole(good)
    assert absolute(held) <= absolute(reference)
    assert len(held.edges["crank"]) == len(reference.edges["crank"]) - lost
    assert held.blind == ()


@pytest.mark.parametrize("place", ["header", "row"])
def test_a_million_columns(place: str, tmp_path: Path) -> None:
    path = tmp_path / "wide.csv"
    wide = ",".join(["0.1"] * 10**6)
    rows = (FOLDER / "whole.csv").read_text().splitlines()
    rows[0 if place == "header" else 30] = wide
    path.write_text("\n".join(rows) + "\n")
    if place == "header":
        with pytest.raises(FileTrouble, match="row 1: the row is longer"):
            open_recording(path)
    else:
        held = read_all(open_recording(path))
        assert "unreadable row" in {b.reason for b in held.blind}
        assert "1000000 fields instead of 3" in held.source["first_faults"][0]["what"]


def test_a_row_longer_than_any(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    path.write_bytes((FOLDER / "whole.csv").read_bytes() + b"7" * 9_000_000)
    with pytest.raises(FileTrouble, match="row 90: the row is longer"):
        read_all(open_recording(path))


def test_places_that_are_no_files(tmp_path: Path) -> None:
    with pytest.raises(FileTrouble, match="there is no file"):
        open_recording(tmp_path / "absent.csv")
    with pytest.raises(FileTrouble, match="is a folder"):
        open_recording(tmp_path)


def test_names_can_be_given(tmp_path: Path) -> None:
    held = read_all(open_recording(FOLDER / "unknown_channels.csv", names={"D0": "crank"}))
    assert held.channels == ("crank",) and held.source["channels_left_out"] == ["D1"]
    with pytest.raises(FileTrouble, match="no channel called 'flywheel'"):
        open_recording(FOLDER / "unknown_channels.csv", names={"D0": "flywheel"})
    with pytest.raises(FileTrouble, match="more than one channel stands for crank"):
        open_recording(FOLDER / "unknown_channels.csv", names={"D0": "crank", "D1": "crank"})


@pytest.mark.parametrize("name", ["whole.csv", "whole.vcd", "volts_whole.csv", "whole.wav"])
@given(data=st.data())
@settings(max_examples=30, deadline=None)
def test_random_damage_never_crashes_nor_breaks_a_promise(name: str, data: st.DataObject, tmp_path_factory) -> None:
    raw = bytearray((FOLDER / name).read_bytes())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, max(0, len(raw) - 2)))
        match data.draw(st.sampled_from(["set", "cut", "double", "drop", "end"])):
            case "set":
                raw[at : at + 1] = bytes([data.draw(st.integers(0, 255))])
            case "cut":
                del raw[at : at + data.draw(st.integers(1, 40))]
            case "double":
                raw[at:at] = raw[at : at + data.draw(st.integers(1, 60))]
            case "drop":
                raw[at : at + 3] = b"\n,;"
            case "end":
                del raw[max(at, 30) :]
    path = tmp_path_factory.mktemp("random") / name
    path.write_bytes(bytes(raw))
    try:
        held = read_all(open_recording(path))
    except FileTrouble as trouble:
        assert trouble.what
    else:
        assert all(alternates(held, channel) for channel in held.channels)
    shutil.rmtree(path.parent)
