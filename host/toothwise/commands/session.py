"""A live recording from its first batch to its result in the book: what `watch` and `demo` have in common."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING

from toothwise.commands.cards import job_number
from toothwise.commands.follow import follow
from toothwise.commands.live import InLines, OnScreen, watcher
from toothwise.commands.paging import OnPage, opened
from toothwise.commands.standing import StandingFault
from toothwise.commands.stopping import Stopping
from toothwise.errors import Trouble
from toothwise.examine import Examination, Result
from toothwise.examine.explain import by_card, explain, job_of
from toothwise.link import Happening
from toothwise.page.feed import WatchFeed
from toothwise.records import Event

if TYPE_CHECKING:
    from toothwise.book import Book, Recorder
    from toothwise.link import Rig
    from toothwise.wheel.pattern import Wheel


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a live recording.

    trouble: what ended it early, or kept it from being written; None for neither.
    stopped: whether the user asked for the end.
    """

    result: Result
    number: int
    trouble: Trouble | None
    stopped: bool


def session(
    args: argparse.Namespace,
    rig: Rig,
    book: Book,
    *,
    name: str,
    wheel: Wheel | None,
    cam_wheel: Wheel | None = None,
    seconds: float | None = None,
    note: str | None = None,
) -> Outcome:
    """Watch and record until told to stop, or until the rig or the time is at an end."""
    job = job_of(args.job)
    examination = Examination(
        rig.clock,
        rig.channels,
        wheel,
        cam_wheel=cam_wheel,
        source=rig.source,
        **by_card(job),
    )
    trouble: Trouble | None = None
    with ExitStack() as stack:
        page = opened(stack, args)
        stopping = stack.enter_context(Stopping())
        settings = {"wheel": args.wheel, "cam_wheel": args.cam_wheel}
        number = job_number(book, args.job)
        recorder = book.start_recording(rig.clock, rig.channels, rig.source, number, settings)
        if note:
            recorder.note(note)
        where = "virtual rig" if args.rig == "virtual" else f"rig on {rig.port}"
        title = f"{where}   recording {recorder.id}"
        eye = watcher(stack, args, rig.clock, stopping, name=name, title=title, page=page)
        on_page = OnPage(page, WatchFeed(page, rig.clock, name=name, title=title), recorder) if page else None
        end = None if seconds is None else time.monotonic() + seconds
        followed = follow(
            rig.batches(),
            examination,
            [Notices(rig, recorder, eye, on_page), *(one for one in (eye, on_page) if one)],
            record=recorder.add,
            stop=lambda: stopping.asked or (end is not None and time.monotonic() >= end),
        )
        stopping.finishing()
        explain(followed.result, job)
        try:
            recorder.finish(followed.result.as_json())
        except Trouble as error:
            trouble = error
    stopped = stopping.asked or isinstance(followed.broke, KeyboardInterrupt)
    if isinstance(followed.broke, Trouble):
        trouble = followed.broke
    return Outcome(followed.result, recorder.id, trouble, stopped)


class Notices:
    """Passes on what is not an edge: the rig's marks and faults, the book's troubles, the findings' rows."""

    def __init__(
        self, rig: Rig, recorder: Recorder, eye: OnScreen | InLines | None, on_page: OnPage | None = None
    ) -> None:
        self._rig = rig
        self._recorder = recorder
        self._eye = eye
        self._on_page = on_page
        self._standing = ""
        self._fault = StandingFault()

    def see(self, examination: Examination, events: Sequence[Event]) -> None:
        for event in events:
            self._recorder.event(event)
        for note in self._rig.take_notes():
            self._fault.take(note)
            if isinstance(note, Happening) and note.kind == "mark":
                self._recorder.mark(note.tick, "mark")
                if self._on_page is not None:
                    self._on_page.feed.marks += 1
        standing = self._rig.trouble or self._recorder.trouble
        self._say(str(standing) if standing else self._fault.text)

    def _say(self, text: str) -> None:
        """On the live screen, where it stands until something else is to be said; else once, on standard
        error."""
        if text == self._standing:
            return
        self._standing = text
        if self._on_page is not None:
            self._on_page.feed.notice = text
        if isinstance(self._eye, OnScreen):
            self._eye.view.notice = text
        elif text:
            print(f"toothwise: {text}", file=sys.stderr, flush=True)


def told(outcome: Outcome, code: int) -> int:
    """The exit code of a live command: a trouble's comes first, then Ctrl-C's, then the findings'."""
    if outcome.trouble is not None:
        raise outcome.trouble
    return 130 if outcome.stopped else code
