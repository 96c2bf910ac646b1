"""The speed loop through the firmware itself, on a made motor, in real time.

    python -m tests.benchmarks.bench_drive

How soon each speed is reached within 1 % for good, how far it overshoots, and how long after the last word the drive
lets go when the host falls silent. A busy computer shows in these figures.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path

import numpy as np
from toothwise.bench.loop import Plant
from toothwise.bench.setup import DriveSetup
from toothwise.bench.spindle import DrivenSpindle
from toothwise.commands.demo_bench import TICK_HZ, Told, paced
from toothwise.link import open_rig
from toothwise.model.motor import Motor, Seeing, spin
from toothwise.model.wheel import MadeWheel
from toothwise.wheel import catalogue

WHEEL = catalogue.wheel("60-2")
TARGETS = (300.0, 1000.0, 3000.0)
HELD_S = 6.0
TIMES = 3


def values(path: Path) -> list[int]:
    return [int(line.split()[0]) for line in path.read_text().splitlines()]


def bench(work: str, told: Path, motor: Motor) -> list[float]:
    """`loop`: settling time and overshoot of each target, by turns. `silent`: seconds to the drive's end."""
    told.write_text("")
    edges = spin(motor, Told(told.open()), MadeWheel(WHEEL), {"crank": Seeing()}, TICK_HZ, np.random.default_rng(1))
    out: list[float] = []
    with open_rig("virtual", edges=paced(edges), tick_hz=TICK_HZ, drive=told) as rig:
        setup = DriveSetup("pwm", 3600.0, plant=Plant(4161.0, 0.75, 0.014))
        spindle = DrivenSpindle(rig, setup, WHEEL, rig.clock)
        targets = list(TARGETS if work == "loop" else TARGETS[:1])
        trace: list[tuple[float, float]] = []
        began_s = 0.0
        for batch in rig.batches():
            spindle.feed(batch)
            if spindle.stopped:
                raise SystemExit(f"the drive was stopped: {spindle.stopped}. This computer is too busy; try again")
            if not spindle.target_rpm:
                spindle.go()
                spindle.target_rpm, began_s = targets.pop(0), time.monotonic()
            spindle.turn()
            now_s = time.monotonic() - began_s
            trace.append((now_s, motor.rpm))
            if now_s < HELD_S:
                continue
            if work == "loop":
                target = spindle.target_rpm
                out.append(max((at for at, rpm in trace if abs(rpm - target) > 0.01 * target), default=0.0))
                out.append(max(rpm for _, rpm in trace) / target - 1.0)
                if not targets:
                    break
                spindle.target_rpm, began_s, trace = targets.pop(0), time.monotonic(), []
                continue
            spindle._over.set()  # no word more, not even a goodbye
            silent_s = time.monotonic()
            while values(told)[-1] and time.monotonic() - silent_s < 5.0:
                time.sleep(0.002)
            return [time.monotonic() - silent_s]
        spindle.stop()
    return out


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        told = Path(folder) / "drive"
        rows = bench("loop", told, Motor())
        print(f"{'target':>8} {'within 1 % after':>17} {'overshoot':>10}")
        for target, settled, over in zip(TARGETS, rows[::2], rows[1::2], strict=True):
            print(f"{target:5.0f} rpm {settled:15.2f} s {over:10.1%}")
        found = sorted(bench("silent", told, Motor())[0] for _ in range(TIMES))
        print(f"let go after {statistics.median(found):.3f} s, {found[0]:.3f} to {found[-1]:.3f} ({TIMES} times)")


if __name__ == "__main__":
    main()
