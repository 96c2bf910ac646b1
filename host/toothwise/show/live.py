"""The live view: the counts, the revolution raster, and the newest findings."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from toothwise.edges.signal import Clock
from toothwise.examine.result import Tally
from toothwise.records import Event
from toothwise.show import words
from toothwise.show.rasterlines import FollowedRaster, legend
from toothwise.show.screen import Look, Screen, Segments
from toothwise.show.summary import event_style
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

FINDING_LINES = 5


class LiveView:
    """Fed with what an examination decided; `draw` shows it.

    title: what is being watched, right end of the first line.
    keys: what the keys do, last line.
    """

    def __init__(self, screen: Screen, look: Look, clock: Clock, *, name: str, title: str, keys: str) -> None:
        self._screen = screen
        self._look = look
        self._clock = clock
        self._name = name
        self._title = words.clean(title)
        self._keys = keys
        self._raster = FollowedRaster(screen, unicode=look.unicode)
        self._findings: deque[Event] = deque(maxlen=FINDING_LINES)
        self._count = 0
        self.notice = ""
        """A line that stands until it is replaced: the rig is lost, the book cannot be written."""

    def add(
        self, wheel: Wheel | None, crank: str, latest: Sequence[tuple[str, Teeth]], events: Sequence[Event]
    ) -> None:
        """Take what the last batch decided."""
        self._findings += events
        self._count += len(events)
        self._raster.follow(wheel, crank, latest, events)

    def draw(self, tally: Tally) -> None:
        """Show the present state."""
        width, height = self._screen.size()
        self._raster.pace(tally.speed_rpm)
        top = [self._head(width), [], *self._figures(tally), self._state(tally)]
        findings = self._finding_lines(width, min(FINDING_LINES, max(height // 4, 1)))
        foot: list[Segments] = [[], *findings, [(f" {self._keys}", "quiet")]]
        room = height - len(top) - len(foot)
        body = self._body(width, room)
        draw = self._screen.line
        self._screen.draw([*map(draw, top), *body, *map(draw, foot)])

    def _head(self, width: int) -> Segments:
        left = f" toothwise {self._name} "
        return [(left + f"{self._title} ".rjust(max(width - len(left), 0)), "title")]

    def _figures(self, tally: Tally) -> list[Segments]:
        columns = [
            ("rpm", words.rpm(tally.speed_rpm), "strong"),
            ("revolutions", f"{tally.revolutions:,}", "strong"),
            ("teeth seen", f"{tally.seen:,}", "strong"),
            ("missing", f"{tally.missing:,}", "missing" if tally.missing else "strong"),
            ("extra", f"{tally.extra:,}", "extra" if tally.extra else "strong"),
            ("blind", words.span(tally.blind_s), "blind" if tally.blind_s else "strong"),
            ("time", f"{tally.until_s:.1f} s", "strong"),
        ]
        wide = (9, 13, 13, 10, 10, 11, 11)
        return [
            [("  ", "")] + [(value.ljust(w), style) for (_, value, style), w in zip(columns, wide, strict=True)],
            [("  ", "")] + [(name.ljust(w), "quiet") for (name, _, _), w in zip(columns, wide, strict=True)],
        ]

    def _state(self, tally: Tally) -> Segments:
        if self.notice:
            return [(f"  {words.clean(self.notice)}", "warning")]
        if tally.feed_low:
            return [("  the sensor's feed is low", "warning")]
        return []

    def _body(self, width: int, room: int) -> list[str]:
        drawn = self._raster.lines
        if drawn is None:
            text = "  waiting for enough of the signal to know the wheel"
            lines = [self._screen.line([(text, "quiet")])]
            return (lines + [""] * room)[: max(room, 0)]
        span = self._raster.span
        a_row = f"a row: {words.count(span, 'revolution')}"
        key = [(" " * 11, ""), *legend(self._look.unicode), (a_row, "quiet")]
        rows = drawn.lines(width, room - 2)
        body = [self._screen.line(drawn.scale(width)), *rows]
        body += [""] * (room - 1 - len(body))
        return [*body, self._screen.line(key)][: max(room, 0)]

    def _finding_lines(self, width: int, room: int) -> list[Segments]:
        newest = [(words.finding(e.as_json(self._clock)), event_style(e.kind)) for e in self._findings][-room:]
        lines: list[Segments] = [[(" " + words.fit(text, width - 1), style)] for text, style in newest]
        if not lines:
            lines = [[(" no finding so far", "quiet")]]
        return [*lines, *[[] for _ in range(room - len(lines))]]
