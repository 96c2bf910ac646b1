"""Running a target on case after case, and keeping what breaks it: one file for each place in the code that breaks."""

from __future__ import annotations

import hashlib
import random
import time
import traceback
from collections.abc import Iterator
from pathlib import Path

from tests.fuzz.mutate import mutated
from tests.fuzz.targets import FOUND, Target, named


def place_of(error: BaseException) -> str:
    """Where it broke and by what: two cases with the same answer are one defect."""
    frames = traceback.extract_tb(error.__traceback__)
    ours = [frame for frame in frames if "toothwise" in frame.filename] or frames
    last = ours[-1]
    return f"{type(error).__name__} {Path(last.filename).name}:{last.lineno} {last.name}"


def kept(target: Target) -> list[Path]:
    """Cases that once broke this target."""
    return sorted((FOUND / target.name).glob("*"))


def keep(target: Target, data: bytes) -> Path:
    folder = FOUND / target.name
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / hashlib.sha256(data).hexdigest()[:12]
    path.write_bytes(data)
    return path


def broken(target: Target, data: bytes) -> BaseException | None:
    """What comes out of one case, if it is a defect."""
    try:
        target.run(data)
    except (KeyboardInterrupt, MemoryError):
        raise
    except BaseException as error:
        return error
    return None


def smaller(target: Target, data: bytes, place: str, patience_s: float = 10.0) -> bytes:
    """The same defect from less: whole lines and halves of what is left are taken away while it still breaks there."""
    end = time.monotonic() + patience_s
    step = max(1, len(data) // 2)
    while step and time.monotonic() < end:
        at = 0
        while at < len(data) and time.monotonic() < end:
            less = data[:at] + data[at + step :]
            error = broken(target, less)
            if error is not None and place_of(error) == place:
                data = less
            else:
                at += step
        step //= 2
    return data


def cases(target: Target, seed: int) -> Iterator[bytes]:
    """Without end, and the same for the same seed."""
    chance = random.Random(f"{target.name} {seed}")
    seeds = target.seeds()
    while True:
        yield mutated(seeds, chance, target.words)


def plainly(name: str, seconds: float, seed: int) -> tuple[int, dict[str, tuple[bytes, str]]]:
    """Cases run within the time; for each defect the case and its traceback."""
    target = named(name)
    end = time.monotonic() + seconds
    found: dict[str, tuple[bytes, str]] = {}
    many = 0
    for data in cases(target, seed):
        if time.monotonic() >= end:
            break
        many += 1
        error = broken(target, data)
        if error is not None and (place := place_of(error)) not in found:
            found[place] = smaller(target, data, place), "".join(traceback.format_exception(error))
    return many, found
