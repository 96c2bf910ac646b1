"""The made bench of `toothwise bench run --rig virtual`: the firmware itself drives a made motor with made sensors."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from toothwise.bench.setup import DriveSetup

if TYPE_CHECKING:
    from toothwise.bench.limits import Limits
    from toothwise.edges.signal import Batch
    from toothwise.link import Rig

TICK_HZ = 62_500_000
MOST_RPM = 3600.0
BEHIND_S = 0.03
"""The made motor runs so far ahead of the rig's clock that its edges are there when they are due."""


@contextmanager
def made_bench(limits: Limits) -> Iterator[tuple[Rig, DriveSetup, Callable[[], None]]]:
    """The rig, its drive's setup, and what puts the next made sensor in: three good ones, then one that is not."""
    import numpy as np

    from toothwise.link import open_rig
    from toothwise.model.motor import Motor, Seeing, spin
    from toothwise.model.wheel import machined

    rng = np.random.default_rng(17)
    channels = {"crank": Seeing(), "aux": Seeing(0.0, 0.005)}
    bad = [Seeing(0.0, wakes_rpm=130.0), Seeing(1.2), Seeing(0.0, 0.3), Seeing(0.0, 0.02, drops=0.05)]
    count = 0

    def change() -> None:
        nonlocal count
        count += 1
        good = Seeing(float(rng.normal(0.0, 0.1)), float(rng.uniform(0.005, 0.03)), float(rng.uniform(0.0, 15.0)))
        channels["crank"] = bad[count // 4 % len(bad) - 1] if count % 4 == 0 else good

    with tempfile.TemporaryDirectory(prefix="toothwise-bench-", ignore_cleanup_errors=True) as folder:
        told = Path(folder) / "drive"
        told.touch()
        made = machined(limits.wheel, rng)
        with told.open() as file:
            edges = spin(Motor(), Told(file), made, channels, TICK_HZ, rng)
            with open_rig("virtual", edges=paced(edges), tick_hz=TICK_HZ, drive=told) as rig:
                yield rig, DriveSetup("pwm", MOST_RPM), change


class Told:
    """The last that the firmware's drive wrote into its file, as a share of the whole."""

    def __init__(self, file: TextIO) -> None:
        self._file = file
        self._part = ""
        self._value = 0.0

    def __call__(self) -> float:
        *lines, self._part = (self._part + self._file.read()).split("\n")
        if lines:
            self._value = int(lines[-1].split()[0]) / 1000.0
        return self._value


def paced(batches: Iterable[Batch]) -> Iterator[Batch]:
    """In real time."""
    began_s = time.monotonic()
    for batch in batches:
        yield batch
        early_s = batch.until_tick / TICK_HZ - (time.monotonic() - began_s) - BEHIND_S
        if early_s > 0.0:
            time.sleep(early_s)
