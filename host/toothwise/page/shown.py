"""What the page has to show: the newest figures, and of rows and findings the last few.

Both ends keep one: the capture's, which fills it and never waits, and the server's, which each viewer reads at its own
pace. Nothing is queued. Who is slow finds the newest figures and whatever rows and findings are still kept.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

MOST_ROWS = 128
MOST_FINDINGS = 40

Row = Sequence[Any]
"""[number, first revolution, revolutions, cells]"""
Finding = Sequence[Any]
"""[number, kind, what, where]"""


class Shown:
    """`take` what is new, and ask for what came `since` a serial. Both cost what changed, not what there is."""

    def __init__(self) -> None:
        self.serial = 0
        self._parts: dict[str, tuple[int, Any]] = {}
        self._rows: dict[int, tuple[int, Row]] = {}
        self._findings: dict[int, tuple[int, Finding]] = {}

    def take(self, news: Mapping[str, Any]) -> None:
        """`rows` and `findings` are added to or replaced by their numbers; every other part replaces what it was.
        Rows of a wheel that was not there before begin anew."""
        self.serial += 1
        if "wheel" in news:
            self._rows.clear()
        for row in news.get("rows", ()):
            self._rows[row[0]] = (self.serial, row)
        for finding in news.get("findings", ()):
            self._findings[finding[0]] = (self.serial, finding)
        for kept, most in ((self._rows, MOST_ROWS), (self._findings, MOST_FINDINGS)):
            for number in sorted(kept)[:-most] if len(kept) > most else ():
                del kept[number]
        for name, part in news.items():
            if name not in ("rows", "findings"):
                self._parts[name] = (self.serial, part)

    def since(self, serial: int) -> dict[str, Any]:
        """Whatever changed after that serial; all there is for 0."""
        news = {name: part for name, (when, part) in self._parts.items() if when > serial}
        for name, kept in (("rows", self._rows), ("findings", self._findings)):
            late = [kept[number][1] for number in sorted(kept) if kept[number][0] > serial]
            if late:
                news[name] = late
        return news
