"""The page in a real browser, at phone and laptop size: what is shown, pressed, heard, and how it comes back."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from toothwise.book import Book
from toothwise.page.address import Keys, fresh_keys
from toothwise.page.feed import WiggleFeed
from toothwise.page.process import Page
from toothwise.show.wiggle_screen import Now

from tests.page.browser import SIZES, Browser, opened
from tests.page.stage import free_port, play
from tests.page.test_feed import HOSTILE

TARGET_PX = 76
"""12 mm on a screen whose CSS pixel is a 160th of an inch, the baseline density of Android (developer.android.com,
"Support different pixel densities": 1 dp is a pixel at 160 dpi); a CSS pixel on a phone or tablet is one dp."""
CONTRAST = 7.0
"""WCAG 2.2, success criterion 1.4.6 Contrast (Enhanced)."""

BUTTONS = ("wiggle", "next", "back", "mark", "sound")
PLACES = [("hands off", 0, 1), ("sensor connector", 3, 3), ("bulkhead", 0, 0)]


@pytest.fixture(scope="module")
def one_browser() -> Iterator[Browser]:
    with opened() as browser:
        yield browser


@pytest.fixture(params=SIZES)
def browser(one_browser: Browser, request: pytest.FixtureRequest) -> Browser:
    one_browser.size(request.param)
    return one_browser


@contextmanager
def living(keys: Keys, port: int) -> Iterator[Page]:
    """A page whose capture goes on, as a rig's heartbeats keep it going: what it shows does not grow old."""
    over = threading.Event()

    def live() -> None:
        while not over.wait(0.2):
            page.tell({})

    with Page(keys, port=port, exact=True) as page:
        heart = threading.Thread(target=live)
        heart.start()
        try:
            yield page
        finally:
            over.set()
            heart.join()


@pytest.fixture
def page() -> Iterator[Page]:
    with living(fresh_keys(), free_port()) as page:
        yield page


class Led:
    """A guide in the middle of a place."""

    wiggle_next, next_place = True, "bulkhead"


def wiggle(page: Page, **more: Any) -> WiggleFeed:
    feed = WiggleFeed(page, "Brindle   virtual rig")
    tell(feed, **more)
    return feed


def tell(feed: WiggleFeed, what: str = "sensor connector", **more: Any) -> None:
    now = Now(what, "place 1 of 2, wiggle 3 of 3: push and pull", 2.0, 3, 3, "at rest   feed up", places=PLACES)
    feed.draw(now, None, **({"guide": Led(), "muted": False, "marks": 0} | more))


def test_a_watch_with_findings(browser: Browser, page: Page) -> None:
    browser.open(page.address)
    browser.until("link", "live")
    play(page, 6.0, title="rig on ttyACM0   recording 7")
    browser.until("missing", "6")
    browser.until("extra", "6")
    assert browser.text("kind") == "toothwise watch" and browser.text("title") == "rig on ttyACM0 · recording 7"
    assert browser.text("rpm") == "1,200"
    findings = browser.texts("#finding-list li")
    assert len(findings) == 9 and "1 tooth missing" in " ".join(findings[:2])
    assert browser.ask("newsUntil += 1e6; tick(); return document.getElementById('alarm').classList.contains('news')")
    assert browser.shown("raster") and not browser.shown("place") and not browser.shown("waiting")
    assert "36-1: 6 teeth missing and 6 extra in" in browser.attribute("raster", "aria-label")
    inks = browser.ask(
        """const c = document.getElementById("raster");
        const d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
        const seen = new Set();
        for (let i = 0; i < d.length; i += 4) seen.add([d[i], d[i + 1], d[i + 2]].join());
        return [...seen]"""
    )
    assert {"140,0,0", "91,10,138", "51,51,51"} <= set(inks), "missing, extra and seen are drawn"
    assert not browser.complaints()


