"""Time: small numbers that wrap for waiting, wide ones that don't for stamping.

The port's own ticks wrap at 2**30 on a 32-bit board; its type stubs keep them apart from plain integers, hence
the wrappers' ignores.
"""

from time import ticks_add, ticks_diff, ticks_ms, ticks_us


def now_ms() -> int:
    """Milliseconds that wrap; only `since_ms` may compare them."""
    return ticks_ms()  # type: ignore[return-value]


def since_ms(then: int, now: int) -> int:
    """Milliseconds from one `now_ms` to another, negative if it is still to come."""
    return ticks_diff(now, then)  # type: ignore[type-var]


def later_ms(then: int, ms: int) -> int:
    """The `now_ms` of a moment to come."""
    return ticks_add(then, ms)  # type: ignore[type-var]


class WideClock:
    """Microseconds since the rig began, wide. `us` must be called every few minutes at least: the loop does."""

    def __init__(self) -> None:
        self.last = ticks_us()  # the port's own microseconds that `us` last told
        self._wide = 0

    def us(self) -> int:
        now = ticks_us()
        self._wide += ticks_diff(now, self.last)
        self.last = now
        return self._wide


class Every:
    """True once a period, however irregularly it is asked: not for a week perhaps, and the clock wraps after two."""

    def __init__(self, ms: int) -> None:
        self._ms = ms
        self._due = now_ms()

    def due(self, now: int) -> bool:
        if -self._ms <= since_ms(self._due, now) < 0:  # further ahead than a period: the clock has run over
            return False
        self._due = later_ms(now, self._ms)
        return True
