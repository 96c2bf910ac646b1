"""The promise every world is held to: what the rig vouches for is what happened."""

from __future__ import annotations

from collections.abc import Iterable

from toothwise.firmware import wire

Frame = tuple[int, int, int, bytes]


class Account:
    """One channel's story as told by a rig's frames, in their order."""

    def __init__(self, frames: Iterable[Frame], channel: int) -> None:
        self.edges: list[tuple[int, int]] = []
        self.blind: list[tuple[int, int, int, int]] = []  # (start, end, reason, lost)
        self.until = 0
        self.lost_by_ordinal = 0
        self.holes = 0  # places where frames never came
        self.holes_frames = 0  # and how many
        expected: int | None = None
        sequence: int | None = None
        for _, kind, number, payload in frames:
            if sequence is not None:
                step = wire.sequence_step(sequence, number)
                self.holes += step != 1
                self.holes_frames += step - 1
            sequence = number
            if kind == wire.EDGES:
                ch, flags, base, phase, ordinal, words = wire.read_edges(payload)
                if ch != channel:
                    continue
                if expected is not None:
                    self.lost_by_ordinal += wire.sequence_step(expected, ordinal)
                expected = (ordinal + len(words) // 4) & wire.SEQUENCE_MASK
                assert base >= self.until, "base never falls behind what was vouched for"
                self.until = base
                for at in range(0, len(words), 4):
                    word = int.from_bytes(words[at : at + 4], "little")
                    self.edges.append((wire.widen(word, flags, base, phase), word & 1))
            elif kind == wire.BLIND:
                ch, reason, start, end, lost = wire.read_blind(payload)
                if ch in (channel, wire.ALL_CHANNELS):
                    assert start <= end
                    assert end >= self.until
                    self.blind.append((start, end, reason, lost))
            elif kind == wire.HEARTBEAT:
                tick, _, _, _, _, until = wire.read_heartbeat(payload)
                assert until[channel] >= self.until, "until never falls"
                assert until[channel] <= tick
                self.until = until[channel]

    def is_blind(self, tick: int) -> bool:
        return any(start <= tick < end for start, end, _, _ in self.blind)

    def blind_ticks(self, reason: str) -> int:
        return sum(end - start for start, end, number, _ in self.blind if wire.REASONS[number] == reason)

    def lost(self) -> int:
        return sum(lost for _, _, _, lost in self.blind)

    def check(self, true: list[tuple[int, int]], *, within: int = 0) -> None:
        """Every true edge before `until` was delivered (within so many ticks) or lies in a blind stretch;
        every edge delivered outside of blind stretches is a true one."""
        seen = [edge for edge in self.edges if not self.is_blind(edge[0])]
        assert seen == sorted(seen, key=lambda edge: edge[0]), "ticks never fall"
        expected = [edge for edge in true if edge[0] < self.until and not self.is_blind(edge[0])]
        got = [edge for edge in seen if edge[0] < self.until]
        if within == 0:
            assert got == expected
            return
        assert len(got) == len(expected)
        for (at, level), (due, wanted) in zip(got, expected, strict=True):
            assert level == wanted and abs(at - due) <= within
