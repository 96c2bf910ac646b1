"""Sharing out the crank's speed ripple among cylinders and wheel, with what is known of either as covariances.

The model, linear in all unknowns, for the energy in window w of the mean cycle, relative to its mean:

    y[w] = common ripple (one value for top dead centres, one between) + what the window's own place makes of it
           + unit · Σ_j work[j]·shape[w, j] + wheel[w mod n] + noise

Windows end on teeth, and so lie a little off the places they are meant for, most of all beside a gap and on few
teeth; how much of the common ripple each then sees, the same ideal gas says, and is not taken at its word.

`wheel` is the error of the teeth that bound the window, the same a turn later. Each hypothesis (all healthy;
one slot weak; that and another) gives y a normal distribution; their densities at the y that was measured say
which to believe.

`unit` is the energy of one mean firing. No crank speed shows it directly, for the inertia is not known; but the
common ripple is made by it: the firings themselves and the compressions between them. An ideal gas says how
high that ripple is for a firing of 1 and compressions of SQUEEZE, so the ripple that is seen gives the unit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from toothwise.checks.crank_physics import delivered, squeezed
from toothwise.checks.windows import Windows, looked_at

Floats = NDArray[np.float64]

TOOTH_DEG, KNOWN_TOOTH_DEG = 0.2, 0.02
"""Standard error of a tooth's place on an unknown wheel, and on one whose errors were learnt; [C], no source."""

BESIDE_GAP_DEG = 0.8
"""Standard error of a tooth beside a gap, which a coil sees up to a degree early or late; [C], no source."""

ROUND_DEG = 0.1
"""Amplitude of an unknown wheel's runout, once and twice a turn: 0.13 mm at 75 mm [D]."""

HEALTHY = 0.02
"""How far healthy cylinders differ in work, as a share of the mean; [C], no source."""

SQUEEZE = 0.6
"""Work of a compression at idle over that of a firing: 0.5 l at 0.35 bar and 10 to 1 take 58 J, against some 75 J
of friction and pumping that a firing must bring besides [D from C]. Within a factor of 1.5, no more."""

WEAK = 0.3
"""How much a weak one may lack before it is looked at, as a share of the mean; only the scale of a prior."""

NAMED = 0.07
"""The least lack that is named, as a share of the mean: half of what a driver feels; [C], no source."""

MODEL = 0.01
"""What the model itself may be wrong by, as a share of the ripple."""

PLACED = 0.3
"""What the ideal gas may be wrong by in what a window's place does, as a share of that: SQUEEZE within its 1.5."""

SURE = np.log(20.0)
"""A slot is called weak when that is so many times likelier than all healthy; some 9 % of lack, as the rest stands."""


@dataclass(frozen=True, slots=True)
class Shares:
    """work, spread: (n,), each slot's work less the healthy ones' mean, as a share of the swing, and its doubt.

    weak: the slots called weak. told: (n,), whether a lack that is worth naming would have shown.
    wheel: (2n,), the wheel's part of each window. unit: a mean firing, relative to the energy.
    """

    work: Floats
    spread: Floats
    weak: tuple[int, ...]
    told: NDArray[np.bool_]
    wheel: Floats
    unit: float


def share_out(energies: list[Floats], at: Windows, *, wheel_known: bool) -> Shares:
    """Share out the ripple of idle (the first of `energies`) and, where there are, of higher speeds.

    energies: each (cycles, 2n+1), rad²/s².
    """
    n = at.cylinders
    size = 2 * n
    means = [np.median(e[:, :size] / e[:, :size].mean(axis=1, keepdims=True), axis=0) - 1.0 for e in energies]
    swing = max(float(means[0][1::2].mean() - means[0][::2].mean()), 1e-6)
    shape = _shape(at)
    firings, squeezes = shape.sum(axis=1), _squeezes(at)
    common = firings - SQUEEZE * squeezes
    unit = swing / float(common[1::2].mean() - common[::2].mean())
    levels = [float(e.mean()) for e in energies]
    lever = np.vstack([unit * levels[0] / level * shape for level in levels])  # (bands·2n, n)
    wheel = np.vstack([np.eye(size)] * len(energies))  # the same error at any speed
    error = _wheel_covariance(at, KNOWN_TOOTH_DEG if wheel_known else TOOTH_DEG, 0.0 if wheel_known else ROUND_DEG)
    placed = [unit * _of_place(part) for part in (firings, SQUEEZE * squeezes)]
    y = np.concatenate(
        [mean - levels[0] / level * (placed[0] - placed[1]) for mean, level in zip(means, levels, strict=True)]
    )
    base = wheel @ error @ wheel.T + (HEALTHY**2) * lever @ lever.T
    for band, e in enumerate(energies):
        part = slice(band * size, (band + 1) * size)
        relative = e[:, :size] / e[:, :size].mean(axis=1, keepdims=True)
        noise = 2.5 * np.cov(relative.T) / len(e)  # of medians, and neighbours in time are alike
        kind = np.tile(np.eye(2), (n, 1))
        scale = (MODEL * swing) ** 2
        base[part, part] += noise + scale * np.eye(size) + 1.0 * kind @ kind.T
        for own in placed:
            doubt = PLACED * levels[0] / levels[band] * own
            base[part, part] += np.outer(doubt, doubt) + np.diag(doubt**2)
    weak = _weak(y, base, lever, n)
    spreads = _wide(n, list(weak))
    healthy = [slot for slot in range(n) if slot not in weak] or list(range(n))
    work, doubt = _work(y, base, lever, spreads, healthy)
    _, open_doubt = _work(y, base, lever, np.full(n, WEAK), list(range(n)))
    wheel_part = (
        error @ wheel.T @ np.linalg.solve(base + lever @ np.diag(np.maximum(spreads**2 - HEALTHY**2, 0.0)) @ lever.T, y)
    )
    return Shares(
        work=work,
        spread=doubt,
        weak=weak,
        told=open_doubt < NAMED / 2,
        wheel=np.asarray(wheel_part),
        unit=unit,
    )


