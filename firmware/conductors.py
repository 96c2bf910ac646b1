"""Continuity: up to three conductors fed low through resistors, their far ends watched by pulled-up inputs.

Conductor n (from 0) comes back on channel n. An open shows as a rising edge there, caught by the capture like
any other. A short between two is found by the walk: one is fed, the others are let go, and every far
end that is low is joined to it. Feed resistor 1 k, return resistor 4.7 k and the pin's own pull-up, 50 k at its
strongest, divide 3.3 V: a low is 3.3 V * 5.7 / 55.7 = 0.34 V at most, and still reads as one.
"""

from time import sleep_us

MOST = 3
_SETTLE_US = 60  # a pull-up of 50 k on 200 pF of harness: six time constants


class Conductors:
    """feeds: pins that feed; far: input pins of the same number that watch."""

    def __init__(self, feeds, far) -> None:  # type: ignore[no-untyped-def]
        self._feeds = feeds
        self._far = far
        self.most = min(len(feeds), len(far))
        self._count = 0

    def feed(self, count: int) -> None:
        """Feed the first `count` conductors and let go of the others."""
        self._count = count
        for n in range(self.most):
            self._drive(n, n < count)

    def _drive(self, n: int, on: bool) -> None:
        pin = self._feeds[n]
        if on:
            pin.init(pin.OUT, value=0)
        else:
            pin.init(pin.IN)

    def walk(self) -> list[tuple[int, int]]:
        """Pairs (fed, also low), fed below the other, found joined. Takes (count + 1) settling times."""
        shorts = []
        for fed in range(self._count):
            for n in range(self._count):
                self._drive(n, n == fed)
            sleep_us(_SETTLE_US)
            for n in range(fed + 1, self._count):
                if not self._far[n].value():
                    shorts.append((fed, n))
        self.feed(self._count)
        sleep_us(_SETTLE_US)
        return shorts


def conductors_on_pins(pins: dict[str, int]) -> Conductors:
    """The conductors this board has pins for, and their far ends on crank, cam and feed."""
    from machine import Pin

    numbers = [pins["conductor_1"], pins["conductor_2"], pins["conductor_3"]]
    feeds = [Pin(number, Pin.IN) for number in numbers if number >= 0]
    far = [Pin(pins[name], Pin.IN, Pin.PULL_UP) for name in ("crank", "cam", "feed")]
    return Conductors(feeds, far)
