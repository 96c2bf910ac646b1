"""A fault that the rig reported once, and that is told for a while."""

from __future__ import annotations

import time

from toothwise.link import Fault, Note

STANDS_S = 10.0


class StandingFault:
    """The last one. `text` is its hint, empty once it stood long enough."""

    def __init__(self) -> None:
        self._hint, self._until_s = "", 0.0

    def take(self, note: Note) -> Fault | None:
        """The note, where it is a fault; the end of a replayed stream is none."""
        if not isinstance(note, Fault) or note.reason == "source_end":
            return None
        self._hint, self._until_s = note.hint, time.monotonic() + STANDS_S
        return note

    @property
    def text(self) -> str:
        return self._hint if time.monotonic() < self._until_s else ""