def test_a_healthy_watch(browser: Browser, page: Page) -> None:
    play(page, 4.0, healthy=True)
    browser.open(page.address)
    browser.until("missing", "0")
    assert browser.text("alarm-what") == "no finding so far" and not browser.texts("#finding-list li")
    assert not browser.ask("return document.querySelector('#figures .some')")


def test_only_what_is_new_is_sounded(browser: Browser, page: Page) -> None:
    feed = wiggle(page)
    feed.alarm("missing", "missing at bulkhead")
    tell(feed)
    browser.open(page.address)
    browser.until("what", "sensor connector")
    assert browser.ask("return lastSound") == 0
    browser.click("sound")
    browser.until("sound", "Mute")
    feed.alarm("short", "short at plug")
    tell(feed)
    browser.until("alarm-what", "short at plug")
    assert browser.ask("return lastSound") > 0 and browser.ask("return audio.state") == "running"


def test_the_buttons_of_a_wiggle_test(browser: Browser, page: Page) -> None:
    feed = wiggle(page)
    browser.open(page.address)
    browser.until("what", "sensor connector")
    assert browser.text("left") == "2" and browser.text("here") == "3"
    assert browser.texts("#place-list li")[1].replace("\n", " ") == "▶ sensor connector ■ 3 events"
    for name in BUTTONS:
        browser.click(name)
    assert browser.pressed(page, 5) == [*BUTTONS]
    browser.until("sound", "Mute")
    browser.click("sound")
    assert browser.pressed(page, 1) == ["mute"]
    tell(feed, what="bulkhead", muted=True, marks=2)
    browser.until("what", "bulkhead")
    assert browser.text("mark") == "Mark (2)"
    browser.until("sound", "Sound on")


def test_by_keyboard_alone(browser: Browser, page: Page) -> None:
    wiggle(page)
    browser.open(page.address)
    browser.until("what", "sensor connector")
    reached: list[str] = []
    for _ in range(12):
        browser.tab()
        name = browser.ask("return document.activeElement.id")
        if name in reached:
            break
        reached.append(name)
        if name in BUTTONS:
            assert browser.ask("return getComputedStyle(document.activeElement).outlineStyle") == "solid"
            browser.enter()
    assert [name for name in reached if name in BUTTONS] == [*BUTTONS]
    assert {"findings", "places"} <= set(reached), "what scrolls can be reached and scrolled by the keyboard"
    assert browser.pressed(page, 5) == [*BUTTONS]


def test_a_second_screen_only_looks_on(browser: Browser, page: Page) -> None:
    play(page, 2.0)
    browser.open(page.address)
    browser.until("missing", "2")
    with browser.another(page.address):
        browser.until("role", "The buttons are on another screen.")
        assert not browser.shown("mark") and browser.shown("sound")
    with browser.another(page.look_only):
        browser.until("role", "This screen only looks on.")
        browser.until("missing", "2")
        assert not browser.shown("mark") and browser.shown("sound")
    assert browser.shown("mark")


def test_it_comes_back_after_the_servers_death_and_says_meanwhile_that_it_is_old(browser: Browser, page: Page) -> None:
    play(page, 3.0)
    browser.open(page.address)
    browser.until("missing", "3")
    browser.ask(
        """window.passed = [];
        const link = document.getElementById("link"), mark = document.getElementById("mark");
        new MutationObserver(() => passed.push([link.textContent, mark.disabled])).observe(link, {childList: true})"""
    )
    os.kill(page.process_id, signal.SIGTERM if sys.platform == "win32" else signal.SIGKILL)
    browser.until_true("passed.length >= 2")
    assert browser.ask("return passed") == [["no connection", True], ["live", False]]
    browser.until("old", "")
    assert browser.text("missing") == "3" and len(browser.texts("#finding-list li")) == 5
    browser.click("mark")
    assert browser.pressed(page, 1) == ["mark"]


