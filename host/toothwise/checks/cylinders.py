"""Each cylinder's share of the work, its misfires and its compression, from the crank's speed within the cycle.

What can be told apart, and what cannot: a wheel's error is the same in both turns of a cycle and at any speed,
in degrees. A cylinder fires in one of the two turns only, and what it does fades with the square of the speed.
So the difference between two cylinders one turn apart is free of the wheel; what both lack together looks like
the wheel's error unless that is known, or the recording holds a second speed. The sums below carry that as
covariances; a statement is made only where they leave no doubt, and `told` is false where they do.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from toothwise.checks import windows
from toothwise.checks.crank_physics import delivered, squeezed
from toothwise.checks.cycles import Cycles
from toothwise.checks.shares import Shares, share_out
from toothwise.edges.signal import Clock
from toothwise.records import Measure
from toothwise.scatter import spread_of
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

Floats = NDArray[np.float64]

_ENOUGH_CYCLES = 20
"""At idle; their mean is known to 1/√20, two ninths of one cycle's scatter [D]. With fewer, nothing is said of idle."""

_ENOUGH_CRANKING = 3
"""The fewest that show a scatter of their own beside a mean; an engine that starts well cranks no longer. Common
practice, no source."""

_MISFIRE = 0.45
"""Lack of work in one firing, as a share of a mean one, that is a misfire and no slow burn: a misfire lacks all of
it, healthy firings vary by a tenth. Common practice, no source."""

_GIVES = 0.15
"""Share of the best one's that a dead cylinder may come out below none by: the shape is an ideal compression's."""

_OUTLIER = 4.5
"""Standard deviations that a normal scatter leaves once in 300,000 firings."""


