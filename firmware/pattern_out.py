"""The self-check pattern: a 60-2 wheel swept from 30 to 9000 rpm, with teeth left out and edges added.

The same functions give the board what it plays and the host what it must find, for any tick rate, in whole
ticks. Played from pin to pin over a jumper by a state machine of block 1 and DMA where there is one
(`pattern_pio`), by the loop otherwise (`SoftPlayer`, slower, up to SOFT_TOP_RPM), or into the
stream where there is no board.
"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterator

FROM_RPM = 30
TOP_RPM = 9000
SOFT_TOP_RPM = 300
SLOTS = 60
TEETH = 58

# (revolution, tooth), both as counted from the pattern's first tooth: revolutions from 0, teeth from 1.
LEFT_OUT = ((2, 17), (5, 58), (8, 1), (11, 30), (11, 31), (14, 7), (19, 44), (23, 29))
# (revolution, slot): a short extra pulse in that slot's low half. 59 and 60 lie in the gap.
ADDED = ((1, 5), (4, 59), (7, 12), (12, 60), (16, 33), (21, 2), (23, 50))

_FRACTION = 4096  # of a tick, so that a slow clock's pattern speeds up as smoothly
_SLOWING = 253  # each slot is shorter than the one before by this part: 30 to 9000 rpm in 24 revolutions


def steps(tick_hz: int, top_rpm: int = TOP_RPM) -> "Iterator[tuple[int, int]]":
    """Levels and how long each lasts, in ticks; two steps running may have the same level.

    Ends with the revolution in which `top_rpm` is reached. With 60 slots, slots a second are rpm.
    """
    slot_fine = tick_hz * _FRACTION // FROM_RPM
    last_fine = tick_hz * _FRACTION // top_rpm
    revolution = 0
    while True:
        for slot in range(1, SLOTS + 1):
            ticks = slot_fine // _FRACTION
            high = ticks // 2
            low = ticks - high
            tooth = slot <= TEETH and (revolution, slot) not in LEFT_OUT
            yield (1 if tooth else 0), high
            if (revolution, slot) in ADDED:
                part = low // 4
                yield 0, 2 * part
                yield 1, part
                yield 0, low - 3 * part
            else:
                yield 0, low
            slot_fine -= slot_fine // _SLOWING
        revolution += 1
        if slot_fine <= last_fine:
            return


def edges(tick_hz: int, top_rpm: int = TOP_RPM) -> list[tuple[int, int]]:
    """What a perfect capture gives: (ticks after the first edge, level), beginning with (0, 1)."""
    found: list[tuple[int, int]] = []
    level = 0
    at = 0
    for wanted, ticks in steps(tick_hz, top_rpm):
        if wanted != level:
            found.append((at, wanted))
            level = wanted
        at += ticks
    return found


def totals(tick_hz: int, top_rpm: int = TOP_RPM) -> tuple[int, int]:
    """(edges, ticks) of the whole pattern; holds no list of it, as a board has no room for one."""
    count = 0
    total = 0
    level = 0
    for wanted, ticks in steps(tick_hz, top_rpm):
        if wanted != level:
            count += 1
            level = wanted
        total += ticks
    return count, total


class SoftPlayer:
    """Plays steps on a pin by the loop: exact to some microseconds where it can wait, a turn late where not.

    pin: something with `value(level)`. us: a function that gives wide microseconds.
    """

    top_rpm = SOFT_TOP_RPM

    def __init__(self, pin, us) -> None:  # type: ignore[no-untyped-def]
        self._pin = pin
        self._us = us
        self._steps: Iterator[tuple[int, int]] = iter(())
        self._due_us = -1
        self._level = 0
        self.edges = 0

    def play(self, tick_hz: int) -> tuple[int, int]:
        """Begin the sweep. Returns its edges and how long it lasts, in ticks (microseconds here)."""
        self._steps = steps(tick_hz, self.top_rpm)
        found = totals(tick_hz, self.top_rpm)
        self.edges = 0
        self._due_us = self._us() + 20000
        return found

    def rate(self, hz: int, ms: int) -> bool:
        return False  # a loop cannot play steady edges at the rates worth measuring

    def turn(self) -> bool:
        """Play what is due within 2 ms, waiting for it. False when nothing is left."""
        while self._due_us >= 0:
            if self._due_us - self._us() > 2000:
                return True
            try:
                level, ticks = next(self._steps)
            except StopIteration:
                self.stop()
                return False
            while self._us() < self._due_us:
                pass
            self._pin.value(level)
            if level != self._level:
                self.edges += 1
                self._level = level
            self._due_us += ticks
            if ticks > 2000:
                return True
        return False

    def stop(self) -> None:
        self._due_us = -1
        self._level = 0
        self._pin.value(0)

    def close(self) -> None:
        self.stop()
