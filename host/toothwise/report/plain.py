"""The summary for a car's owner: no trade word without its meaning, nothing surer than the evidence is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from toothwise.show import words

CAUSES = {
    "sensor": "The sensor itself is at fault.",
    "signal_open": "The wire that carries the sensor's signal is broken, or does not make contact.",
    "signal_short_ground": "The wire that carries the sensor's signal touches metal where it should not.",
    "signal_short_feed": "The wire that carries the sensor's signal touches a wire that is under voltage.",
    "feed_or_ground": "The sensor does not get its supply of electricity properly: its supply wire or its ground wire.",
    "intermittent_wiring": "A plug or a wire loses contact when it is moved or shaken. A new sensor would not cure it.",
    "weak_signal": "The sensor's signal is weak: too far from the wheel, dirt between them, or its magnet is worn.",
    "reversed_polarity": "The two wires of the sensor are swapped.",
    "wheel_tooth": "A tooth of the wheel that the sensor reads is damaged, missing, or covered. A new sensor would not"
    " cure it.",
    "wheel_runout": "The wheel that the sensor reads does not run true. A new sensor would not cure it.",
    "wheel_slip": "The wheel that the sensor reads slips on its shaft. A new sensor would not cure it.",
    "wrong_wheel": "The engine has another sensor wheel than its computer expects.",
    "interference": "Electrical noise from the ignition or the alternator gets into the sensor's wire.",
    "cam_sensor": "The second sensor, the one at the camshaft, or its wiring is at fault.",
    "cam_timing": "Camshaft and crankshaft no longer stand to each other as they should: the belt or chain has jumped"
    " or is stretched.",
    "cam_phaser": "The device that adjusts the camshaft, or its valve, does not do what it should.",
    "misfire": "One of the cylinders does not burn its fuel as the others do.",
    "low_compression": "One of the cylinders does not hold its pressure as the others do.",
    "look_past_signal": "The sensor's signal is good where it arrives at the engine's computer. The fault lies"
    " elsewhere: replacing the sensor would not cure it.",
}
"""Of `unproven` there is nothing to say but what `summary` says by itself."""

WHAT_IT_IS = (
    "An engine's computer knows how fast the engine turns, and when each cylinder is due, from a sensor that watches"
    " the teeth of a wheel go by."
)
_TEETH = "We recorded that signal and looked at every single tooth."
_WIRES = "We watched the wires of that sensor."
_MOST_CAUSES = 3


def intro(recording: Mapping[str, Any]) -> str:
    """What it is about, for someone who never heard of it."""
    followed = recording.get("result") and recording["result"]["wheel"]["name"] is not None
    return f"{WHAT_IT_IS} {_TEETH if followed or not recording.get('wiggle') else _WIRES}"


def summary(recording: Mapping[str, Any]) -> list[str]:
    """Paragraphs about one recording, or one wiggle test."""
    if recording.get("wiggle"):
        return _wiggle(recording["wiggle"])
    result = recording.get("result")
    if result is None:
        return ["This recording has not been examined yet."]
    return [_seen(result), *_causes(result["causes"]), *_blind(result)]


def _seen(result: Mapping[str, Any]) -> str:
    teeth, kinds = result["teeth"], {event["kind"] for event in result["events"]}
    if result["wheel"]["name"] is None or not teeth["seen"]:
        return "The signal could not be followed well enough to say anything about it."
    watched = f"The signal was watched for {words.count(result['revolutions'], 'turn')} of the engine's shaft"
    faults = []
    if teeth["missing"]:
        faults.append(f"{words.count(teeth['missing'], 'tooth', 'teeth')} of {teeth['expected']:,} did not show")
    if "extra" in kinds:
        clusters = sum(event["kind"] == "extra" for event in result["events"])
        faults.append(f"{_times(clusters)} there was a signal where no tooth was")
    for kind, text in (
        ("silent", "the signal stopped altogether while the engine turned"),
        ("feed_low", "the sensor's supply broke down"),
        ("contact", "the signal changed although nothing turned"),
    ):
        n = sum(event["kind"] == kind for event in result["events"])
        if n:
            faults.append(f"{_times(n)} {text}")
    if not faults:
        always = "for all the time that we could see" if result["blind_s"] else "all the time"
        return f"{watched}, and it was good {always}: every tooth showed, and nothing else did."
    return f"{watched}. {_listed(faults)}."


def _times(n: int) -> str:
    return {1: "once", 2: "twice"}.get(n, f"{n:,} times")


def _listed(parts: Sequence[str]) -> str:
    text = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])}, and {parts[-1]}"
    return text[0].upper() + text[1:]


def _causes(causes: Sequence[Mapping[str, Any]]) -> list[str]:
    known = [cause for cause in causes if cause["cause"] in CAUSES]
    supported = [cause for cause in known if cause["stands"] == "supported"]
    possible = [cause for cause in known if cause["stands"] == "possible"][:_MOST_CAUSES]
    if any(cause["cause"] == "unproven" and cause["stands"] == "supported" for cause in causes):
        return ["Nothing that was measured so far proves a fault. More has to be tested before any part is replaced."]
    if supported:
        return ["What the evidence points to: " + " ".join(CAUSES[cause["cause"]] for cause in supported)]
    if possible:
        listed = " Or: ".join(CAUSES[cause["cause"]] for cause in possible)
        return [f"What is behind it is not proven yet. Still possible, the likeliest first: {listed}"]
    return ["What has been tested so far proves no cause. More has to be tested before any part is replaced."]


def _blind(result: Mapping[str, Any]) -> list[str]:
    if not result["blind_s"]:
        return []
    return [
        f"For {words.span(result['blind_s'])} our own instrument could not see. That time counts neither for nor"
        " against the car."
    ]


def _wiggle(wiggle: Mapping[str, Any]) -> list[str]:
    moved = sum(place["moved_s"] for place in wiggle["places"])
    first = (
        f"The wiring was moved by hand, place by place, for {words.span(moved)} in all, while its signals were watched."
    )
    named = {
        stands: [words.clean(place["place"]) for place in wiggle["places"] if place["stands"] == stands]
        for stands in ("confirmed", "suspect", "quiet", "untested")
    }
    out = [first]
    if named["confirmed"]:
        out.append(
            f"Contact was lost again and again when this place was moved: {', '.join(named['confirmed'])}."
            " That is where to look first."
        )
    if named["suspect"]:
        out.append(f"Something happened here too, but not often enough to be sure: {', '.join(named['suspect'])}.")
    if named["quiet"]:
        out.append(f"Nothing happened here: {', '.join(named['quiet'])}.")
    if named["untested"]:
        out.append(f"Not tested: {', '.join(named['untested'])}.")
    return out
