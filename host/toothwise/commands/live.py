"""The three ways a live command tells what it sees: the screen, lines of text, or nothing at all."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from contextlib import ExitStack
from typing import TextIO

from toothwise.commands.paging import AddressCard
from toothwise.commands.stopping import Stopping
from toothwise.edges.signal import Clock
from toothwise.examine import Examination
from toothwise.page.process import Page
from toothwise.records import Event
from toothwise.show import words
from toothwise.show.keys import Keys
from toothwise.show.live import LiveView
from toothwise.show.screen import Look, Screen

REDRAW_S = 0.09
"""The screen is drawn at most so often,"""
FINDING_S = 0.045
"""but a finding need not wait for it."""


class OnScreen:
    """The live view; `q` ends it."""

    def __init__(self, view: LiveView, keys: Keys, stopping: Stopping, card: AddressCard | None = None) -> None:
        self.view = view
        self._keys = keys
        self._stopping = stopping
        self._card = card
        self._drawn_s = 0.0
        self._told = True

    def see(self, examination: Examination, events: Sequence[Event]) -> None:
        self.view.add(examination.wheel, examination.crank, examination.latest, events)
        self._told = self._told and not events
        now = time.monotonic()
        if now - self._drawn_s < (REDRAW_S if self._told else FINDING_S):
            return
        self._drawn_s, self._told = now, True
        pressed = self._keys.pressed()
        if self._card is not None:
            self._card.hear(pressed)
        if self._card is None or not self._card.shown():
            self.view.draw(examination.tally())
        if "q" in pressed.lower():
            self._stopping.asked = True


class InLines:
    """A line a finding, as it is found."""

    def __init__(self, stream: TextIO, clock: Clock) -> None:
        self._stream = stream
        self._clock = clock

    def see(self, examination: Examination, events: Sequence[Event]) -> None:
        for event in events:
            self._stream.write(words.finding(event.as_json(self._clock)) + "\n")
        if events:
            self._stream.flush()


def watcher(
    stack: ExitStack,
    args: argparse.Namespace,
    clock: Clock,
    stopping: Stopping,
    *,
    name: str,
    title: str,
    page: Page | None = None,
) -> OnScreen | InLines | None:
    """The way that suits the terminal and the options. Standard output is left alone with --json."""
    stream = sys.stderr if args.json else sys.stdout
    look = Look(stream, ascii_only=args.ascii)
    if look.live and not args.plain:
        screen = stack.enter_context(Screen(stream, look))
        keys = stack.enter_context(Keys())
        card = AddressCard(page, screen, look, lan=args.lan is not None) if page else None
        ending = (AddressCard.KEY if card else "") + "q or Ctrl-C ends; what was recorded is kept"
        return OnScreen(LiveView(screen, look, clock, name=name, title=title, keys=ending), keys, stopping, card)
    return None if args.json else InLines(stream, clock)
