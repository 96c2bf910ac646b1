"""A live wiggle test: the rig's batches to the book, the watch, the guide, the screen and the sounds."""

from __future__ import annotations

import argparse
import sys
import time
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Iterable
from contextlib import ExitStack
from typing import TYPE_CHECKING, TextIO

from toothwise.commands.follow import TURN_S, joined
from toothwise.commands.live import REDRAW_S
from toothwise.commands.paging import AddressCard
from toothwise.commands.standing import StandingFault
from toothwise.commands.stopping import Stopping
from toothwise.commands.wiggle_sound import Alarms, Speaker
from toothwise.edges.signal import Batch
from toothwise.errors import Trouble
from toothwise.link import Happening, Reading
from toothwise.page.feed import WiggleFeed
from toothwise.records import Event as Finding
from toothwise.show.keys import Keys
from toothwise.show.screen import Look, Screen
from toothwise.show.wiggle import MODES
from toothwise.show.wiggle_screen import Now, WiggleView, last_event
from toothwise.wiggle import rules
from toothwise.wiggle.disturbance import Burst, Disturbance
from toothwise.wiggle.guide import Guide
from toothwise.wiggle.interference import NamedSoFar
from toothwise.wiggle.judge import Placed
from toothwise.wiggle.marks import Mark
from toothwise.wiggle.soak import Temperature
from toothwise.wiggle.watching import Watching

if TYPE_CHECKING:
    from toothwise.book import Recorder
    from toothwise.link import Rig
    from toothwise.page.process import Page
    from toothwise.wiggle.ntc import Thermistor

KEYS = "space next  b back  m mute  q end      or the rig's mark button"
SOAK_KEYS = "digits and Enter: a temperature in °C   m mute   q end"
FEWEST_MARKED_C, MARKED_EVERY_S = 0.5, 60.0
"""A temperature is kept when it changed by so much, and now and then."""


