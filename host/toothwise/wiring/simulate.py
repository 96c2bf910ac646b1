"""Run a netlist in ngspice and read what it wrote."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from toothwise.errors import Trouble
from toothwise.wiring.front import FrontEnd
from toothwise.wiring.netlist import Source, netlist
from toothwise.wiring.spread import Values

Array = NDArray[np.float64]
PROGRAM = "ngspice"
LONGEST_S = 600.0


@dataclass(frozen=True)
class Trace:
    """One transient: time_s and the saved voltages (V) and currents (A) by node name, all of one length."""

    time_s: Array
    of: dict[str, Array]

    def crossings_s(self, name: str, level: float, *, rising: bool) -> Array:
        """Times at which the trace passes a level one way, interpolated."""
        return self.time_s[:0] if self.time_s.size < 2 else _crossings(self.time_s, self.of[name], level, rising)

    def at(self, name: str, time_s: float) -> float:
        return float(np.interp(time_s, self.time_s, self.of[name]))

    def edges(self, low_v: float, high_v: float) -> Array:
        """Times of the pin's rising edges as an input with those two levels sees them."""
        pin = self.of["pin"]
        state = np.where(pin >= high_v, 1, np.where(pin <= low_v, 0, -1))
        known = np.flatnonzero(state >= 0)
        steps = np.flatnonzero(np.diff(state[known]) == 1) + 1
        return self.time_s[known[steps]]


def _crossings(time_s: Array, trace: Array, level: float, rising: bool) -> Array:
    sign = 1.0 if rising else -1.0
    over = sign * (trace - level)
    at = np.flatnonzero((over[:-1] < 0) & (over[1:] >= 0))
    return time_s[at] + (time_s[at + 1] - time_s[at]) * (-over[at]) / (over[at + 1] - over[at])


def available() -> bool:
    """Whether the simulator is on this machine."""
    return shutil.which(PROGRAM) is not None


def run(front: FrontEnd, source: Source, runs: Sequence[Values]) -> Iterator[Trace]:
    """One trace a set of values, all from a single ngspice process.

    Raises Trouble where ngspice is missing, fails, or does not finish a transient.
    """
    if not available():
        raise Trouble(
            "ngspice is not installed",
            cause="the simulation runs in it",
            step="install it (Debian: apt install ngspice) and run this again",
        )
    with tempfile.TemporaryDirectory(prefix="toothwise-wiring-") as name:
        folder = Path(name)
        (folder / "deck.cir").write_text(netlist(front, source, runs), encoding="ascii", errors="replace")
        try:
            done = subprocess.run(
                [PROGRAM, "-b", "deck.cir"],
                cwd=folder,
                capture_output=True,
                text=True,
                timeout=LONGEST_S,
                check=False,
            )
        except subprocess.TimeoutExpired as late:
            raise Trouble(f"ngspice took more than {LONGEST_S:.0f} s", step="simulate fewer runs") from late
        for number in range(len(runs)):
            path = folder / f"run{number}.raw"
            trace = _read(path) if path.exists() else None
            if trace is None or trace.time_s[-1] < source.span_s * 0.999:
                lines = [
                    line for line in (done.stdout + done.stderr).splitlines() if "rror" in line or "too small" in line
                ]
                raise Trouble(f"ngspice did not finish run {number} of {front.name}", cause="; ".join(lines[:3]))
            yield trace


def _read(path: Path) -> Trace:
    data = path.read_bytes()
    head, _, body = data.partition(b"Binary:\n")
    text = head.decode("ascii", "replace")
    fields = dict(line.split(":", 1) for line in text.splitlines() if ":" in line)
    count = int(fields["No. Variables"])
    names = [row.split()[1] for row in text.partition("Variables:\n")[2].splitlines()[:count]]
    table = np.frombuffer(body, dtype="<f8").reshape(-1, count)
    of = {name.removeprefix("v(").removeprefix("i(").rstrip(")"): table[:, i] for i, name in enumerate(names)}
    return Trace(of["time"], of)
