"""The page of a live command: opened before it starts, told of on the terminal, and fed beside the screen."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING

from toothwise.examine import Examination
from toothwise.page.feed import WatchFeed
from toothwise.page.process import Page
from toothwise.page.qr import address_lines
from toothwise.records import Event
from toothwise.show.screen import Look, Screen

if TYPE_CHECKING:
    from toothwise.book import Recorder


def opened(stack: ExitStack, args: argparse.Namespace) -> Page | None:
    """The page that the options ask for, if they do; it is closed with the stack."""
    if args.page is None and args.lan is None:
        return None
    from toothwise.page.address import PORT, own_address, todays_keys

    lan = "" if args.lan is None else own_address(args.lan)
    page = stack.enter_context(Page(todays_keys(), port=args.page or PORT, lan=lan, exact=bool(args.page)))
    look = Look(sys.stderr, ascii_only=args.ascii)
    lines = address_lines(page.address, page.look_only, code=bool(lan) and look.live, unicode=look.unicode)
    print("\n".join(lines), file=sys.stderr, flush=True)
    return page


class AddressCard:
    """The page's address over the live screen: until the first screen looks on, and again with the key `p`."""

    KEY = "p page   "

    def __init__(self, page: Page, screen: Screen, look: Look, *, lan: bool) -> None:
        self._page = page
        self._screen = screen
        self._look = look
        self._lan = lan
        self._up = True
        self._called = False

    def hear(self, keys: str) -> None:
        """What was pressed at the terminal."""
        if "p" in keys.lower():
            self._up = self._called = not self._up

    def shown(self) -> bool:
        """Draw it if it is up. False: the screen is free."""
        if self._up and not self._called and self._page.viewers:
            self._up = False
        if not self._up:
            return False
        lines = self._lines(code=self._lan)
        if len(lines) > self._screen.size()[1]:
            lines = [*self._lines(code=False), " (with a taller window its QR code is here)"]
        self._screen.draw(lines)
        return True

    def _lines(self, *, code: bool) -> list[str]:
        told = address_lines(self._page.address, self._page.look_only, code=code, unicode=self._look.unicode)
        end = " p shows or hides this; the recording has begun"
        return [*(f" {line}" for line in told), self._screen.line([(end, "quiet")])]


class OnPage:
    """Feeds the page of `watch`, and does what its buttons say."""

    def __init__(self, page: Page, feed: WatchFeed, recorder: Recorder) -> None:
        self.feed = feed
        self._page = page
        self._recorder = recorder

    def see(self, examination: Examination, events: Sequence[Event]) -> None:
        for press in self._page.pressed():
            if press == "mark":
                self._recorder.mark(examination.until_tick, "mark")
                self.feed.marks += 1
            elif press in ("mute", "sound"):
                self.feed.muted = press == "mute"
        self.feed.add(examination.wheel, examination.crank, examination.latest, events)
        if events or self.feed.due():
            self.feed.draw(examination.tally())
