"""Settling on a wheel while the recording comes in, the same way however it is cut."""

from __future__ import annotations

from toothwise.edges.signal import Batch, Blind, Clock, Edges
from toothwise.wheel.pattern import Wheel

_FIRST_LOOK = 64
_LONGEST_LOOK = 16_384
_GIVE_UP = 1_048_576
"""Edges after which looking stops; what was held back until then is 9 MB."""


class WheelFinder:
    """Holds back the crank's edges until the wheel is known.

    It looks when 64, 128, 256 … edges are in, at exactly that many, so that the answer never depends on
    where a batch ends: first at all of them (the first 16,384 at most), then, for a recording that begins
    badly, at the later half.
    """

    def __init__(self, clock: Clock, channel: str = "crank") -> None:
        self._clock = clock
        self._channel = channel
        self._held: list[Edges] = []
        self._count = 0
        self._blind: list[Blind] = []
        self._next_look = _FIRST_LOOK
        self.wheel: Wheel | None = None
        self.candidates: tuple[str, ...] = ()

    @property
    def gave_up(self) -> bool:
        return self.wheel is None and self._next_look > _GIVE_UP

    def feed(self, batch: Batch) -> Wheel | None:
        """The wheel, as soon as it is known. `held()` then hands back everything fed so far."""
        edges = batch.edges.get(self._channel)
        if edges is not None:
            self._held.append(edges)
            self._count += len(edges)
        self._blind += [b for b in batch.blind if b.channel in (None, self._channel)]
        while self.wheel is None and self._next_look <= min(self._count, _GIVE_UP):
            self._look(self._next_look)
            self._next_look *= 2
        if self.gave_up:
            self._held.clear()
        return self.wheel

    def finish(self) -> Wheel | None:
        """A last look at what there is."""
        if self.wheel is None and not self.gave_up and self._count:
            self._look(self._count)
        return self.wheel

    def held(self) -> tuple[Edges, tuple[Blind, ...]]:
        """Everything held back, once."""
        whole, blind = Edges.join(self._held), tuple(self._blind)
        self._held.clear()
        self._blind.clear()
        return whole, blind

    def _look(self, count: int) -> None:
        from toothwise.wheel.identify import identify

        whole = Edges.join(self._held)
        self._held = [whole]
        looks = [(0, min(count, _LONGEST_LOOK))]
        if count >= 4 * _FIRST_LOOK:
            looks.append((max(count // 2, count - _LONGEST_LOOK), count))
        for start, end in looks:
            found = identify(Edges(whole.ticks[start:end], whole.levels[start:end]), self._clock)
            self.wheel, self.candidates = found.wheel, tuple(found.candidates)
            if self.wheel is not None:
                return
