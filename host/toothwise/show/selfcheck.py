"""The rig's self-check as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from toothwise.show import words

MOST_PLACES = 5


def report_lines(report: Mapping[str, Any]) -> list[str]:
    """What was played, what was found, how fast the line is, and the verdict."""
    pattern, link = report["pattern"], report["link"]
    jumper = f" over the jumper from {words.clean(pattern['jumper'])}" if pattern["jumper"] else ""
    lines = [
        f"board    {words.clean(report['board'])}",
        f"pattern  60-2 from {words.rpm(pattern['from_rpm'])} to {words.rpm(pattern['to_rpm'])} rpm{jumper}:"
        f" {pattern['found']:,} of {words.count(pattern['expected'], 'edge')} where they were put,"
        f" the farthest {words.span(pattern['worst_us'] * 1e-6)} off",
        *_places("missing", pattern["missing_s"]),
        *_places("extra", pattern["extra_s"]),
    ]
    if pattern["blind_s"]:
        lines.append(f"blind    {words.span(pattern['blind_s'])} of the pattern")
    lines += [
        f"line     a command is answered in {words.span(link['round_trip_ms'] * 1e-3)},"
        f" at worst {words.span(link['round_trip_worst_ms'] * 1e-3)}",
        f"rate     {_rate(link)}",
    ]
    if link["lost_frames"] or link["bad_crc"]:
        lost, damaged = words.count(link["lost_frames"], "frame"), words.count(link["bad_crc"], "frame")
        lines.append(f"         {lost} lost, {damaged} damaged on the way: try another cable or port")
    if report["passed"]:
        return [*lines, "Passed: every edge was found where it was put."]
    if not pattern["found"]:
        return [*lines, "Not passed: nothing came in. Is the jumper between the two pins?"]
    return [*lines, "Not passed: check the jumper, close other programs, try another cable."]


def _places(name: str, seconds: list[float]) -> list[str]:
    if not seconds:
        return []
    some = ", ".join(words.clock_time(s) for s in seconds[:MOST_PLACES])
    return [f"{name:<9}{words.count(len(seconds), 'edge')}, at {some}{' …' if len(seconds) > MOST_PLACES else ''}"]


def _rate(link: Mapping[str, Any]) -> str:
    highest, failed, stated = link["highest_rate_hz"], link["failed_rate_hz"], link["stated_rate_hz"]
    says = f"; the board itself says {stated:,}" if stated else ""
    if highest is None:
        return f"not measured, this board cannot play a steady rate{says}"
    beyond = f", not {failed:,}" if failed else ", the most it can play"
    return f"{highest:,} edges a second sustained{beyond}{says}"
