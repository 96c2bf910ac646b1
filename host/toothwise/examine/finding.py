"""Settling on a wheel while the recording comes in, the same way however it is cut."""

from __future__ import annotations

from typing import Any

from toothwise.edges.signal import Batch, Blind, Clock, Edges
from toothwise.wheel.pattern import Wheel

_FIRST_LOOK = 64
_LONGEST_LOOK = 16_384
_GIVE_UP = 1_048_576
"""Edges after which looking stops; what was held back until then is 9 MB."""
_WITH_ANOTHER = 4096
"""The same where another wheel is at hand; 35 turns of 58 teeth."""


class WheelFinder:
    """Holds back edges until the crank's wheel is known.

    It looks when 64, 128, 256 … crank edges are in, at exactly that many, so that the answer never depends on where
    a batch ends: first at all of them (the first 16,384 at most), then, for a recording that begins badly, at the
    later half. Of another channel its first 1,048,576 edges are held back, however few the crank has; what comes after
    them while the crank's wheel is not known reaches no check.

    otherwise: the wheel to take where the signal does not show one; then `identified` stays False.
    """

    def __init__(self, clock: Clock, crank: str = "crank", otherwise: Wheel | None = None) -> None:
        self._clock = clock
        self._crank = crank
        self._otherwise = otherwise
        self._most = _GIVE_UP if otherwise is None else _WITH_ANOTHER
        self.identified = False
        self._held: dict[str, list[Edges]] = {crank: []}
        self._counts = {crank: 0}
        self._blind: list[Blind] = []
        self._next_look = _FIRST_LOOK
        self.wheel: Wheel | None = None
        self.candidates: tuple[str, ...] = ()

    @property
    def gave_up(self) -> bool:
        return self.wheel is None and self._next_look > self._most

    def feed(self, batch: Batch) -> Wheel | None:
        """The wheel, as soon as it is known. `held()` then hands back everything fed so far."""
        if self.gave_up:
            return None
        for channel, edges in batch.edges.items():
            self._hold(channel, edges)
        self._blind += [b for b in batch.blind if b.channel in (None, self._crank)]
        while self.wheel is None and self._next_look <= min(self._counts[self._crank], self._most):
            self._look(self._next_look)
            self._next_look *= 2
        if self.gave_up:
            self.wheel = self._otherwise
        if self.gave_up:
            self._held = {self._crank: []}
        return self.wheel

    def _hold(self, channel: str, edges: Edges) -> None:
        room = _GIVE_UP - self._counts.get(channel, 0)
        if channel != self._crank and len(edges) > room:
            if room <= 0:
                return
            edges = Edges(edges.ticks[:room].copy(), edges.levels[:room].copy())  # a view would keep the whole batch
        self._held.setdefault(channel, []).append(edges)
        self._counts[channel] = self._counts.get(channel, 0) + len(edges)

    def finish(self) -> Wheel | None:
        """A last look at what there is."""
        if self.wheel is None and not self.gave_up and self._counts[self._crank]:
            self._look(self._counts[self._crank])
        if self.wheel is None:
            self.wheel = self._otherwise
        return self.wheel

    def held(self) -> tuple[dict[str, Edges], tuple[Blind, ...]]:
        """Everything held back, by channel, and the crank's blind stretches; once."""
        held = {channel: Edges.join(parts) for channel, parts in self._held.items()}
        blind = tuple(self._blind)
        self._held, self._blind = {self._crank: []}, []
        return held, blind

    def _look(self, count: int) -> None:
        whole = Edges.join(self._held[self._crank])
        self._held[self._crank] = [whole]
        looks = [(0, count)] if count <= _LONGEST_LOOK else []  # the first ones were looked at
        if count >= 4 * _FIRST_LOOK:
            looks.append((max(count // 2, count - _LONGEST_LOOK), count))
        for start, end in looks:
            found = _identify(Edges(whole.ticks[start:end], whole.levels[start:end]), self._clock)
            self.wheel, self.candidates = found.wheel, tuple(found.candidates)
            if self.wheel is not None:
                self.identified = True
                return


def _identify(edges: Edges, clock: Clock) -> Any:
    """The wheel, or None, and the candidates that are left: `wheel` and `candidates`."""
    from toothwise.wheel.identify import identify  # only where a wheel is to be made out

    return identify(edges, clock)
