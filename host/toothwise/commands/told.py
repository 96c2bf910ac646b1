"""What `--json` printed, read back from a file: every field that anybody uses is looked at here, once."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from toothwise.errors import FileTrouble

LARGEST = 1e15
MOST_EVENTS = 1_000_000
"""Of one place: an exact comparison needs memory for each."""

Fields = Mapping[str, Callable[[Any], bool]]
"""What each field must be; one whose name ends in ? may be left out, or null."""


def _text(value: Any) -> bool:
    return isinstance(value, str)


def _flag(value: Any) -> bool:
    return isinstance(value, bool)


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= LARGEST


def _whole(value: Any) -> bool:
    return isinstance(value, int) and _number(value)


def _count(value: Any) -> bool:
    return _whole(value) and value >= 0


def _above_0(value: Any) -> bool:
    return _number(value) and value > 0


def _level(value: Any) -> bool:
    return _whole(value) and value in (0, 1)


def _wholes(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(map(_count, value))


def _runs(value: Any) -> bool:
    return isinstance(value, list) and all(map(_wholes, value))


_CHANNEL: Fields = {"edges": _count, "span_s?": _number}
_WHEEL: Fields = {
    "name?": _text, "slots?": _above_0, "gaps?": _runs, "identified?": _flag, "looks_like?": _text,
    "timing_level?": _level,
}  # fmt: skip
_TEETH: Fields = {"expected?": _count}
_SPEED: Fields = {"min": _number, "median": _number, "max": _number}
_EVENT: Fields = {
    "kind": _text, "channel": _text, "t_s": _number, "duration_s?": _number, "revolution?": _whole, "tooth?": _whole,
    "angle_deg?": _number, "count?": _count, "level?": _level,
}  # fmt: skip
_MEASURE: Fields = {
    "name": _text, "value": _number, "unit": _text, "uncertainty?": _number, "slot?": _count, "tooth?": _count,
    "pair?": _wholes, "times?": _count, "interval_deg?": _above_0,
}  # fmt: skip
_ABOUT: Mapping[str, Fields] = {"relative_compression": {"slot": _count}, "tooth_error": {"tooth": _count}}
"""What a measure of that name is about, in any case."""
_REPORT: Fields = {"revolutions?": _count, "blind_s?": _number}
_STANDS: Fields = {"place": _text, "stands": _text}
_MOVED: Fields = {
    "place": _text, "events": lambda value: _count(value) and value <= MOST_EVENTS,
    "moved_s": lambda value: _number(value) and value >= 0,
}  # fmt: skip


def examination(path: Path) -> dict[str, Any]:
    """What `examine --json` printed, with the places of a wiggle test where it has some. Raises FileTrouble."""
    try:
        report = _checked("it", _read(path), _REPORT)
        for name, fields in (("wheel", _WHEEL), ("teeth", _TEETH), ("speed_rpm", _SPEED)):
            if report.get(name) is not None:
                _checked(name, report[name], fields)
        _rows(report, "channels", _CHANNEL)
        _rows(report, "events", _EVENT)
        _rows(report, "places", _STANDS)
        for where, measure in _rows(report, "measures", _MEASURE).items():
            _checked(where, measure, _ABOUT.get(measure["name"], {}))
        wheel = report.get("wheel") or {}
        if wheel.get("slots") and wheel["slots"] <= sum(map(len, wheel.get("gaps", ()))):
            raise ValueError("wheel has no tooth")
    except ValueError as error:
        raise FileTrouble(
            f"{path} is not what an examination prints",
            cause=str(error),
            step=f"make it with: toothwise examine FILE --json > {path}",
        ) from None
    return report


def wiggle_test(path: Path) -> dict[str, Any]:
    """What `wiggle --json` printed. Raises FileTrouble."""
    try:
        report = _checked("it", _read(path), {"places": lambda value: isinstance(value, list)})
        _rows(report, "places", _MOVED)
    except ValueError as error:
        raise FileTrouble(
            f"{path} holds no wiggle test",
            cause=str(error),
            step="name a recording, or a file that toothwise wiggle --json wrote",
        ) from None
    return report


def _read(path: Path) -> Any:
    try:
        return json.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise FileTrouble(f"{path} cannot be read", cause=error.strerror or "", step="check the name") from None
    except UnicodeDecodeError:
        raise ValueError("it is no text in UTF-8") from None
    except RecursionError:
        raise ValueError("brackets within brackets, too many of them") from None


def _rows(report: dict[str, Any], name: str, fields: Fields) -> dict[str, dict[str, Any]]:
    """The rows of a list, or of a table of tables, by where they stand; all checked."""
    rows = report.get(name)
    if rows is None:
        report.pop(name, None)
        return {}
    if name == "channels" and isinstance(rows, dict):
        named = {f"channel {key}": row for key, row in rows.items()}
    elif name != "channels" and isinstance(rows, list):
        named = {f"{name}, entry {number}": row for number, row in enumerate(rows, 1)}
    else:
        raise ValueError(f"{name} is neither a list nor a table")
    return {where: _checked(where, row, fields) for where, row in named.items()}


def _checked(where: str, row: Any, fields: Fields) -> dict[str, Any]:
    """The row itself, without its nulls among the fields."""
    if not isinstance(row, dict):
        raise ValueError(f"{where} is no table")
    for key, fits in fields.items():
        name = key.rstrip("?")
        if row.get(name) is None:
            if name == key:
                raise ValueError(f"{where} has no {name}")
            row.pop(name, None)
        elif not fits(row[name]):
            raise ValueError(f"{where}: {name} cannot be {json.dumps(row[name])[:40]}")
    return row