def _weak(y: Floats, base: Floats, lever: Floats, n: int) -> tuple[int, ...]:
    """Slots that lack work; at most half of them.

    Added one at a time, or two that are one turn apart: of those neither alone would explain the pair.
    """
    found: list[int] = []
    while len(found) < n // 2:
        now = _log_density(y, base, lever, _wide(n, found))
        likely, strong = [], -np.inf
        pairs = [[s, s + n // 2] for s in range(n // 2)] if n % 2 == 0 and n > 2 else []
        for more in [*([s] for s in range(n)), *pairs]:
            some = sorted({*found, *more})
            if len(some) != len(found) + len(more) or len(some) > n // 2:
                continue
            rest = [s for s in range(n) if s not in some]
            work, _ = _work(y, base, lever, _wide(n, some), rest)
            if len(more) == 1 and work[more[0]] >= NAMED:
                strong = max(strong, _log_density(y, base, lever, _wide(n, some)))
            elif work[more].max() <= -NAMED:
                # Two at once are as much rarer than one as one is than none.
                rarer = SURE * (len(more) - 1)
                likely.append((_log_density(y, base, lever, _wide(n, some)) - rarer, some))
        # One that pulls more than all others is as rare; where that explains it so much better, none is weak.
        if not likely or max(likely)[0] - now < SURE or strong - max(likely)[0] > SURE:
            break
        found = max(likely)[1]
    return tuple(found)


def _wide(n: int, slots: list[int]) -> Floats:
    """Standard deviations of the work, wide for the slots in doubt."""
    spreads = np.full(n, HEALTHY)
    spreads[slots] = WEAK
    return spreads


def _log_density(y: Floats, base: Floats, lever: Floats, spreads: Floats) -> float:
    covariance = base + lever @ np.diag(spreads**2 - HEALTHY**2) @ lever.T
    _, log_det = np.linalg.slogdet(covariance)
    return float(-0.5 * (log_det + y @ np.linalg.solve(covariance, y)))


def _work(y: Floats, base: Floats, lever: Floats, spreads: Floats, against: list[int]) -> tuple[Floats, Floats]:
    """Mean and standard deviation, given y, of each slot's work less the mean of the slots `against`.

    What all slots have in common no crank speed can show: the load takes it.
    """
    covariance = base + lever @ np.diag(spreads**2 - HEALTHY**2) @ lever.T
    prior = np.diag(spreads**2)
    gain = prior @ lever.T @ np.linalg.inv(covariance)
    left = prior - gain @ lever @ prior
    less = np.eye(len(spreads))
    less[:, against] -= 1.0 / len(against)
    return less @ gain @ y, np.asarray(np.sqrt(np.maximum(np.diag(less @ left @ less.T), 0.0)))


def _of_place(ripple: Floats) -> Floats:
    """What of a common ripple (2n,) is due to where each window lies."""
    kinds = ripple.reshape(-1, 2)
    return np.asarray((kinds - kinds.mean(axis=0)).reshape(-1))


def _shape(at: Windows) -> Floats:
    """(2n, n): energy in window w when slot j alone delivers one unit of work and a steady load takes it."""
    fires = at.first_deg + np.arange(at.cylinders) * 720.0 / at.cylinders
    after = looked_at(at)[:, None, :] - fires[None, :, None]
    # Below 0 the firing is still to come: the cycle before left its whole unit, and the load went on.
    turns = np.floor(after / 720.0)
    stored = delivered(after - 720.0 * turns) + turns - after / 720.0
    shape = stored.mean(axis=2)
    return np.asarray(shape - shape.mean(axis=0))


def _squeezes(at: Windows) -> Floats:
    """(2n,): the energy that all compressions together hold back in each window, each 1 at its most."""
    seen, apart = looked_at(at), 720.0 / at.cylinders
    return np.asarray(sum(squeezed(seen - at.first_deg - slot * apart).mean(axis=1) for slot in range(at.cylinders)))


def _wheel_covariance(at: Windows, tooth_deg: float, round_deg: float) -> Floats:
    """(2n, 2n) of the relative energy error: windows one turn apart share it wholly."""
    n = at.cylinders
    scale = 2.0 / at.span_deg[: 2 * n]
    teeth_a, teeth_b = at.start[: 2 * n], at.end[: 2 * n]
    turn = int(at.start[n] - at.start[0])
    bound = np.zeros((2 * n, turn))
    for w in range(2 * n):
        bound[w, teeth_b[w] % turn] -= scale[w]
        bound[w, teeth_a[w] % turn] += scale[w]
    doubt = np.where(at.beside_gap, max(tooth_deg, BESIDE_GAP_DEG), tooth_deg)
    covariance = (bound * doubt**2) @ bound.T
    if round_deg:
        ends = np.radians(at.middle_deg[: 2 * n] + at.span_deg[: 2 * n] / 2)
        starts = np.radians(at.middle_deg[: 2 * n] - at.span_deg[: 2 * n] / 2)
        for order in (1, 2):
            for wave in (np.sin, np.cos):
                part = scale * (wave(order * starts) - wave(order * ends))
                covariance += round_deg**2 / 2 * np.outer(part, part)
    return np.asarray(covariance)
