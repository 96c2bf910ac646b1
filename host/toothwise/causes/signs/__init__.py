"""Signs: plain questions to the findings, each with one of a few fixed answers, or none where nobody looked.

The answers' names are those of likelihood.toml; a sign that was not looked for is never evidence.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from toothwise.causes.findings import Findings


@dataclass(frozen=True, slots=True)
class Sighting:
    """One sign, answered.

    outcome: one of the sign's outcomes in likelihood.toml. words: what was seen, with its numbers.
    strength: 0 to 1, how much of the table's weight it carries; less than 1 for few events.
    """

    sign: str
    outcome: str
    words: str
    strength: float = 1.0


Sign = Callable[[Findings], Iterable[Sighting]]


def look(findings: Findings) -> list[Sighting]:
    """Every sign that the findings answer, in the order of the likelihood table's chapters."""
    from toothwise.causes.signs import cam, crank, engine, line, meter, paper

    signs: tuple[Sign, ...] = (
        *crank.SIGNS,
        *line.SIGNS,
        *cam.SIGNS,
        *engine.SIGNS,
        *meter.SIGNS,
        *paper.SIGNS,
    )
    return [sighting for sign in signs for sighting in sign(findings)]


def plural(count: int, one: str, many: str = "") -> str:
    """“1 tooth”, “3 teeth”."""
    return f"{count} {one if count == 1 else many or one + 's'}"
