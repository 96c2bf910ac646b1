"""The self-check's verdict in words."""

from __future__ import annotations

from typing import Any

from toothwise.show.selfcheck import report_lines


def report(**pattern: Any) -> dict[str, Any]:
    whole = {
        "expected": 1200, "found": 1200, "missing_s": [], "extra_s": [], "worst_us": 0.016, "blind_s": 0.0,
        "from_rpm": 30.0, "to_rpm": 9000.0, "jumper": "pin 9 to pin 2", **pattern,
    }  # fmt: skip
    link = {
        "round_trip_ms": 1.25, "round_trip_worst_ms": 4.0, "highest_rate_hz": 100_000, "failed_rate_hz": 150_000,
        "stated_rate_hz": 100_000, "lost_frames": 0, "bad_crc": 0,
    }  # fmt: skip
    passed = whole["found"] == whole["expected"] and not whole["extra_s"]
    return {"passed": passed, "board": "a board", "pattern": whole, "link": link}


def test_a_pass_says_what_was_proven() -> None:
    lines = report_lines(report())
    assert lines[-1] == "Passed: every edge was found where it was put."
    assert "1,200 of 1,200 edges where they were put, the farthest 16.0 ns off" in lines[1]
    assert "100,000 edges a second sustained, not 150,000" in lines[-2]


def test_a_fail_says_where_and_what_to_do() -> None:
    lines = report_lines(report(found=1198, missing_s=[0.5, 0.75], extra_s=[0.1] * 7))
    text = "\n".join(lines)
    assert "missing  2 edges, at 0.500 s, 0.750 s" in text
    assert "extra    7 edges, at 0.100 s, 0.100 s, 0.100 s, 0.100 s, 0.100 s …" in text
    assert "Passed" not in text
    assert "jumper between the two pins" in report_lines(report(found=0))[-1]