def test_it_says_that_it_is_old_when_the_capture_stands_still(browser: Browser, page: Page) -> None:
    play(page, 2.0)
    browser.open(page.address)
    browser.until("link", "live")
    # As the server's beat tells it, and before the next one comes.
    told = browser.ask(
        "age = 7; tick(); return ['link', 'old'].map((name) => document.getElementById(name).textContent)"
    )
    assert told == ["old", "Nothing new came. What you see is 7 s old."]
    browser.until("link", "live")


def test_a_line_that_went_dead_is_noticed_and_taken_up_again(one_browser: Browser, page: Page) -> None:
    browser = one_browser
    play(page, 2.0)
    browser.open(page.address)
    browser.until("link", "live")
    told = browser.ask(
        "socket.onmessage = null; heard -= 4000; tick(); return document.getElementById('old').textContent"
    )
    assert told == "No connection. What you see is 4 s old. Trying again."
    browser.until("link", "live")
    browser.until("old", "")


def test_the_end_is_told_and_the_next_command_takes_over(browser: Browser) -> None:
    keys, port = fresh_keys(), free_port()
    with living(keys, port) as page:
        play(page, 3.0)
        browser.open(page.address)
        browser.until("missing", "3")
    browser.until("link", "ended")
    assert browser.text("old") == "It has ended. The next one shows here by itself."
    with living(keys, port) as page:
        play(page, 1.0)
        browser.until("missing", "1")
        browser.until("link", "live")
        assert len(browser.texts("#finding-list li")) == 2, "nothing is left of the one before"


def test_hostile_names_and_notes_are_only_text(browser: Browser, page: Page) -> None:
    browser.open(page.address)
    for number, line in enumerate(HOSTILE, 1):
        feed = WiggleFeed(page, line)
        feed.found(number, line, line)
        feed.alarm("missing", line)
        places = [(line, 2, 1), ("<img src=x onerror=alert(1)>", 0, 0)]
        feed.draw(
            Now(line, line, 1.0, number, number, line, notice=line, places=places),
            None,
            guide=Led(),
            muted=False,
            marks=0,
        )
        browser.until("here", str(number))
        assert browser.ask("return document.querySelectorAll('main script, main img, main a').length") == 0
        assert browser.ask("return document.documentElement.scrollWidth <= innerWidth"), "wider than the screen"
        assert browser.ask("return document.getElementById('next').getBoundingClientRect().bottom <= innerHeight")
    assert browser.ask("return getComputedStyle(document.getElementById('title')).unicodeBidi").startswith("isolate")
    assert len(browser.texts("#finding-list li")) == len(HOSTILE)
    assert not browser.complaints()


STATES = ("waiting", "watch", "wiggle", "old", "looks on")


def brought_about(state: str, browser: Browser, page: Page) -> None:
    """Each of the page's faces."""
    if state in ("watch", "old", "looks on"):
        play(page, 4.0, notice="The rig on ttyACM0 is gone")
    if state == "wiggle":
        feed_ = wiggle(page, marks=1)
        feed_.found(1, "missing", "12.3 s at bulkhead: signal let go for 2.0 ms")
        feed_.alarm("missing", "missing at bulkhead")
        tell(feed_)
    browser.open(page.look_only if state == "looks on" else page.address)
    browser.until("link", "live")
    if state in ("watch", "looks on"):
        browser.until("notice", "The rig on ttyACM0 is gone")
    if state == "wiggle":
        browser.until("what", "sensor connector")
        browser.ask("newsUntil = Date.now() + 1e6; tick()")
    if state == "old":
        browser.ask("clearInterval(ticking); socket.onmessage = null; age = 9; heard = Date.now(); tick()")


@pytest.mark.parametrize("state", STATES)
def test_accessibility_by_machine(browser: Browser, page: Page, state: str) -> None:
    brought_about(state, browser, page)
    assert browser.violations() == []


