"""The wheels toothwise knows by name, and wheels of the user's own.

Names the trade uses: "60-2" (60 slots, 2 left out), "24" (plain), "6+1" (even teeth and one more). The others
carry a plain name of ours. A pattern whose figures are remembered rather than looked up says "from memory":
check it against the maker's service information, or give the real angles in a file of your own.
"""

from __future__ import annotations

import re
import tomllib
from itertools import accumulate, pairwise
from pathlib import Path
from typing import Any

import numpy as np

from toothwise import toml
from toothwise.errors import FileTrouble
from toothwise.wheel.pattern import Wheel

MOST_SLOTS = 1440
"""More slots than any ring in a vehicle; a larger number in a name is a slip of the keyboard."""


def by_steps(name: str, steps: list[float], slots: int, **more: Any) -> Wheel:
    """A wheel from the steps between its teeth, tooth 1 to tooth 2 first, the step back to tooth 1 last."""
    angles = (0.0, *accumulate(steps[:-1]))
    return Wheel(name, angles, slots, turn_deg=round(sum(steps), 9), **more)


def missing(slots: int, left_out: int) -> Wheel:
    """N-M: `slots` equal pitches, the last `left_out` of them without a tooth."""
    pitch = 360.0 / slots
    return Wheel(f"{slots}-{left_out}", tuple(i * pitch for i in range(slots - left_out)), slots)


def plain(slots: int) -> Wheel:
    """N equal teeth, nothing to number them by: tooth 1 is the first one recorded."""
    pitch = 360.0 / slots
    return Wheel(f"{slots}", tuple(i * pitch for i in range(slots)), slots)


def plus_one(even: int, close_deg: float | None = None) -> Wheel:
    """N+1: N equal pitches and one tooth more, close to one of them. Tooth 1 is the second of the close pair.

    close_deg: from the even tooth to the extra one, below 0 where the extra one comes first; by default it follows
    10 degrees behind where the pitch leaves room for it, else half a pitch. Where it is given, the name says it:
    "6+1@-12".
    """
    pitch = 360.0 / even
    close = close_deg or (10.0 if pitch > 20.0 else pitch / 2)
    name = f"{even}+1" if close_deg is None else f"{even}+1@{close_deg:g}"
    rest, equal = pitch - abs(close), [pitch] * (even - 1)
    return by_steps(name, [rest, *equal, close] if close > 0.0 else [*equal, rest, -close], even + 1)


def _three_gaps() -> list[Wheel]:
    # 36 slots, three gaps of two: runs of 16, 13 and 1 teeth between them (from memory; the order differs
    # between makers). All gaps are alike: tooth 1 begins the longest run of teeth.
    one, other = [*range(16), *range(18, 31), 33], [*range(16), 18, *range(21, 34)]
    return [
        Wheel(name, tuple(s * 10.0 for s in slots), 36)
        for name, slots in (("36-2-2-2", one), ("36-2-2-2-mirrored", other))
    ]


def _wide_narrow() -> Wheel:
    # 24 teeth evenly spaced on the timing edge; widths of about 3 or 12 degrees spell a code of the maker's
    # (from memory), which this pattern leaves open: teeth are counted from the first one recorded.
    pitch = 15.0
    return Wheel("24-wide-narrow", tuple(i * pitch for i in range(24)), 24, widths_carry_code=True)


def _cams() -> list[Wheel]:
    quarter = (0.0, 90.0, 180.0, 270.0)
    return [
        # One tooth half a turn long, and one a quarter turn long (from memory).
        Wheel("half-moon", (0.0,), 1, widths_deg=(180.0,)),
        Wheel("quarter-moon", (0.0,), 1, widths_deg=(90.0,)),
        # Two long and two short teeth whose leading edges are a quarter turn apart (widths from memory).
        # Tooth 1 is the first of the two long ones.
        Wheel("2-long-2-short", quarter, 4, widths_deg=(65.0, 65.0, 25.0, 25.0)),
    ]


_FIXED: dict[str, Wheel] = {w.name: w for w in (*_three_gaps(), _wide_narrow(), *_cams())}

_RULED = (
    "60-2", "36-1", "36-2", "48-1", "48-2", "30-1", "24-1", "24-2", "12-1", "12-2", "6-1",
    "60", "36", "24", "12", "8", "6", "4", "3",
    "36+1", "12+1", "6+1", "4+1", "3+1",
)  # fmt: skip

NAMES: tuple[str, ...] = (*_RULED, *_FIXED)
"""What `--wheel auto` tries and `toothwise wheel list` shows. Any other N-M, N or N+1 is understood too."""


