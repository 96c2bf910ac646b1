"""Ctrl-C that ends a live command well: the loop is asked to stop, and what was recorded is finished."""

from __future__ import annotations

import signal
import time
from types import FrameType
from typing import Any

_PATIENCE_S = 10.0


class Stopping:
    """Between `with` and its end, the first Ctrl-C (or a request to terminate) only sets `asked`.

    A second one interrupts whatever does not listen; while the recording is being finished it is passed over,
    unless that takes longer than ten seconds.
    """

    def __init__(self) -> None:
        self.asked = False
        self._finishing_since: float | None = None
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Stopping:
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None:
                self._before[number] = signal.signal(number, self._heard)
        return self

    def __exit__(self, *raised: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def finishing(self) -> None:
        """From now on the recording is being finished."""
        self._finishing_since = time.monotonic()

    def _heard(self, number: int, frame: FrameType | None) -> None:
        finishing = self._finishing_since
        impatient = self.asked if finishing is None else time.monotonic() - finishing > _PATIENCE_S
        self.asked = True
        if impatient:
            raise KeyboardInterrupt
