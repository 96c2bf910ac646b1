"""From what the capture decided to what the page shows: the same objects that feed the terminal's views.

Nothing is worked out here. Words and rounding are show.words', rows are show.raster's.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Sequence
from typing import Any, Protocol

from toothwise.edges.signal import Clock
from toothwise.examine.result import Tally
from toothwise.page.process import Page
from toothwise.page.shown import MOST_FINDINGS
from toothwise.records import FAULT_KINDS, Event
from toothwise.show import words
from toothwise.show.raster import Raster
from toothwise.show.wiggle_screen import Now
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

EVERY_S = 0.05
"""Figures go out so often at most; a finding waits for nothing."""
LONGEST = 300
"""Characters of a text: enough to read, too few to bury the rest."""
_SOUND_OF = {"missing": "missing", "silent": "missing", "extra": "extra", "feed_low": "feed", "contact": "contact"}
_DIGIT = ord("0")


def text(value: object) -> str:
    """Text from anywhere as one harmless line."""
    return words.fit(words.clean(str(value)[: 4 * LONGEST]), LONGEST)


def spaced(line: str) -> str:
    """A line whose parts stand apart by spaces, with dots between them."""
    return text(" · ".join(part for part in line.split("   ") if part))


class _Rows:
    """The raster's rows as they change."""

    def __init__(self) -> None:
        self._raster: Raster | None = None
        self._told: dict[int, int] = {}

    def follow(
        self, wheel: Wheel | None, crank: str, latest: Sequence[tuple[str, Teeth]], events: Sequence[Event]
    ) -> dict[str, Any]:
        """Take what a batch decided; a wheel that is new is news."""
        if wheel is None:
            return {}
        news: dict[str, Any] = {}
        if self._raster is None:
            self._raster = Raster(wheel)
            news["wheel"] = {
                "name": text(wheel.name),
                "columns": self._raster.columns,
                "teeth": self._raster.column_of.tolist(),
                "gaps": [[gap[0], len(gap)] for gap in wheel.gaps],
            }
        self._raster.follow(crank, latest, events)
        return news

    def changed(self, speed_rpm: float | None) -> list[list[Any]]:
        """Rows that are new or not as they were told. A cell is one character: its flags above "0"."""
        if self._raster is None:
            return []
        self._raster.pace(speed_rpm)
        rows = self._raster.rows
        late = [row for row in rows if self._told.get(row.number) != row.version]
        self._told = {row.number: row.version for row in rows}
        return [[row.number, row.first, row.span, (row.cells + _DIGIT).tobytes().decode("ascii")] for row in late]


class _Feed:
    """What both pages have: rows, alarms with their number, and news that waits for its time."""

    def __init__(self, page: Page, title: str) -> None:
        self._page = page
        self._title = spaced(title)
        self._rows = _Rows()
        self._news: dict[str, Any] = {}
        self._sent_s = 0.0
        self._alarms = 0

    def follow(
        self, wheel: Wheel | None, crank: str, latest: Sequence[tuple[str, Teeth]], events: Sequence[Event]
    ) -> None:
        self._news |= self._rows.follow(wheel, crank, latest, events)

    def due(self) -> bool:
        return time.monotonic() - self._sent_s >= EVERY_S

    def send(self, now: dict[str, Any], speed_rpm: float | None) -> None:
        self._sent_s = time.monotonic()
        if "findings" in self._news:
            self._news["findings"] = list(self._news["findings"])
        self._page.tell({**self._news, "now": {"title": self._title, **now}, "rows": self._rows.changed(speed_rpm)})
        self._news = {}

    def alarm(self, name: str, words_: str) -> None:
        """Something to be heard."""
        self._alarms += 1
        self._news["alarm"] = {"n": self._alarms, "name": name, "text": text(words_)}

    def found(self, number: int, kind: str, what: str, where: str = "") -> None:
        """A finding; one that was told before under this number is replaced."""
        findings = self._news.setdefault("findings", deque(maxlen=MOST_FINDINGS))
        findings.append([number, kind, text(what), text(where)])


class WatchFeed(_Feed):
    """The page of `watch`: fed like LiveView."""

    def __init__(self, page: Page, clock: Clock, *, name: str, title: str) -> None:
        super().__init__(page, title)
        self._name = name
        self._clock = clock
        self._count = 0
        self.notice = ""
        self.muted = False
        self.marks = 0

    def add(
        self, wheel: Wheel | None, crank: str, latest: Sequence[tuple[str, Teeth]], events: Sequence[Event]
    ) -> None:
        self.follow(wheel, crank, latest, events)
        late = events[-MOST_FINDINGS:]  # a storm of them is not put into words that nobody can read
        self._count += len(events) - len(late)
        for event in late:
            self._count += 1
            told = event.as_json(self._clock)
            where = [words.clock_time(told["t_s"]), *words.place(told).split("  ")]
            self.found(self._count, event.kind, words.what(told), " · ".join(filter(None, where)))
            if event.kind in FAULT_KINDS:
                self.alarm(_SOUND_OF[event.kind], words.what(told))

    def draw(self, tally: Tally) -> None:
        """Tell the present state."""
        state = "the sensor's feed is low" if tally.feed_low else ""
        now = {
            "kind": self._name,
            "rpm": words.rpm(tally.speed_rpm),
            "figures": {
                "missing": f"{tally.missing:,}",
                "extra": f"{tally.extra:,}",
                "seen": f"{tally.seen:,}",
                "revolutions": f"{tally.revolutions:,}",
                "blind": words.span(tally.blind_s),
                "time": words.span(round(tally.until_s, 1)) if tally.until_s >= 600 else f"{tally.until_s:.1f} s",
            },
            "notice": text(self.notice or state),
            "muted": self.muted,
            "marks": self.marks,
            "buttons": ["mark", "sound"],
        }
        self.send(now, tally.speed_rpm)


class Leads(Protocol):
    """What the buttons say of where the guide goes next."""

    @property
    def wiggle_next(self) -> bool: ...

    @property
    def next_place(self) -> str: ...


class WiggleFeed(_Feed):
    """The page of `wiggle`: fed like WiggleView."""

    def add(
        self, wheel: Wheel | None, crank: str, latest: Sequence[tuple[str, Teeth]], events: Sequence[Event]
    ) -> None:
        self.follow(wheel, crank, latest, events)

    def draw(self, now: Now, rpm: float | None, *, guide: Leads | None, muted: bool, marks: int) -> None:
        told = {
            "kind": "wiggle",
            "rpm": words.rpm(rpm),
            "what": text(now.what),
            "doing": text(now.doing),
            "left": None if now.left_s is None else int(now.left_s),
            "here": now.here,
            "whole": now.whole,
            "state": spaced(now.state),
            "notice": text(now.notice),
            "muted": muted,
            "marks": marks,
            "places": [[text(name), events, wiggles] for name, events, wiggles in now.places][:LONGEST],
            "buttons": ["mark", "sound"] if guide is None else ["wiggle", "next", "back", "mark", "sound"],
            "wiggle_next": guide is not None and guide.wiggle_next,
            "last": guide is not None and not guide.next_place,
        }
        self.send(told, rpm)
