"""`--page` and `--lan` of the live commands: the address on the terminal, the buttons, the card on the screen."""

from __future__ import annotations

import io
import json
import re
import stat
import sys
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from toothwise.book import Book
from toothwise.commands.paging import AddressCard, OnPage
from toothwise.errors import BookTrouble
from toothwise.examine import Examination
from toothwise.page.feed import WatchFeed
from toothwise.show.screen import Look
from toothwise.wheel import catalogue

from tests.cli.conftest import Toothwise, toothwise  # noqa: F401  (a fixture)
from tests.cli.rigs import FakeRig
from tests.page.stage import CLOCK, Told, batches, edges, free_port
from tests.pictures import Caught


@pytest.fixture
def rig(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> FakeRig:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    recording = edges(3.0)
    rig = FakeRig(recording, batches(recording))
    monkeypatch.setattr("toothwise.link.open_rig", lambda *_, **__: rig)
    return rig


def addresses(err: str) -> list[str]:
    return re.findall(r"http://\S+/", err)


def test_the_address_is_told_and_the_result_is_the_same(rig: FakeRig, toothwise: Toothwise) -> None:  # noqa: F811
    port = free_port()
    ran = toothwise("watch", "--wheel", "36-1", "--json", "--page", str(port))
    hand, look = addresses(ran.err)
    assert ran.code == 1 and urlsplit(hand).port == port and urlsplit(hand).hostname == "127.0.0.1" and hand != look
    again = toothwise("watch", "--wheel", "36-1", "--json")
    assert json.loads(ran.out)["events"] == json.loads(again.out)["events"]
    assert not addresses(again.err)


@pytest.mark.skipif(sys.platform == "win32", reason="no such folder there")
def test_the_same_address_all_day_and_for_this_user_alone(
    rig: FakeRig,
    toothwise: Toothwise,  # noqa: F811
    tmp_path: Path,
) -> None:
    port = str(free_port())
    first = toothwise("watch", "--wheel", "36-1", "--page", port)
    second = toothwise("watch", "--wheel", "36-1", "--page", port)
    assert addresses(first.err) == addresses(second.err)
    kept = tmp_path / "state" / "toothwise" / "page.json"
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600


def test_lan_alone_opens_the_page_too(rig: FakeRig, toothwise: Toothwise) -> None:  # noqa: F811
    ran = toothwise("watch", "--wheel", "36-1", "--lan", "127.0.0.1")
    assert ran.code == 1 and len(addresses(ran.err)) == 2


@pytest.mark.parametrize("port", ["80", "65536", "x", "-1"])
def test_a_port_nobody_may_open(toothwise: Toothwise, port: str) -> None:  # noqa: F811
    ran = toothwise("watch", f"--page={port}")
    assert ran.code == 2 and "not a port from 1024 to 65535" in ran.err


def test_an_address_of_somebody_else_is_told_before_anything_is_recorded(
    rig: FakeRig,
    toothwise: Toothwise,  # noqa: F811
    tmp_path: Path,
) -> None:
    ran = toothwise("watch", "--lan", "192.0.2.77")
    assert ran.code == 3 and "192.0.2.77 is not an address of this computer" in ran.err
    with Book.open(tmp_path / "book.sqlite") as book, pytest.raises(BookTrouble):
        book.recording(1)


class Pressed(Told):
    """A page whose buttons were pressed."""

    viewers = 0
    address, look_only = "http://192.168.4.1:8730/hand/", "http://192.168.4.1:8730/look/"

    def __init__(self, *buttons: str) -> None:
        super().__init__()
        self.buttons = list(buttons)

    def pressed(self) -> list[str]:
        out, self.buttons = self.buttons, []
        return out


def test_a_mark_goes_into_the_book_where_the_recording_is(tmp_path: Path) -> None:
    page: Any = Pressed()
    examination = Examination(CLOCK, ("crank",), catalogue.wheel("36-1"))
    with Book.open(tmp_path / "book.sqlite") as book:
        recorder = book.start_recording(CLOCK, ("crank",), {})
        on_page = OnPage(page, WatchFeed(page, CLOCK, name="watch", title=""), recorder)
        for n, batch in enumerate(batches(edges(1.0))):
            page.buttons = ["mark", "mute"] if n == 9 else []
            recorder.add(batch)
            on_page.see(examination, examination.feed(batch))
        recorder.finish()
        assert book.recording(1).marks() == [(CLOCK.ticks(0.5), "mark")]
    on_page.feed.draw(examination.tally())
    assert page.news[-1]["now"]["marks"] == 1 and page.news[-1]["now"]["muted"] is True


def card(lines: int = 24, *, lan: bool = True) -> tuple[Any, Caught, AddressCard]:
    class Sized(Caught):
        def size(self) -> tuple[int, int]:
            return 80, lines

    stream = io.StringIO()
    look = Look(stream)
    look.unicode = True
    page, screen = Pressed(), Sized(stream, look)
    return page, screen, AddressCard(page, screen, look, lan=lan)  # type: ignore[arg-type]


def test_the_card_stands_until_somebody_looks_on_and_comes_back_by_key() -> None:
    page, screen, address = card()
    assert address.shown() and page.address in screen.lines[0] and len(screen.lines) > 15
    page.viewers = 1
    assert not address.shown()
    address.hear("p")
    assert address.shown()
    address.hear("P")
    assert not address.shown()
    page.viewers = 0
    assert not address.shown()


def test_a_low_window_has_no_room_for_the_code() -> None:
    _, screen, address = card(lines=12)
    assert address.shown() and len(screen.lines) == 4 and "taller window" in screen.lines[-1]


def test_no_code_for_an_address_that_no_phone_can_reach() -> None:
    _, screen, address = card(lan=False)
    assert address.shown() and len(screen.lines) == 3