def wheel(name: str) -> Wheel:
    """The wheel of that name, by rule or from the list; a path ending in .toml is read as a wheel file.

    Raises FileTrouble for a name that is neither.
    """
    text = name.strip()
    if text in _FIXED:
        return _FIXED[text]
    if text.endswith(".toml") and "\0" not in text:
        return load_toml(Path(text))
    match = re.fullmatch(r"(\d{1,4})\+1@(-?\d{1,3}(?:\.\d{1,3})?)", text)
    if match and 2 <= int(match[1]) <= MOST_SLOTS and 0.0 < abs(float(match[2])) < 360.0 / int(match[1]):
        return plus_one(int(match[1]), float(match[2]))
    match = re.fullmatch(r"(\d{1,4})(?:([-+])(\d{1,2}))?", text)
    if match:
        slots = int(match[1])
        if match[2] == "-" and 1 <= int(match[3]) <= slots - 2 and slots <= MOST_SLOTS:
            return missing(slots, int(match[3]))
        if match[2] == "+" and match[3] == "1" and 2 <= slots <= MOST_SLOTS:
            return plus_one(slots)
        if match[2] is None and 1 <= slots <= MOST_SLOTS:
            return plain(slots)
    raise FileTrouble(
        f"no wheel is called {name!r}",
        cause="wheels are named N-M (60-2), N (24), N+1 (6+1, or 6+1@-12 where the extra tooth comes 12 degrees before)"
        " or as listed by `toothwise wheel list`",
        step="give one of those, `auto`, or a wheel file ending in .toml",
    )


def load_toml(path: Path) -> Wheel:
    """A wheel of the user's own.

        name = "mill spindle"
        angles_deg = [0.0, 30.0, 60.0, 200.0]   # timing edges, rising, tooth 1 at 0
        widths_deg = [10.0, 10.0, 40.0, 10.0]   # optional
        turn_deg = 360                          # or 720: given over two turns of the crank
        slots = 36                              # optional: pitches in a turn; else seen from the angles

    Raises FileTrouble that names the key.
    """
    try:
        data = toml.table(path.read_bytes())
    except OSError as problem:
        raise FileTrouble(
            f"the wheel file {path} cannot be read: {problem.strerror or problem}",
            step="check the path, or give a wheel by name",
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as problem:
        raise FileTrouble(
            f"the wheel file {path} is not TOML: {problem}",
            cause="a missing quote or bracket, or another kind of file",
            step="mend the line, or compare with the example in README",
        ) from None
    return _from_table(data, str(path))


def _from_table(data: dict[str, Any], where: str) -> Wheel:
    def wrong(key: str, wants: str) -> FileTrouble:
        return FileTrouble(f"{where}: `{key}` {wants}", step=f"mend `{key}` in that file")

    unknown = sorted(set(data) - {"name", "angles_deg", "widths_deg", "turn_deg", "slots", "widths_carry_code"})
    if unknown:
        raise wrong(unknown[0], "is not a key of a wheel file")
    name = data.get("name")
    if not isinstance(name, str) or not name.strip():
        raise wrong("name", "must be a text")
    turn = data.get("turn_deg", 360)
    if turn not in (360, 720):
        raise wrong("turn_deg", "must be 360 or 720")
    angles = _numbers(data.get("angles_deg"))
    if angles is None or not 1 <= len(angles) <= MOST_SLOTS:
        raise wrong("angles_deg", f"must be a list of 1 to {MOST_SLOTS} numbers")
    if angles[0] != 0 or any(b <= a for a, b in pairwise(angles)) or angles[-1] >= turn:
        raise wrong("angles_deg", f"must begin with 0, rise, and stay below {turn}")
    widths = None
    if "widths_deg" in data:
        widths = _numbers(data["widths_deg"])
        steps = [b - a for a, b in zip(angles, [*angles[1:], float(turn)], strict=True)]
        if widths is None or len(widths) != len(angles):
            raise wrong("widths_deg", f"must be a list of {len(angles)} numbers, one a tooth")
        if any(not 0 < w < s for w, s in zip(widths, steps, strict=True)):
            raise wrong("widths_deg", "must be above 0 and end before the next tooth begins")
    slots = data.get("slots", _slots(angles, float(turn)))
    if not isinstance(slots, int) or isinstance(slots, bool) or not len(angles) <= slots <= MOST_SLOTS:
        raise wrong("slots", f"must be a whole number from {len(angles)} to {MOST_SLOTS}")
    code = data.get("widths_carry_code", False)
    if not isinstance(code, bool):
        raise wrong("widths_carry_code", "must be true or false")
    return Wheel(
        name.strip(), tuple(angles), slots, float(turn), tuple(widths) if widths else None, widths_carry_code=code
    )


def _slots(angles_deg: list[float], turn_deg: float) -> int:
    """Pitches in a turn, where most steps are alike and the others whole numbers of them; else the number of teeth."""
    steps = np.diff([*angles_deg, turn_deg])
    pitches = steps / steps.min()
    total = round(turn_deg / float(steps.min()))
    even = np.all(np.abs(pitches - np.rint(pitches)) < 0.02) and np.median(pitches) < 1.02
    return total if even and total <= MOST_SLOTS else len(angles_deg)


def _numbers(value: Any) -> list[float] | None:
    if not isinstance(value, list):
        return None
    if not all(isinstance(v, int | float) and not isinstance(v, bool) and abs(v) < 1e6 for v in value):
        return None
    return [float(v) for v in value]
