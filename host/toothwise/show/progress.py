"""How far a long job is: one line on a terminal's error stream, nothing anywhere else."""

from __future__ import annotations

import sys
import time

_FIRST_S, _EVERY_S = 1.0, 0.25


class Progress:
    """Shows the text of `at` once a job has taken a second; wipes it at the end."""

    def __init__(self) -> None:
        self._on = sys.stderr.isatty()
        self._next = time.monotonic() + _FIRST_S
        self._shown = False

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *raised: object) -> None:
        if self._shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()

    def at(self, text: str) -> None:
        """Say where the job is. Cheap enough to be called for every batch."""
        if self._on and (now := time.monotonic()) >= self._next:
            sys.stderr.write(f"\r\x1b[K{text[:78]}")
            sys.stderr.flush()
            self._shown, self._next = True, now + _EVERY_S
