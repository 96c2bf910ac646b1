"""The job card: one vehicle or one bench lot, what it complains of, and what was read from it by hand.

A TOML file and the guided prompt make the same card and check it the same way. Reading and writing lose
nothing: a card written and read again is equal.
"""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from toothwise import toml
from toothwise.causes import codes, readings
from toothwise.errors import FileTrouble
from toothwise.whole import write_whole

COMPLAINTS = (
    "no start", "hard start", "stall", "rough idle", "low power",
    "poor mileage", "warning lamp", "exhaust smell",
)  # fmt: skip
SENSOR_KINDS = ("variable_reluctance", "hall", "magnetoresistive", "current")
PLACES = ("sensor", "control unit", "harness", "bench")

FREEZE_FRAME = {  # key: (unit, low, high)
    "engine_rpm": ("rpm", 0.0, 20000.0),
    "coolant_c": ("°C", -60.0, 200.0),
    "vehicle_kmh": ("km/h", 0.0, 400.0),
    "load_percent": ("%", 0.0, 100.0),
    "battery_v": ("V", 0.0, 36.0),
}


@dataclass(frozen=True, slots=True)
class Vehicle:
    """cylinders: 1 to 16. firing_order: every cylinder once.

    tdc1_deg: crank degrees from tooth 1, 0 to 720 with the cycle beginning as `cam_edge` has it, at which
    cylinder 1 is at firing top dead centre; from the maker's service information, there is no default.
    """

    name: str = ""
    cylinders: int | None = None
    firing_order: tuple[int, ...] = ()
    tdc1_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Sensor:
    """kind: one of SENSOR_KINDS or "". wheel: a name of the catalogue, or "" where it is to be identified."""

    kind: str = ""
    wheel: str = ""


@dataclass(frozen=True, slots=True)
class Reference:
    """Known good values of this vehicle.

    cam_edges_deg: 0 to 720 from tooth 1. tooth_error_deg: one a tooth.
    slowest_deg: where the crank is slowest when cranking, from tooth 1, modulo the firing interval.
    timing_level: the level after the crank's edge that these were counted from, 0 or 1; None where not known.
    """

    cam_edges_deg: tuple[float, ...] = ()
    tooth_error_deg: tuple[float, ...] = ()
    slowest_deg: float | None = None
    timing_level: int | None = None


@dataclass(frozen=True, slots=True)
class Job:
    """One job card.

    codes: upper case; None where nobody has read them yet, empty where they were read and none was set.
    readings: by the keys of readings.READINGS; infinity means over-range.
    measured_at: where the signal and its levels were taken, one of PLACES, or "".
    """

    complaint: tuple[str, ...] = ()
    codes: tuple[str, ...] | None = None
    vehicle: Vehicle = field(default_factory=Vehicle)
    sensor: Sensor = field(default_factory=Sensor)
    readings: dict[str, float] = field(default_factory=dict)
    measured_at: str = ""
    freeze_frame: dict[str, float] = field(default_factory=dict)
    reference: Reference = field(default_factory=Reference)


