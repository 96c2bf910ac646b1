"""A live recording from its first batch to its result in the book: what `watch` and `demo` have in common."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

from toothwise.commands.follow import Followed, follow
from toothwise.commands.live import OnScreen, watcher
from toothwise.commands.stopping import Stopping
from toothwise.errors import BookTrouble, Trouble
from toothwise.examine import Examination
from toothwise.records import Event

if TYPE_CHECKING:
    from toothwise.book import Book, Recorder
    from toothwise.link import Rig
    from toothwise.wheel.pattern import Wheel


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
    settings: Mapping[str, Any] | None = None,
) -> tuple[Followed, int, bool]:
    """Watch and record until told to stop; the outcome, the recording's number, and whether Ctrl-C ended it.

    Raises BookTrouble where the recording could not be kept whole.
    """
    examination = Examination(rig.clock, rig.channels, wheel, cam_wheel=cam_wheel, source=rig.source)
    with ExitStack() as stack:
        stopping = stack.enter_context(Stopping())
        recorder = book.start_recording(rig.clock, rig.channels, rig.source, settings=dict(settings or {}))
        if note:
            recorder.note(note)
        title = f"{rig.source.get('rig', args.rig)}   recording {recorder.id}"
        eye = watcher(stack, args, rig.clock, stopping, name=name, title=title)
        watchers = [_Notices(rig, recorder, eye), *([eye] if eye else [])]
        end = None if seconds is None else time.monotonic() + seconds
        followed = follow(
            rig.batches(),
            examination,
            watchers,
            record=recorder.add,
            stop=lambda: stopping.asked or (end is not None and time.monotonic() >= end),
        )
        stopping.finishing()
        recorder.finish(followed.result.as_json())
    return followed, recorder.id, stopping.asked


class _Notices:
    """Passes on to the book and to the user's eye what is not an edge."""

    def __init__(self, rig: Rig, recorder: Recorder, eye: Any) -> None:
        self._rig = rig
        self._recorder = recorder
        self._eye = eye
        self._said: Trouble | None = None

    def see(self, examination: Examination, events: Sequence[Event]) -> None:
        for event in events:
            self._recorder.event(event)
