"""The rig's command parser, in MicroPython itself: lines changed at random, and the rig must be there afterwards."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

from toothwise.firmware import wire

from tests.firmware.streams import square, write
from tests.firmware.worlds import UnixPort
from tests.fuzz.mutate import mutated

TICK_HZ = 1_000_000
SEEDS = [
    b"hello", b"start", b"stop", b"pins", b"self-check pattern", b"self-check stop", b"self-check rate 1000 10",
    b"beep 1000 50", b"beep missing", b"beep", b"lamp on", b"lamp blink", b"mute off", b"mark", b"watch off",
    b"watch contact", b"watch continuity 3 250", b"drive", b"drive pwm 3 500 20000", b"drive step 3 500 200 2000",
    b"drive set 100", b"drive stop",
]  # fmt: skip
WORDS = [
    b" ",
    b"   ",
    b"-5",
    b"2147483648",
    b"1073741824",
    b"9" * 19,
    b"9" * 70,
    b"1e3",
    b"0b1",
    b"\x7f",
    b"\x00",
    b"=",
    b"q" * 81,
]
BATCH = 12
CTRL_C = 3


def lines(seed: int) -> Iterator[bytes]:
    """Without end. Ctrl-C, which ends a rig by design, and line ends are left out."""
    chance = random.Random(f"rig {seed}")
    while True:
        line = mutated(SEEDS, chance, WORDS)[:400]
        yield bytes(c for c in line if c not in (CTRL_C, 10, 13))


class Commanded:
    """A rig with a drive and a turning wheel. `say` gives it lines and proves that it still answers."""

    def __init__(self, folder: Path) -> None:
        stream = write(folder / "edges", {0: square(1000, 500, 4000)}, TICK_HZ, 2_500_000)
        self._port = UnixPort(stream, "--drive", str(folder / "drive"))
        self._port.hello()

    def say(self, some: list[bytes]) -> None:
        """Raises AssertionError where the rig gives no answer any more, or one that is no line of words."""
        self._port.write(b"".join(line + b"\n" for line in some) + b"\nhello\n")
        known = len(self._port.seen)
        self._port.wait(lambda frame: frame[1] == wire.HELLO, 30.0)
        for said in self._port.of(wire.ANSWER, self._port.seen[known:]):
            assert said.decode("ascii").isprintable() and said.split()[1] in (b"ok", b"error"), said
            assert b"internal_error" not in said, said

    def close(self) -> None:
        """Raises AssertionError where it said something that is no frame, or ended otherwise than it should."""
        self._port.close()