@pytest.mark.parametrize("state", STATES)
def test_contrast_and_size_of_targets(browser: Browser, page: Page, state: str) -> None:
    brought_about(state, browser, page)
    pairs = browser.contrasts()
    assert len(pairs) >= 3
    assert [pair for pair in pairs if pair[2] < CONTRAST] == []
    sizes = browser.targets()
    assert sizes and all(min(wide, high) >= TARGET_PX for _, wide, high in sizes), sizes


def command(folder: Path, port: int, *arguments: str) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "XDG_STATE_HOME": str(folder), "TOOTHWISE_BOOK": str(folder / "book.sqlite")}
    line = [sys.executable, "-m", "tests.page.stage", *arguments, "--plain", "--page", str(port)]
    return subprocess.Popen(
        line, env=environment, cwd=Path(__file__).parents[2], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )


def address_of(process: subprocess.Popen[bytes]) -> str:
    assert process.stderr is not None
    line = process.stderr.readline().decode()
    assert line.startswith("The page: http://127.0.0.1:")
    return line.split()[-1]


def ended(process: subprocess.Popen[bytes]) -> None:
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=60)


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C cannot be sent to one process there")
def test_watch_from_its_start_over_a_restart(one_browser: Browser, tmp_path: Path) -> None:
    one_browser.size("phone")
    port = free_port()
    first = command(tmp_path, port, "watch", "--wheel", "36-1")
    try:
        address = address_of(first)
        one_browser.open(address)
        one_browser.until_true("Number(document.getElementById('missing').textContent) >= 2")
        one_browser.click("mark")
        one_browser.until("mark", "Mark (1)")
    finally:
        ended(first)
    one_browser.until("link", "ended")
    second = command(tmp_path, port, "watch", "--wheel", "36-1")
    try:
        assert address_of(second) == address, "the same address all day"
        one_browser.until("link", "live")
        one_browser.until_true("document.getElementById('title').textContent.endsWith('recording 2')")
        one_browser.until_true("Number(document.getElementById('missing').textContent) >= 1")
        assert one_browser.text("mark") == "Mark"
    finally:
        ended(second)
    with Book.open(str(tmp_path / "book.sqlite")) as book:
        assert [place for _, place in book.recording(1).marks()] == ["mark"]
        assert book.recording(2).marks() == []


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C cannot be sent to one process there")
def test_wiggle_led_from_the_page(one_browser: Browser, tmp_path: Path) -> None:
    one_browser.size("phone")
    process = command(tmp_path, free_port(), "wiggle", "--wheel", "36-1", "--by-hand")
    try:
        one_browser.open(address_of(process))
        one_browser.until_true("document.getElementById('doing').textContent.startsWith('hands off')")
        one_browser.click("mark")
        one_browser.until("mark", "Mark (1)")
        one_browser.click("next")
        one_browser.until_true("document.getElementById('doing').textContent.startsWith('place 1 of ')")
        place = one_browser.text("what")
        one_browser.click("wiggle")
        one_browser.until_true("document.getElementById('doing').textContent.includes('wiggle 1 of ')")
        one_browser.click("sound")
        one_browser.until("sound", "Mute")
        one_browser.click("sound")
        one_browser.until_true("document.getElementById('state').textContent.endsWith('MUTED')")
        one_browser.until_true("Number(document.getElementById('here').textContent) >= 1")
        one_browser.click("next")
        one_browser.until_true("document.getElementById('doing').textContent.startsWith('place 2 of ')")
        one_browser.click("back")
        one_browser.until_true("document.getElementById('doing').textContent.startsWith('place 1 of ')")
    finally:
        ended(process)
    with Book.open(str(tmp_path / "book.sqlite")) as book:
        recording = book.recording(1)
        assert [name for _, name in recording.marks()] == ["hands off", "moving on", place, "moving on", "moving on"]
        assert recording.notes()[0][1].endswith(" s: hands off")
