"""The guided prompt: asks for a job card question by question, and again, with the reason, after a slip."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from toothwise.causes import codes, readings
from toothwise.causes.job import COMPLAINTS, FREEZE_FRAME, PLACES, SENSOR_KINDS, Job, from_dict
from toothwise.errors import FileTrouble

Ask = Callable[[str], str]
Say = Callable[[str], None]


def guided(ask: Ask, say: Say) -> Job:
    """A job card from answers. `ask` puts a question and returns the answer; `say` shows a line."""
    say("An empty answer leaves an entry out.")
    card: dict[str, Any] = {}

    def put(table: str, key: str, question: str, turn: Callable[[str], Any]) -> None:
        """Ask until the answer fits the card as far as it is filled in."""
        while True:
            text = ask(question).strip()
            if not text:
                return
            try:
                value = turn(text)
                trial = {**card, **({table: {**card.get(table, {}), key: value}} if table else {key: value})}
                from_dict(trial)
            except (FileTrouble, ValueError) as error:
                say(str(error) if isinstance(error, FileTrouble) else f"“{text}” is not a number.")
                continue
            card.clear()
            card.update(trial)
            return

    put("", "complaint", f"Complaint ({', '.join(COMPLAINTS)}), with commas", _words)
    put("", "codes", "Trouble codes, with spaces (none, if they were read and none was set)", _codes)
    if card.get("codes"):
        for key, (unit, _, _) in FREEZE_FRAME.items():
            put("freeze_frame", key, f"Freeze frame: {key} in {unit}", float)
    put("vehicle", "name", "Vehicle or lot", str)
    put("vehicle", "cylinders", "Cylinders", int)
    put("vehicle", "firing_order", "Firing order, as in 1 3 4 2", _numbers)
    put("sensor", "kind", f"Sensor kind ({', '.join(SENSOR_KINDS)})", str)
    put("sensor", "wheel", "Wheel, as in 60-2", str)
    for reading in readings.READINGS.values():
        question = f"{reading.what[0].upper()}{reading.what[1:]}, in {reading.unit}"
        put("readings", reading.key, question, partial(readings.parse, reading.key))
    put("readings", "measured_at", f"Where the signal is taken ({', '.join(PLACES)})", str)
    return from_dict(card)


def _words(text: str) -> list[str]:
    return [word.strip() for word in text.split(",") if word.strip()]


def _codes(text: str) -> list[str]:
    if text.lower() == "none":
        return []
    return [codes.read(word).code for word in text.replace(",", " ").split()]


def _numbers(text: str) -> list[int]:
    return [int(word) for word in text.replace(",", " ").replace("-", " ").split()]