def load(path: Path) -> Job:
    """The job card in a TOML file; raises FileTrouble that names the file and the entry."""
    try:
        data = toml.table(path.read_bytes())
    except OSError as error:
        raise FileTrouble(
            f"the job file {path} cannot be read",
            cause=error.strerror or "",
            step=f"make one with: toothwise job new {path}",
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FileTrouble(f"the job file {path} is not valid TOML", cause=str(error), step="mend that line") from None
    try:
        return from_dict(data)
    except FileTrouble as trouble:
        raise FileTrouble(f"{path}: {trouble.what}", cause=trouble.cause, step=trouble.step) from None


def from_dict(data: dict[str, Any]) -> Job:
    """A card from what TOML holds. Unknown entries, wrong types and values out of range raise FileTrouble."""
    _known("", data, ("complaint", "codes", "vehicle", "sensor", "readings", "freeze_frame", "reference"))
    at = data.get("readings", {})
    complaint = _list("complaint", data.get("complaint", []), str)
    set_codes = _list("codes", data.get("codes", []), str)
    _known("readings", at, (*readings.READINGS, "measured_at"))
    return Job(
        complaint=tuple(_choice("complaint", text, COMPLAINTS) for text in complaint),
        codes=tuple(codes.read(text).code for text in set_codes) if "codes" in data else None,
        vehicle=_vehicle(data.get("vehicle", {})),
        sensor=_sensor(data.get("sensor", {})),
        readings={key: readings.check(key, value) for key, value in at.items() if key != "measured_at"},
        measured_at=_choice("measured_at", at["measured_at"], PLACES) if at.get("measured_at") else "",
        freeze_frame=_freeze_frame(data.get("freeze_frame", {})),
        reference=_reference(data.get("reference", {})),
    )


def to_dict(job: Job) -> dict[str, Any]:
    """What `from_dict` reads back, without the entries nobody filled in."""
    whole: dict[str, Any] = {"complaint": list(job.complaint)}
    if job.codes is not None:
        whole["codes"] = list(job.codes)
    tables: dict[str, dict[str, Any]] = {
        "vehicle": {name: getattr(job.vehicle, name) for name in Vehicle.__slots__},
        "sensor": {name: getattr(job.sensor, name) for name in Sensor.__slots__},
        "readings": {**job.readings, "measured_at": job.measured_at},
        "freeze_frame": dict(job.freeze_frame),
        "reference": {name: getattr(job.reference, name) for name in Reference.__slots__},
    }
    for name, table in tables.items():
        filled = {
            key: list(value) if isinstance(value, tuple) else value
            for key, value in table.items()
            if value not in (None, "", ())
        }
        if filled:
            whole[name] = filled
    return whole


def save(job: Job, path: Path) -> None:
    """Write the card, all of it or nothing; raises FileTrouble where the file cannot be written."""
    import tomli_w  # only writing needs it

    write_whole(path, tomli_w.dumps(to_dict(job)))


def _known(table: str, data: Any, keys: tuple[str, ...]) -> None:
    if not isinstance(data, dict):
        raise FileTrouble(f"[{table}] must be a table", step=f"write [{table}] on a line of its own")
    for key in data:
        if key not in keys:
            near = difflib.get_close_matches(key, keys, 1)
            where = f"[{table}] has" if table else "the card has"
            raise FileTrouble(
                f"{where} no entry called {key}",
                step=f"did you mean {near[0]}?" if near else f"use one of {', '.join(keys)}",
            )


def _choice(name: str, value: Any, choices: tuple[str, ...]) -> str:
    if isinstance(value, str) and value.strip().lower() in choices:
        return value.strip().lower()
    raise FileTrouble(f"{name}: {value!r} is not known here", step=f"use one of: {', '.join(choices)}")


def _list(name: str, value: Any, kind: type | tuple[type, ...]) -> list[Any]:
    if not isinstance(value, list) or any(isinstance(v, bool) or not isinstance(v, kind) for v in value):
        raise FileTrouble(f"{name} must be a list in square brackets", cause=f"it holds {value!r}")
    return value


def _number(name: str, value: Any, unit: str, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise FileTrouble(f"{name} must be a number in {unit}, not {value!r}")
    if not low <= value <= high:
        raise FileTrouble(
            f"{name} = {readings.shown(value)} {unit} cannot be right: it lies outside {low:g} to {high:g}"
        )
    return float(value)


def _angles(name: str, value: Any, low: float, high: float) -> tuple[float, ...]:
    return tuple(_number(name, v, "degrees", low, high) for v in _list(name, value, (int, float)))


def _vehicle(data: Any) -> Vehicle:
    _known("vehicle", data, Vehicle.__slots__)
    cylinders = data.get("cylinders")
    if cylinders is not None and _number("cylinders", cylinders, "cylinders", 1, 16) != int(cylinders):
        raise FileTrouble(f"cylinders = {cylinders} is not a whole number")
    order = tuple(int(c) for c in _list("firing_order", data.get("firing_order", []), int))
    if order:
        cylinders = len(order) if cylinders is None else int(cylinders)
        if sorted(order) != list(range(1, cylinders + 1)):
            raise FileTrouble(
                f"firing_order {list(order)} does not name each of {cylinders} cylinders once",
                step="write the order as the maker gives it, as in [1, 3, 4, 2]",
            )
    return Vehicle(
        name=str(data.get("name", "")),
        cylinders=None if cylinders is None else int(cylinders),
        firing_order=order,
        tdc1_deg=_number("tdc1_deg", data["tdc1_deg"], "degrees", 0, 720) if "tdc1_deg" in data else None,
    )


def _sensor(data: Any) -> Sensor:
    _known("sensor", data, Sensor.__slots__)
    kind = data.get("kind", "")
    return Sensor(_choice("sensor kind", kind, SENSOR_KINDS) if kind else "", str(data.get("wheel", "")))


def _freeze_frame(data: Any) -> dict[str, float]:
    _known("freeze_frame", data, tuple(FREEZE_FRAME))
    return {key: _number(key, value, *FREEZE_FRAME[key]) for key, value in data.items()}


def _reference(data: Any) -> Reference:
    _known("reference", data, Reference.__slots__)
    slowest, level = data.get("slowest_deg"), data.get("timing_level")
    if level is not None and _number("timing_level", level, "levels", 0, 1) != int(level):
        raise FileTrouble(f"timing_level = {level} is neither 0 nor 1")
    return Reference(
        cam_edges_deg=_angles("cam_edges_deg", data.get("cam_edges_deg", []), 0, 720),
        tooth_error_deg=_angles("tooth_error_deg", data.get("tooth_error_deg", []), -30, 30),
        slowest_deg=None if slowest is None else _number("slowest_deg", slowest, "degrees", 0, 720),
        timing_level=None if level is None else int(level),
    )
