"""The report's tables and lists: rows of words, made from what the object says."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from typing import Any

from toothwise.show import measures as of_measure
from toothwise.show import words
from toothwise.show.wiggle import watched as watched_words

Row = list[str]
MOST_EVENTS = 16
MOST_TEETH = 12
MOST_ALIKE = 8
MOST_TEXT = 600
"""Letters of a note that are printed; the object has it whole."""
MOST_NAME = 120


def printed(text: object, most: int = MOST_TEXT) -> str:
    """Text from outside, without letters that steer, cut where it is too long to print."""
    clean = words.clean(text)
    return clean if len(clean) <= most else f"{clean[:most]}… ({len(clean):,} letters)"


def when(utc: str | None) -> str:
    return "" if not utc else f"{words.utc(utc)} UTC"


def watched(wiggle: Mapping[str, Any] | None) -> list[Row]:
    """How a wiggle test was watched."""
    return [["watched", watched_words(wiggle)]] if wiggle else []


def facts(result: Mapping[str, Any]) -> list[Row]:
    """What was seen, in numbers."""
    channels = result["channels"]
    length = max((c["span_s"] for c in channels.values()), default=0.0)
    seen = ", ".join(f"{words.clean(n)} {words.count(c['edges'], 'edge')}" for n, c in channels.items() if c["edges"])
    rows = [["signal", f"{words.span(length)}; {seen or 'no edges'}"]]
    wheel, teeth, speed = result["wheel"], result["teeth"], result["speed_rpm"]
    how = ", made out from the signal" if wheel["identified"] else ""
    how = f", but the signal looks like {wheel['looks_like']}" if wheel.get("looks_like") else how
    rows.append(["wheel", printed(wheel["name"], MOST_NAME) + how if wheel["name"] else "none was followed"])
    if speed is not None:
        range_ = f"{words.rpm(speed['min'])} to {words.rpm(speed['max'])} rpm, median {words.rpm(speed['median'])} rpm"
        rows.append(["speed", f"{range_}; {words.count(result['revolutions'], 'revolution')}"])
    if wheel["name"]:
        counts = f"{teeth['expected']:,} due, {teeth['seen']:,} seen, {teeth['missing']:,} missing"
        rows.append(["teeth", f"{counts}; {words.count(teeth['extra'], 'extra edge')}"])
    blind = words.span(result["blind_s"]) if result["blind_s"] else "none"
    rows.append(["blind", f"{blind}; time for which rig or cable cannot vouch, neither for nor against the sensor"])
    return rows


def kinds(result: Mapping[str, Any]) -> list[Row]:
    """How many findings of each kind, and the longest."""
    rows = []
    for kind, name in words.KIND_NAMES.items():
        same = [event for event in result["events"] if event["kind"] == kind]
        if same:
            rows.append([name, f"{len(same):,}", words.span(max(event["duration_s"] for event in same))])
    return rows


def teeth(result: Mapping[str, Any]) -> list[Row]:
    """Teeth with findings, the most frequent first."""
    rows = []
    for lot in result["by_tooth"][:MOST_TEETH]:
        where = "" if lot["angle_deg"] is None else f" at {words.angle(lot['angle_deg'])}"
        channel = "" if lot["channel"] == "crank" else f"{printed(lot['channel'], 20)}, "
        rows.append([f"{channel}tooth {lot['tooth']}{where}", lot["kind"], words.count(lot["events"], "time")])
    return rows


def events(result: Mapping[str, Any]) -> list[Row]:
    """The first findings, one by one: time, place, what."""
    return [
        [words.clock_time(event["t_s"]), words.place(event).replace("  ", ", "), words.what(event)]
        for event in result["events"][:MOST_EVENTS]
    ]


def measures(result: Mapping[str, Any]) -> list[Row]:
    """Name, value with its doubt and unit, and what it is about; of many alike the largest."""
    rows = []
    for _, lot in groupby(result["measures"], lambda measure: measure["name"]):
        same = list(lot)
        if len(same) > MOST_ALIKE:
            largest = max(same, key=lambda measure: abs(measure["value"]))
            rows.append(_measure(largest, f"largest of {len(same)}: "))
        else:
            rows += [_measure(measure) for measure in same]
    return rows


def _measure(measure: Mapping[str, Any], before: str = "") -> Row:
    return [of_measure.name(measure), of_measure.value(measure), before + of_measure.about(measure)]


def causes(result: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Those that are carried by evidence or still possible."""
    return [cause for cause in result["causes"] if cause["stands"] in ("supported", "possible")]


def named(result: Mapping[str, Any], stands: str) -> list[str]:
    """The causes that stand so, in words."""
    return [words.clean(cause.get("text") or cause["cause"]) for cause in result["causes"] if cause["stands"] == stands]


