"""The pattern player's table and DMA set-up, over stand-ins; its program is timed in test_statemachine.py."""

from __future__ import annotations

from typing import Any

from toothwise.firmware import pattern_out

from tests.firmware.bareboard import CYCLES_A_US, Silicon, load


class Player:
    """A player on a machine that plays its table in no time; `played` is what the DMA would feed it."""

    def __init__(self) -> None:
        self.silicon = Silicon()
        self.board: Any = load(self.silicon, "pattern_pio")
        self.dma: dict[str, Any] = {}
        self.running = False
        player = self

        class Dma:
            def pack_ctrl(self, **fields: int) -> dict[str, int]:
                return fields

            def config(self, **given: Any) -> None:
                player.dma = given
                self.busy = True

            def active(self, on: bool | None = None) -> bool:
                if on is not None:
                    self.busy = on
                return self.busy

            def close(self) -> None:
                player.silicon.closed += 1

        class Machine:
            def __init__(self, number: int, program: Any, *, out_base: Any) -> None:
                assert (number, out_base.number) == (4, 6)

            def active(self, on: int) -> None:
                player.running = bool(on)

            def tx_fifo(self) -> int:
                return 0

        self.board.pattern_pio.rp2.DMA = Dma
        self.board.pattern_pio.rp2.StateMachine = Machine
        self.board.pattern_pio.Pin = type("Pin", (), {"OUT": 1, "__init__": _named})
        self.player = self.board.pattern_pio.PioPlayer(6)

    def edges(self, words: list[int]) -> list[tuple[int, int]]:
        """(cycle after the first edge, level) of the words played one after the other."""
        found: list[tuple[int, int]] = []
        at = level = 0
        for word in words:
            if word & 1 != level:
                level = word & 1
                found.append((at, level))
            at += (word >> 1) + 3
        return found


def _named(self: Any, number: int, *_: Any, **__: Any) -> None:
    self.number = number


def test_table_is_the_pattern() -> None:
    world = Player()
    hz = 62_500_000
    count, ticks = world.player.play(hz)
    assert (count, ticks) == pattern_out.totals(hz)
    words = list(world.dma["read"])
    assert world.dma["count"] == len(words) and world.dma["write"] == 0x50300010
    assert world.dma["ctrl"]["treq_sel"] == 8 and world.dma["ctrl"]["inc_read"] and not world.dma["ctrl"]["inc_write"]
    first, *_ = pattern_out.edges(hz)
    assert world.edges(words) == [(2 * at, level) for at, level in pattern_out.edges(hz)]
    assert first == (0, 1) and all(word < 1 << 30 for word in words), "no number above the small integers"
    assert 4 * len(words) < 13_000


def test_steady_rate_goes_round_in_two_words() -> None:
    world = Player()
    assert world.player.rate(100_000, 500)
    assert world.player.edges == world.dma["count"] == 50_000
    assert world.dma["ctrl"]["ring_size"] == 3 and world.dma["ctrl"]["ring_sel"] == 0
    assert world.edges(list(world.dma["read"]) * 2) == [(0, 1), (1250, 0), (2500, 1), (3750, 0)]
    assert not world.player.rate(50_000_000, 10)


def test_ends_after_its_last_steps_and_closes() -> None:
    world = Player()
    world.player.rate(100_000, 500)
    assert world.running and world.player.turn()
    world.player._dma.busy = False
    assert world.player.turn(), "the last steps still last"
    world.silicon.advance(100_000 * CYCLES_A_US)
    assert not world.player.turn() and not world.running
    world.player.close()
    assert world.silicon.closed == 1
