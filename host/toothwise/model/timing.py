"""How a camshaft comes to stand wrong against the crank, as the `moved` of its made wheel.

Everything here is in crank degrees, positive for a cam that is late; `for_cam` turns it into the pattern's own.
"""

from __future__ import annotations

from toothwise.wheel.pattern import Wheel

Moves = tuple[tuple[float, float], ...]
"""(time in s, degrees) pairs; see `MadeWheel.moved`."""

JUMP_S = 0.002
"""How long a belt takes to skip a tooth, or a key to shear."""


def sprocket_step_deg(crank_sprocket_teeth: int) -> float:
    """Crank degrees of one tooth of the crank's sprocket."""
    return 360.0 / crank_sprocket_teeth


def stretch_lag_deg(elongation: float, tight_pitches: float, crank_sprocket_teeth: int) -> float:
    """Crank degrees by which a chain longer by a share `elongation` holds the cam back.

    tight_pitches: chain pitches on the pulled side. Each is longer by that share of a sprocket tooth.
    """
    return 360.0 * elongation * tight_pitches / crank_sprocket_teeth


def always(deg: float) -> Moves:
    """Off from the start, by so much."""
    return ((0.0, deg),)


def jumped(at_s: float, deg: float) -> Moves:
    """Right until a moment, off by so much from then on."""
    return ((at_s, 0.0), (at_s + JUMP_S, deg))


def phased(moves: Moves, rate_deg_s: float = 100.0) -> Moves:
    """A phaser that is told (time, degrees) and gets there at its own rate."""
    path: list[tuple[float, float]] = [(0.0, 0.0)]
    for at, deg in moves:
        was = path[-1][1]
        start = max(at, path[-1][0])
        path += [(start, was), (start + abs(deg - was) / rate_deg_s, deg)]
    return tuple(path)


def for_cam(wheel: Wheel, moves: Moves) -> Moves:
    """Crank degrees to the degrees that the cam wheel's pattern is given in."""
    return tuple((at, deg * wheel.turn_deg / 720.0) for at, deg in moves)