def not_tested(told: Mapping[str, Any], recording: Mapping[str, Any]) -> list[str]:
    """What nobody looked at, so that nobody takes it for good."""
    out = []
    result = recording.get("result")
    if result is not None:
        edges = {name for name, channel in result["channels"].items() if channel["edges"]}
        for name, text in (
            ("cam", "No edge of the cam was recorded: nothing is said about belt, chain or the cam's sensor."),
            ("feed", "No edge of the sensor's feed was recorded: either it held, or it was not clipped on."),
        ):
            if name not in edges:
                out.append(text)
        untested = named(result, "untested")
        if untested:
            out.append(f"Nothing measured so far tells about: {'; '.join(untested)}.")
        if not any(measure["name"] == "tooth_error" for measure in result["measures"]):
            out.append("The places of the single teeth were not measured: that takes steady running without a finding.")
        if not any(m["name"] in ("cylinder_work", "relative_compression") for m in result["measures"]):
            out.append("The single cylinders were not compared.")
    if recording.get("wiggle") is None:
        out.append("The harness was not moved in this recording; a contact that opens only when moved may have held.")
    if told.get("job") is None:
        out.append("There was no job card: complaint, trouble codes and meter readings are not part of the evidence.")
    elif not told["job"].get("readings"):
        out.append("No meter readings are on the job card.")
    return out


def card(job: Mapping[str, Any]) -> list[Row]:
    """The job card: what was complained of and what is known of the vehicle."""
    vehicle, sensor = job.get("vehicle", {}), job.get("sensor", {})
    rows = [["vehicle", printed(vehicle["name"], MOST_NAME)]] if vehicle.get("name") else []
    rows.append(["complaint", ", ".join(map(words.clean, job.get("complaint", []))) or "none written down"])
    if vehicle.get("cylinders"):
        order = "-".join(map(str, vehicle.get("firing_order", [])))
        rows.append(["engine", f"{vehicle['cylinders']} cylinders" + (f", firing order {order}" if order else "")])
    if sensor:
        parts = [words.clean(sensor[key]).replace("_", " ") for key in ("kind", "wheel") if sensor.get(key)]
        rows.append(["sensor, wheel", ", ".join(parts)])
    return rows


def readings(told: Sequence[Mapping[str, Any]]) -> list[Row]:
    """What a meter or the freeze frame said."""
    return [
        [
            words.clean(r["what"]),
            words.clean(r["value"]) if isinstance(r["value"], str) else f"{r['value']:g} {r['unit']}".rstrip(),
        ]
        for r in told
    ]


def done(recordings: Iterable[Mapping[str, Any]]) -> list[Row]:
    """What was done when: recordings, notes, and the places that were moved."""
    rows = []
    for recording in recordings:
        wiggle = recording.get("wiggle")
        what = "wiggle test" if wiggle else "recording"
        state = "" if recording["state"] in ("finished", "") else f" ({recording['state']})"
        length = words.span(recording["span_s"])
        rows.append([when(recording["started_utc"]) or "–", f"{what} {recording['name']}{state}", length])
        rows += [[when(utc), f"note: {printed(text)}", ""] for utc, text in recording["notes"]]
    return rows


def places(marks: Sequence[Sequence[Any]]) -> list[Row]:
    """Marks by number: when the hands went where."""
    return [
        [str(number), words.clock_time(t_s), printed(place, MOST_NAME)] for number, (t_s, place) in enumerate(marks, 1)
    ]


def origin(recording: Mapping[str, Any], version: str) -> list[Row]:
    """Where the numbers are from: rig, firmware, versions, settings, hash."""
    source = recording["source"]
    rows = [["recording", recording["name"]]]
    if recording.get("uid"):
        rows.append(["its own mark", recording["uid"]])
    for key, name in (("file", "file"), ("board", "board"), ("firmware", "firmware"), ("protocol", "line protocol"),
                      ("capture", "capture"), ("port", "port")):  # fmt: skip
        if source.get(key) is not None:
            rows.append([name, printed(source[key], MOST_NAME)])
    ticks = {c["tick_ns"] for c in (recording.get("result") or {"channels": {}})["channels"].values()}
    if ticks:
        rows.append(["time resolved to", words.span(max(ticks) * 1e-9)])
    settings = {key: value for key, value in recording.get("settings", {}).items() if isinstance(value, str)}
    if settings:
        rows.append(["settings", ", ".join(f"{words.clean(k)} {printed(v, 40)}" for k, v in settings.items())])
    examined = (recording.get("result") or {}).get("version")
    rows.append(["toothwise", f"examined by {examined or 'an earlier version'}, report by {version}"])
    rows.append([f"SHA-256 of the {recording['hash_of']}", recording["sha256"]])
    return rows
