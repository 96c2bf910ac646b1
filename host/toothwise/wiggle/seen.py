"""What one recording came to, before it is judged."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from toothwise.edges.signal import Clock
from toothwise.wiggle.disturbance import Events
from toothwise.wiggle.marks import Stretch


@dataclass(slots=True)
class Seen:
    """from_tick, until_tick: the time that was watched. blind: merged stretches of the watched signal, in order.

    events: those of contacts. hidden: see `Hidden.shares`. limit_deg, judged: see `MovedEdges`.
    interference: the orders found. noise: ticks of the disturbances that keep to them.
    """

    clock: Clock
    source: dict[str, Any]
    mode: str
    channels: tuple[str, ...]
    stretches: list[Stretch]
    from_tick: int
    until_tick: int
    events: Events
    blind: list[tuple[int, int]] = field(default_factory=list)
    wheel: str | None = None
    revolutions: int = 0
    hidden: dict[str, dict[str, float]] | None = None
    limit_deg: float | None = None
    judged: float | None = None
    interference: list[dict[str, Any]] = field(default_factory=list)
    noise: list[int] = field(default_factory=list)

    def unseen(self, start: int, end: int) -> int:
        """Blind ticks within a stretch of time."""
        return sum(max(min(b, end) - max(a, start), 0) for a, b in self.blind)
