"""The harness map: which places are moved, in which order, and for how long. TOML, or the built-in general one.

    name = "crank sensor, left side"     # optional
    places = ["sensor connector", "behind the starter", "control unit"]
    quiet_s = 15                         # optional, and the times below: hands off first
    wiggle_s = 6                         # one wiggle
    moving_s = 4                         # from one place to the next
    wiggles = 5                          # of each place

A place may also be a table: { name = "bulkhead", hint = "press the grommet in and out" }.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from toothwise import toml
from toothwise.errors import FileTrouble
from toothwise.wiggle import rules
from toothwise.wiggle.marks import place_name

LONGEST_NAME = 60
MOST_PLACES = 100


@dataclass(frozen=True, slots=True)
class Spot:
    """A place of a map. hint: what to do there."""

    name: str
    hint: str = ""


@dataclass(frozen=True, slots=True)
class Harness:
    """Places from the sensor to the control unit, and the times of the test in seconds."""

    name: str
    places: tuple[Spot, ...]
    quiet_s: float = 10.0
    wiggle_s: float = 5.0
    moving_s: float = 4.0
    wiggles: int = 5


GENERAL = Harness(
    "general",
    (
        Spot("sensor connector", "push, pull and turn the plug"),
        Spot("first 15 cm", "bend both ways, then tug lightly"),
        Spot("first clip", "bend on both sides of it"),
        Spot("first bend", "bend both ways"),
        Spot("second clip", "bend on both sides of it"),
        Spot("second bend", "bend both ways"),
        Spot("bulkhead", "press the grommet in and out"),
        Spot("control unit", "push, pull and turn the plug"),
    ),
)
"""A section of 10 to 15 cm at a time, from sensor to control unit, and each place moved at least three times: common
practice, no source. Five wiggles bound the chance of an event a wiggle of a quiet place below 45 %."""

_TIMES = ("quiet_s", "wiggle_s", "moving_s")


def load(path: str | Path) -> Harness:
    """A map's file. Raises FileTrouble, with the line or the field."""
    path = Path(path)
    try:
        told = toml.table(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise FileTrouble(f"there is no file {path}", step="Check the name and the folder") from None
    except (OSError, UnicodeDecodeError) as error:
        raise FileTrouble(f"{path} cannot be read as text", cause=str(error), step="Save it in UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise FileTrouble(f"{path.name} is no TOML", cause=str(error), step="Mend that line") from None
    unknown = sorted(set(told) - {field.name for field in fields(Harness)})
    if unknown:
        raise _wrong(path, unknown[0], "is no field of a map", f"Fields: {', '.join(f.name for f in fields(Harness))}")
    places = told.get("places")
    if not isinstance(places, list) or not 1 <= len(places) <= MOST_PLACES:
        raise _wrong(path, "places", "is no list of places", 'Write places = ["sensor connector", "control unit"]')
    spots = tuple(_spot(path, number, place) for number, place in enumerate(places, 1))
    names = [spot.name for spot in spots]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise _wrong(path, "places", f"names {twice!r} twice", "Give each place a name of its own")
    return Harness(str(told.get("name", path.stem)), spots, **_numbers(path, told))


def _spot(path: Path, number: int, place: object) -> Spot:
    told = {"name": place} if isinstance(place, str) else place
    if not isinstance(told, dict) or set(told) - {"name", "hint"} or not isinstance(told.get("name"), str):
        raise _wrong(path, f"place {number}", "is neither a name nor a table with name and hint", "")
    name, hint = place_name(told["name"]), told.get("hint", "")
    if not name or len(name) > LONGEST_NAME or not isinstance(hint, str):
        raise _wrong(path, f"place {number}", f"needs a name of 1 to {LONGEST_NAME} characters", "Shorten it")
    if name in (rules.HANDS_OFF, rules.BETWEEN):
        raise _wrong(path, f"place {number}", f"is called {name!r}, which means that nothing is moved", "Rename it")
    return Spot(name, hint)


def _numbers(path: Path, told: dict[str, Any]) -> dict[str, Any]:
    numbers: dict[str, Any] = {}
    for key in _TIMES:
        if key in told:
            least = 0.0 if key == "moving_s" else 2 * rules.HUMAN_S
            value = told[key]
            if isinstance(value, bool) or not isinstance(value, int | float) or not least < value <= 3600:
                raise _wrong(path, key, f"is not a number of seconds between {least:g} and 3600", "")
            numbers[key] = float(value)
    if "wiggles" in told:
        value = told["wiggles"]
        if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 1000:
            raise _wrong(path, "wiggles", "is not a whole number from 1 to 1000", "Three or more can confirm a place")
        numbers["wiggles"] = value
    return numbers


def _wrong(path: Path, field: str, what: str, step: str) -> FileTrouble:
    return FileTrouble(f"{path.name}: {field} {what}", step=step)
