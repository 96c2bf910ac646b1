"""The guided wiggle test's screen: the place, the countdown and the events in letters to be read from two metres."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from toothwise.records import Event
from toothwise.show import words
from toothwise.show.big import HIGH, big, fitting, width
from toothwise.show.rasterlines import FollowedRaster
from toothwise.show.screen import Look, Screen, Segments
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel

ALARM = {"missing": "MISSING", "extra": "EXTRA", "feed": "FEED", "contact": "CONTACT", "open": "OPEN", "short": "SHORT"}
_STYLE = {"missing": "missing", "extra": "extra", "feed": "warning"}


@dataclass(slots=True)
class Now:
    """What there is to show. here, whole: events at this place, and of the test. alarm: the last sound's name, while it
    is news. places: events so far, place by place, with wiggles done."""

    what: str
    doing: str
    left_s: float | None
    here: int
    whole: int
    state: str
    alarm: str = ""
    notice: str = ""
    last: str = ""
    keys: str = ""
    places: Sequence[tuple[str, int, int]] = field(default_factory=tuple)


class WiggleView:
    """Draws `Now`; the raster below it is fed with what an examination decided."""

    def __init__(self, screen: Screen, look: Look, *, title: str) -> None:
        self._screen = screen
        self._look = look
        self._title = words.clean(title)
        self._raster = FollowedRaster(screen, unicode=look.unicode)

    def add(
        self, wheel: Wheel | None, crank: str, latest: Sequence[tuple[str, Teeth]], events: Sequence[Event]
    ) -> None:
        """What the last batch decided of a turning wheel."""
        self._raster.follow(wheel, crank, latest, events)

    def draw(self, now: Now, rpm: float | None) -> None:
        width_, height = self._screen.size()
        self._raster.pace(rpm)
        head = self._head(width_, now)
        foot = self._foot(width_, now)
        room = height - len(head) - len(foot)
        below = self._below(width_, room, now)
        draw = self._screen.line
        self._screen.draw([*map(draw, head), *below, *[""] * (room - len(below)), *map(draw, foot)])

    def _head(self, columns: int, now: Now) -> list[Segments]:
        left = " toothwise wiggle "
        title: Segments = [(left + f"{self._title} ".rjust(max(columns - len(left), 0)), "title")]
        style = _STYLE.get(now.alarm, "missing") if now.alarm else "strong"
        high = (HIGH + 1) // 2 if self._look.unicode else HIGH
        most = 2 if self._look.unicode else 1
        place = [line for text in fitting(words.clean(now.what), columns - 2, most) for line in self._big(text, high)]
        return [
            title,
            [(f"  {words.fit(now.doing, columns - 3)}", "quiet")],
            *([(f" {line}", "strong")] for line in place),
            [],
            *self._figures(columns, now, style, high),
            [(f"  {words.clean(now.notice)}", "warning")] if now.notice else [(f"  {now.state}", "quiet")],
        ]

    def _figures(self, columns: int, now: Now, style: str, high: int) -> list[Segments]:
        """Countdown, events here, events in all, side by side; an alarm's name instead of what it says already."""
        left = "" if now.left_s is None else f"{now.left_s:.0f}"
        texts = [(left, "strong"), (str(now.here), style if now.here else "strong"), (str(now.whole), "strong")]
        third = columns // 3
        names = ("seconds left" if left else "no time set", "events here", "events in all")
        blocks = [self._big(text, high) for text, _ in texts]
        lines: list[Segments] = []
        for row in range(high):
            cells = [(f"  {block[row]}".ljust(third)[:third], s) for block, (_, s) in zip(blocks, texts, strict=True)]
            lines.append(cells)
        if now.alarm:
            told = self._big(ALARM.get(now.alarm, now.alarm.upper()), high)
            if width(ALARM.get(now.alarm, "")) + 2 <= third:
                lines = [[*line[:2], (f"  {told[row]}", style)] for row, line in enumerate(lines)]
                names = (*names[:2], f"{now.whole} events in all")
        return [*lines, [(f"  {name}".ljust(third)[:third], "quiet") for name in names]]

    def _big(self, text: str, high: int) -> list[str]:
        return big(text, unicode=self._look.unicode) if text else [""] * high

    def _below(self, columns: int, room: int, now: Now) -> list[str]:
        if room < 2:
            return []
        drawn = self._raster.lines
        if drawn is not None:
            return [self._screen.line(drawn.scale(columns)), *drawn.lines(columns, room - 1)]
        return self._place_lines(columns, room, now.places)

    def _place_lines(self, columns: int, room: int, places: Sequence[tuple[str, int, int]]) -> list[str]:
        """Every place's count so far, in two columns; where there are too many, the ones with the most events."""
        if len(places) > 2 * room:
            kept = sorted(places, key=lambda place: -place[1])[: 2 * room]
            places = [place for place in places if place in kept]
        rows = -(-len(places) // 2)
        half = columns // 2
        out = []
        for i in range(rows):
            cells: list[tuple[str, str]] = []
            for place in places[i::rows]:
                name, events, wiggles = place
                told = words.count(events, "event") if events else "quiet" if wiggles else ""
                text = f"  {words.fit(words.clean(name), half - 16).ljust(half - 15)}{told}"
                cells.append((text.ljust(half)[:half], "missing" if events else "quiet"))
            out.append(self._screen.line(cells))
        return out

    def _foot(self, columns: int, now: Now) -> list[Segments]:
        last: Segments = [
            (f" {words.fit(now.last or 'no event so far', columns - 2)}", "strong" if now.last else "quiet")
        ]
        return [last, [(f" {words.fit(now.keys, columns - 2)}", "quiet")]]


def last_event(event: Mapping[str, object]) -> str:
    """An event of the JSON in one line."""
    held = f", held {event['held']}" if event["held"] else ""
    where = f" at {words.clean(event['place'])}" if event["place"] else ""
    time, lasted = float(str(event["t_s"])), float(str(event["duration_s"]))
    return f"{words.clock_time(time)}{where}: {words.clean(event['conductor'])} let go for {words.span(lasted)}{held}"