class LiveTest:
    """One part of a wiggle test, or a soak (no guide). `run` ends in one of four ways: all places are done, the user
    ended it (`ended`), the rig is gone (`broke`), or its stream is over."""

    def __init__(
        self,
        rig: Rig,
        recorder: Recorder,
        watching: Watching,
        *,
        guide: Guide | None = None,
        seconds: float | None = None,
        thermistor: Thermistor | None = None,
    ) -> None:
        self.rig, self.recorder, self.watching, self.guide = rig, recorder, watching, guide
        self.broke: Trouble | KeyboardInterrupt | None = None
        self.ended = False
        self.temperatures: list[Temperature] = []
        self.shorts: list[Finding] = []
        self._thermistor = thermistor
        self._seconds = seconds
        self._typed = ""
        self._told_mode: str | None = None
        self._fault = StandingFault()
        self._drawn_s = 0.0
        self._unseen_until = 0
        self._view: WiggleView | None = None
        self._keys: Keys | None = None
        self._lines: TextIO | None = None
        self._page: Page | None = None
        self._feed: WiggleFeed | None = None
        self._card: AddressCard | None = None
        self._told_events, self._told_line = 0, ""
        self._gone_events, self._told_noise = 0, False
        self._told_alarms = 0
        self._noted = 0

    def run(
        self,
        args: argparse.Namespace,
        stack: ExitStack,
        stopping: Stopping,
        *,
        title: str,
        page: Page | None = None,
    ) -> None:
        """Watch until it is over. What came in until then is recorded and watched in any case."""
        if page is not None:
            self._page, self._feed = page, WiggleFeed(page, title)
        stream = sys.stderr if args.json else sys.stdout
        look = Look(stream, ascii_only=args.ascii)
        if look.live and not args.plain:
            screen = stack.enter_context(Screen(stream, look))
            self._view = WiggleView(screen, look, title=title)
            if page is not None:
                self._card = AddressCard(page, screen, look, lan=args.lan is not None)
        elif not args.json:
            self._lines = stream
        self._keys = stack.enter_context(Keys())
        speaker = Speaker(self.rig)
        stack.callback(speaker.close)
        alarms = Alarms(speaker, _ringer(stream))
        alarms.mute(args.mute)
        self._follow(alarms, speaker, lambda: stopping.asked)

    def _follow(self, alarms: Alarms, speaker: Speaker, stop: Callable[[], bool]) -> None:
        waiting: list[Batch] = []
        due = time.monotonic()
        try:
            for batch in self.rig.batches():
                waiting.append(batch)
                if time.monotonic() >= due:
                    self._take(joined(waiting), alarms, speaker)
                    waiting.clear()
                    due = time.monotonic() + TURN_S
                self._press(alarms)
                if stop() or self.ended or self._over():
                    self.ended = self.ended or stop()
                    break
        except (Trouble, KeyboardInterrupt) as error:
            self.broke = error
        if waiting:
            self._take(joined(waiting), alarms, speaker)

    def _over(self) -> bool:
        tick = self.watching.until_tick
        timed = self._seconds is not None and self.rig.clock.span_s(tick) >= self._seconds
        return timed or (self.guide is not None and self.guide.over)

    # a batch

    def _take(self, batch: Batch, alarms: Alarms, speaker: Speaker) -> None:
        watched = {name: edges for name, edges in batch.edges.items() if name in self.watching.channels}
        batch = Batch(batch.until_tick, watched, batch.blind)
        self.recorder.add(batch)
        examination = self.watching.examination
        before = len(examination.events)
        found = self.watching.feed(batch)
        findings = examination.events[before:]
        for shown in (self._view, self._feed):
            if shown is not None:
                shown.add(examination.wheel, examination.crank, examination.latest, findings)
        self._tell_mode(speaker)
        alarms.hear(self.watching, batch, found)
        self._notes()
        if self.guide is not None:
            for blind in batch.blind:
                if blind.channel is None:  # nobody saw anything: that time does not count down
                    start = max(blind.start_tick, self._unseen_until)
                    self.guide.unseen(max(blind.end_tick - start, 0))
                    self._unseen_until = max(self._unseen_until, blind.end_tick)
            if batch.until_tick:
                self._mark(self.guide.go(batch.until_tick))
        self._tell_events()
        self._draw(alarms)
        alarms.ring_due()

    def _tell_mode(self, speaker: Speaker) -> None:
        """The board sounds contacts of itself once it is known that nothing turns."""
        if self.watching.mode != self._told_mode:
            self._told_mode = self.watching.mode
            if self._told_mode in ("turning", "rest"):
                speaker.say(f"watch {self._told_mode}")

    def _notes(self) -> None:
        for note in self.rig.take_notes():
            self._fault.take(note)
            if isinstance(note, Happening) and note.kind == "mark" and self.guide is not None:
                self._mark(self.guide.next(note.tick))
            elif isinstance(note, Happening) and note.kind == "short":
                self._short(note)
            elif isinstance(note, Reading) and note.temperature_raw is not None and self._thermistor is not None:
                self._temperature(note.tick, self._thermistor.celsius(note.temperature_raw))

    def _short(self, note: Happening) -> None:
        names = sorted({self.watching.name_of(number) for number in (note.channel, note.level)})
        length = note.end_tick - note.tick
        self.watching.note(Disturbance("short", "+".join(names), note.tick, note.end_tick, length, length))
        self.shorts.append(Finding("contact", names[0], note.tick, note.end_tick, more={"short": names}))
        self.recorder.event(self.shorts[-1])

    def _temperature(self, tick: int, celsius: float | None) -> None:
        if celsius is None:
            return
        t_s = self.rig.clock.seconds(tick)
        last = self.temperatures[-1] if self.temperatures else None
        if last and abs(celsius - last.celsius) < FEWEST_MARKED_C and t_s - last.t_s < MARKED_EVERY_S:
            return
        self.temperatures.append(Temperature(t_s, round(celsius, 1)))
        self.recorder.mark(tick, f"{celsius:.1f} °C")

    def _mark(self, marks: Iterable[Mark]) -> None:
        for mark in marks:
            self.recorder.mark(mark.tick, mark.place)
            step = self.guide.step if self.guide else None
            if self._lines is not None and step is not None:
                self._lines.write(f"{self.rig.clock.seconds(mark.tick):.1f} s  {self._doing()}: {self._what()}\n")
                self._lines.flush()

    # keys

    def _press(self, alarms: Alarms) -> None:
        tick = self.watching.until_tick
        pressed = self._keys.pressed() if self._keys else ""
        if self._card is not None:
            self._card.hear(pressed)
        for button in self._page.pressed() if self._page else ():
            self._press_on_page(button, tick, alarms)
        for key in pressed:
            if key in "qQ":
                self.ended = True
            elif key in "mM":
                alarms.mute(not alarms.muted)
            elif self.guide is None:
                self._type(key, tick)
            elif key in " \r\n":
                self._mark(self.guide.next(tick))
            elif key in "bB":
                self._mark(self.guide.back(tick))

    def _press_on_page(self, button: str, tick: int, alarms: Alarms) -> None:
        if button in ("mute", "sound"):
            alarms.mute(button == "mute")
        elif button == "mark":  # the recording's marks say where the hands are; this one is for the reader
            self._noted += 1
            self.recorder.note(f"mark at {self.rig.clock.seconds(tick):.1f} s: {self._what()}")
        elif self.guide is not None:
            goes = {"wiggle": self.guide.next, "next": self.guide.skip, "back": self.guide.back}
            self._mark(goes[button](tick))

    def _type(self, key: str, tick: int) -> None:
        """A temperature, digit by digit."""
        if key in "\r\n":
            try:
                celsius = float(self._typed.replace(",", "."))
            except ValueError:
                celsius = float("nan")
            if -100 < celsius < 300:
                self.temperatures.append(Temperature(self.rig.clock.seconds(tick), celsius))
                self.recorder.mark(tick, f"{celsius:.1f} °C")
            self._typed = ""
        elif key in "\x7f\b":
            self._typed = self._typed[:-1]
        elif key in "0123456789.,-":
            self._typed = (self._typed + key)[-8:]

    # what is shown

    def _what(self) -> str:
        if self.guide is None:
            now = f"{self.temperatures[-1].celsius:.1f} C" if self.temperatures else "soak"
            return self._typed or now
        step = self.guide.step
        if step is None:
            return "done" if self.guide.over else "wait"
        return step.spot.name if step.spot else step.place

    def _doing(self) -> str:
        if self.guide is None:
            return "soak: events in time, and against the temperature"
        step = self.guide.step
        if step is None:
            return ""
        if step.place == rules.HANDS_OFF:
            return f"hands off: touch nothing. Next: {self.guide.next_place}"
        where = f"place {step.number} of {self.guide.places}"
        if step.place == rules.BETWEEN:
            return f"{where}: put your hands there"
        of = max(s.wiggle for s in self.guide.steps if s.place == step.place)
        hint = f": {step.spot.hint}" if step.spot and step.spot.hint else ""
        return f"{where}, wiggle {step.wiggle} of {of}{hint}"

    def _state(self) -> str:
        mode, tally = MODES[self.watching.mode], self.watching.examination.tally()
        parts = [mode if self.watching.mode != "turning" else f"{tally.speed_rpm or 0:,.0f} rpm"]
        if "feed" not in self.watching.channels:
            parts.append("no feed channel: feed and signal are not told apart")
        elif self.watching.mode != "continuity":
            parts.append("FEED LOW" if self.watching.feed_low else "feed up")
        if self.watching.so_far.noise:
            parts.append(noise_line(self.watching.so_far))
        if tally.blind_s:
            parts.append(f"blind {tally.blind_s:.1f} s")
        return "   ".join(parts)

    def _tell_events(self) -> None:
        """A line an event, where there is no screen; on the page it is told again when it has grown."""
        self._tell_noise()
        events = len(self.watching.contacts)
        if events and (self._feed is not None or (self._lines is not None and events > self._told_events)):
            known = max(self._told_events - 1, 0)
            for number, event in enumerate(list(self.watching.contacts)[known:], known + 1):
                line = self._event_line(event)
                if self._feed is not None and (number > self._told_events or line != self._told_line):
                    self._feed.found(number + self._gone_events, event.longest.kind, line)
                if self._lines is not None and number > self._told_events:
                    self._lines.write(line + "\n")
                    self._lines.flush()
                self._told_line = line
        self._told_events = events

    def _tell_noise(self) -> None:
        """That what was told as events so far is none: once, and again after it was so no more."""
        gone = self._told_events - len(self.watching.contacts)
        if gone > 0:  # numbers on the page are not used twice
            self._gone_events += gone
            self._told_events -= gone
        named = bool(self.watching.so_far.noise)
        if named and not self._told_noise:
            at = f"{self.rig.clock.seconds(self.watching.until_tick):.1f} s"
            line = f"{at}  {noise_line(self.watching.so_far)}; those told as events until now are taken back"
            if self._lines is not None:
                self._lines.write(line + "\n")
                self._lines.flush()
            if self._feed is not None:
                self._gone_events += 1
                self._feed.found(self._told_events + self._gone_events, "interference", line)
        self._told_noise = named

    def _event_line(self, event: Burst) -> str:
        mode, place = self.watching.mode or "rest", self._place_at(event.tick)
        return last_event(Placed(self.rig.clock, event, mode, place, 0, False).as_json())

    def _place_at(self, tick: int) -> str | None:
        marks = self.guide.marks if self.guide else []
        at = bisect_right(marks, tick, key=lambda mark: mark.tick)
        return marks[at - 1].place if at else None

    def _draw(self, alarms: Alarms) -> None:
        now_s = time.monotonic()
        on_screen = self._view is not None and (now_s - self._drawn_s >= REDRAW_S or bool(alarms.news))
        sounded = alarms.sounded > self._told_alarms
        on_page = self._feed is not None and (self._feed.due() or sounded)
        if not on_screen and not on_page:
            return
        now, rpm = self._now(alarms), self.watching.examination.tally().speed_rpm
        if on_screen and self._view is not None:
            self._drawn_s = now_s
            if self._card is None or not self._card.shown():
                self._view.draw(now, rpm)
        if on_page and self._feed is not None:
            if sounded:
                place = self._place_at(self.watching.until_tick)
                self._feed.alarm(alarms.news, f"{alarms.news} at {place}" if place else alarms.news)
                self._told_alarms = alarms.sounded
            self._feed.draw(now, rpm, guide=self.guide, muted=alarms.muted, marks=self._noted)

    def _now(self, alarms: Alarms) -> Now:
        watching, tick = self.watching, self.watching.until_tick
        events = list(watching.contacts)
        counts = Counter(self._place_at(event.tick) for event in events)
        step = self.guide.step if self.guide else None
        trouble = self.rig.trouble or self.recorder.trouble
        left: float | None = self.guide.left_s(tick) if self.guide else None
        if self.guide is None and self._seconds is not None:
            left = max(self._seconds - self.rig.clock.span_s(tick), 0.0)
        return Now(
            what=self._what(),
            doing=self._doing(),
            left_s=None if left is None else float(-(-left // 1)),
            here=counts[step.place] if step else len(events),
            whole=len(events),
            state=self._state() + ("   MUTED" if alarms.muted else ""),
            alarm=alarms.news,
            notice=str(trouble) if trouble else self._fault.text,
            last=self._event_line(events[-1]) if events else "",
            keys=(AddressCard.KEY if self._card else "") + (KEYS if self.guide else SOAK_KEYS),
            places=self._places(counts),
        )

    def _places(self, counts: Counter[str | None]) -> list[tuple[str, int, int]]:
        if self.guide is None:
            return []
        wiggles = Counter(mark.place for mark in self.guide.marks)
        names = dict.fromkeys(step.spot.name for step in self.guide.steps if step.spot)
        return [(name, counts[name], wiggles[name]) for name in (rules.HANDS_OFF, *names)]


def noise_line(so_far: NamedSoFar) -> str:
    """Interference up to now, in words."""
    sources = " and ".join(dict.fromkeys(str(told["source"]) for told in so_far.found)) or "ignition or alternator"
    return f"interference from {sources}, no contact: {so_far.noise}"


def _ringer(stream: TextIO) -> Callable[[], None]:
    def ring() -> None:
        if stream.isatty():
            stream.write("\a")
            stream.flush()

    return ring