class CylinderCheck:
    """A check that streams: fed with teeth, it measures at the end.

    cylinders, firing_order, tdc1_deg: as on the job card; order empty and tdc1_deg None where not known.
    tooth_error_deg: the wheel's learnt error, one a tooth, or None.
    cycle_turn: 0 or 1, set before `finish` where the cam says which turn of the tracker's count begins the
        cycle; None leaves each firing slot and the one a turn later a pair.
    """

    def __init__(
        self,
        wheel: Wheel,
        clock: Clock,
        cylinders: int,
        *,
        firing_order: Sequence[int] = (),
        tdc1_deg: float | None = None,
        tooth_error_deg: Sequence[float] | None = None,
        channel: str = "crank",
    ) -> None:
        self.cycle_turn: int | None = None
        self._wheel = wheel
        self._cylinders = cylinders
        self._order = tuple(firing_order)
        self._tdc1_deg = tdc1_deg
        self._channel = channel
        self._known = tooth_error_deg is not None and len(tooth_error_deg) == wheel.teeth
        self._angles = np.array(wheel.angles_deg)
        if tooth_error_deg is not None and self._known:
            self._angles = self._angles + np.asarray(tooth_error_deg, np.float64)
        self._possible = windows.possible(wheel, cylinders) and cylinders >= 2
        self._cycles = Cycles(wheel, clock)

    def feed(self, channel: str, teeth: Teeth) -> None:
        if channel == self._channel and self._possible:
            self._cycles.feed(teeth)

    def finish(self) -> list[Measure]:
        """slowest_angle, cylinder_work and misfire_rate from idle, relative_compression from cranking."""
        if not self._possible:
            return []
        self._cycles.finish()
        # At idle a misfire moves the slowest point too.
        cranking = self._cycles.longest(0)
        if len(cranking) >= _ENOUGH_CRANKING and windows.fires_unevenly(cranking, self._angles, self._cylinders):
            return []  # no window would lie on a top dead centre
        return [*self._cranking(), *self._idle()]

    def _place(self, rows: Floats) -> windows.Windows:
        first = windows.slowest(rows, self._angles, self._cylinders)
        return windows.place(self._wheel, self._angles, self._cylinders, first)

    def _cranking(self) -> list[Measure]:
        rows = self._cycles.longest(0)
        if len(rows) < _ENOUGH_CRANKING:
            return []
        at = self._place(rows)
        found = compression(at.energies(rows), at)
        if found is None:
            return []
        value, spread = found
        measures = [self._slowest(at, rows, "cranking")]
        for slot, about in enumerate(self._slots(at)):
            measures.append(Measure("relative_compression", float(value[slot]), "%", float(spread[slot]), about))
        return measures

    def _idle(self) -> list[Measure]:
        rows = self._cycles.longest(1)
        if len(rows) < _ENOUGH_CYCLES:
            return []
        at = self._place(rows)
        others = [self._cycles.longest(band) for band in (2, 3)]
        energies = [at.energies(r) for r in (rows, *others) if len(r) >= _ENOUGH_CYCLES]
        shares = share_out(energies, at, wheel_known=self._known)
        slots = self._slots(at)
        measures = [self._slowest(at, rows, "idle")]
        for slot, about in enumerate(slots):
            more = {"weak": slot in shares.weak, "told": bool(shares.told[slot])}
            measures.append(
                Measure(
                    "cylinder_work", float(shares.work[slot]), "of the mean", float(shares.spread[slot]),
                    {**about, **more},
                )
            )  # fmt: skip
        rate = misfires(energies[0], shares, at)
        for slot, about in enumerate(slots):
            # Rule of succession, so that none seen in few firings has its doubt too.
            doubt = np.sqrt((rate[slot] + 1 / len(rows)) * (1 - rate[slot] + 1 / len(rows)) / len(rows))
            measures.append(Measure("misfire_rate", float(rate[slot]), "of its firings", float(doubt), about))
        return measures

    def _slowest(self, at: windows.Windows, rows: Floats, while_: str) -> Measure:
        about = {"interval_deg": 720.0 / self._cylinders, "while": while_, "channel": self._channel}
        halves = [windows.slowest(rows[i::2], self._angles, self._cylinders) for i in (0, 1)]
        interval = 720.0 / self._cylinders
        apart = (halves[0] - halves[1] + interval / 2) % interval - interval / 2
        return Measure("slowest_angle", at.first_deg % interval, "deg", abs(apart) / 2 + 0.2, about)

    def _slots(self, at: windows.Windows) -> list[dict[str, object]]:
        """What each slot is about: its number, its angle in the cycle, and its cylinder where that is known."""
        n = self._cylinders
        angles = at.first_deg + np.arange(n) * 720.0 / n
        if self.cycle_turn == 1:
            angles = angles + 360.0
        angles = angles % 720.0
        place = np.argsort(np.argsort(angles))
        found: list[dict[str, object]] = []
        for index in range(n):
            about: dict[str, object] = {"slot": int(place[index]) + 1, "angle_deg": round(float(angles[index]), 1)}
            if n % 2 == 0 and self.cycle_turn is None:
                about["pair"] = sorted({int(place[index]) + 1, (int(place[index]) + n // 2) % n + 1})
            about.update(self._names(float(angles[index])))
            found.append(about)
        return found

    def _names(self, angle_deg: float) -> dict[str, object]:
        """The cylinder that fires at an angle of the cycle, or the two that may."""
        n = self._cylinders
        if self._tdc1_deg is None or len(self._order) != n:
            return {}
        step = round((angle_deg - self._tdc1_deg) / (720.0 / n)) % n
        if self.cycle_turn is not None:
            return {"cylinder": self._order[step]}
        if n % 2 == 0:
            return {"cylinders": sorted((self._order[step], self._order[(step + n // 2) % n]))}
        return {}


def compression(energies: Floats, at: windows.Windows) -> tuple[Floats, Floats] | None:
    """Each firing slot's compression in per cent of the best, and its standard uncertainty.

    energies: (cycles, 2n+1) from cranking. Each compression takes energy from the crank and gives it back; how
    deep the dip is at a top dead centre is shared out among the cylinders by the shape of an ideal compression.
    None where there is no dip to speak of, or a compression that would drive the crank: these are no compressions of
    so many cylinders.
    """
    n = at.cylinders
    before = np.concatenate([energies[:, 2 * n - 1 : 2 * n], energies[:, 1 : 2 * n - 1 : 2]], axis=1)
    after = energies[:, 1 : 2 * n : 2]
    # The window before the first top dead centre belongs to the cycle before; this cycle's last stands for it,
    # less what the whole cycle gained.
    before[:, 0] -= energies[:, 2 * n] - energies[:, 0]
    dips = (before + after) / 2 - energies[:, 0 : 2 * n : 2]
    shape = _dip_shape(at)
    squeeze = np.linalg.solve(shape, dips.T).T
    middle = np.median(squeeze, axis=0)
    if middle.max() <= 0 or np.median(dips) < 0.01 * np.median(energies):
        return None
    # All slots scatter alike; of a few cycles each alone its own scatter says little. 1.25: of a median.
    doubt = float(np.sqrt(squeeze.var(axis=0, ddof=1).mean() / len(squeeze))) * 1.25
    value, spread = middle / middle.max(), doubt / middle.max()
    if value.min() < -max(_GIVES, 3 * spread):
        return None
    return 100 * value, 100 * spread * np.sqrt(1 + value**2)  # the best one is no surer


def _dip_shape(at: windows.Windows) -> Floats:
    """(n, n): the dip at top dead centre k that a whole compression of cylinder j makes."""
    seen = windows.looked_at(at)
    fires = at.first_deg + np.arange(at.cylinders) * 720.0 / at.cylinders
    held = squeezed(seen[:, None, :] - fires[None, :, None]).mean(axis=2)  # (2n, n)
    between = held[1::2]
    return np.asarray(held[::2] - (between + np.roll(between, 1, axis=0)) / 2)


def misfires(energies: Floats, shares: Shares, at: windows.Windows) -> Floats:
    """(n,): share of each slot's firings that failed; from idle's energies, cycle by cycle."""
    n = at.cylinders
    relative = energies / energies[:, : 2 * n].mean(axis=1, keepdims=True)
    gain = relative[:, 2 : 2 * n + 1 : 2] - relative[:, 0 : 2 * n : 2]
    gain = gain - (np.roll(shares.wheel, -2) - shares.wheel)[::2]
    # Of a firing's work, so much arrives before the next top dead centre.
    share = float(delivered(np.array(720.0 / n)))
    lack = (gain - np.median(gain, axis=1, keepdims=True)) / (shares.unit * share)
    # Where a single firing is hardly seen, only what stands well out of the slot's own scatter counts.
    scatter = spread_of(lack, axis=0)
    return np.asarray((lack < -np.maximum(_MISFIRE, _OUTLIER * scatter)).mean(axis=0))
