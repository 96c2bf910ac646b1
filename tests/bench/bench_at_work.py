"""A bench without a rig, for tests: a made motor and made sensors behind a stand-in for the rig's drive."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from toothwise.bench import limits as limits_file
from toothwise.bench.figures import Master
from toothwise.bench.limits import Limits
from toothwise.bench.loop import Plant
from toothwise.bench.run import Bench
from toothwise.bench.setup import DriveSetup
from toothwise.bench.spindle import DrivenSpindle, Spindle
from toothwise.edges.signal import Batch, Clock
from toothwise.errors import RigTrouble
from toothwise.model.motor import Motor, Seeing, spin
from toothwise.model.wheel import machined
from toothwise.wheel import catalogue

TICK_HZ = 62_500_000
PLANT = Plant(4161.0, 0.75, 0.014)


def limits(*, sweep: bool = False, **sequence: object) -> Limits:
    """The Hall template with a short count on a wheel of few teeth; sequence: what else is different."""
    found = limits_file.parse(limits_file.template("hall"), "hall")
    short = {"fault_rate": 0.05, "air_gaps_mm": (), "hot_c": None, "cold_c": None, "flex": False, "sweep_s": 5.0}
    if not sweep:
        found = replace(found, measures={n: m for n, m in found.measures.items() if n != "lowest_full_count"})
    return replace(
        found, wheel=catalogue.wheel("24-2"), timing_level=1, sequence=replace(found.sequence, **{**short, **sequence})
    )  # type: ignore[arg-type]


class FakeRig:
    """What a rig is to the drive. stopped_by: set it, and the next word to the drive is refused."""

    def __init__(self) -> None:
        self.value = 0
        self.armed = False
        self.stopped_by = ""
        self.said: list[str] = []

    def command(self, text: str, wait_s: float = 2.0) -> dict[str, str]:
        self.said.append(text)
        words = text.split()
        if self.stopped_by:
            self.armed, self.value = False, 0
        if words[1:2] in (["pwm"], ["step"]):
            self.armed, self.stopped_by = True, ""
        elif words[1:2] == ["set"]:
            if not self.armed:
                raise RigTrouble("The rig refused 'drive set': drive_off")
            self.value = int(words[2])
        elif words[1:2] == ["stop"]:
            self.armed, self.value = False, 0
        return {"stopped_by": self.stopped_by or "nothing"}

    def say(self, text: str) -> None:
        """What the drive's own thread repeats; the tests' time is not the clock's, so it changes nothing here."""


class AtWork:
    """`bench` with its time: `run` plays so many seconds of it, or until something is so."""

    def __init__(
        self, sensor: Seeing, wanted: Limits, *, driven: bool = True, plant: Plant | None = PLANT, seed: int = 1
    ) -> None:
        rng = np.random.default_rng(seed)
        self.rig, self.motor = FakeRig(), Motor()
        self.by_hand = 0.0
        self.now_s = 0.0
        self.channels = {"crank": sensor, "aux": Seeing(0.0, 0.005)}
        made = machined(wanted.wheel, rng)
        self._batches = spin(self.motor, self._width, made, self.channels, TICK_HZ, rng, slice_s=0.04)
        clock = Clock(1e9 / TICK_HZ)
        self.spindle = Spindle(wanted.wheel, clock)
        if driven:
            drive = DriveSetup("pwm", 3500.0, plant=plant)
            self.spindle = DrivenSpindle(self.rig, drive, wanted.wheel, clock, lambda: self.now_s)
        self.bench = Bench("QB-7", wanted, "bench 1", self.spindle, clock, ("crank", "aux"), Master(0.0, 0.01))

    def _width(self) -> float:
        return self.rig.value / 1000.0 if self.spindle.driven else self.by_hand

    def type(self, text: str) -> None:
        for key in text:
            self.bench.press(key)

    def batch(self) -> Batch:
        batch = next(self._batches)
        self.now_s = batch.until_tick / TICK_HZ
        return batch

    def run(self, seconds: float, *, until: str = "") -> bool:
        """until: the title of a step, or "finished". Whether that came."""
        end = self.now_s + seconds
        while self.now_s < end:
            if until == "finished" and self.bench.finished:
                return True
            if until and until == self.bench.step.title:
                return True
            self.bench.feed(self.batch())
        return False

    def to_the_spindle(self, serial: str = "S1") -> None:
        """Serial, readings of a good sensor, placed."""
        self.type(f"{serial}\n20M\n0.12\n4.92\n11\n\n")
