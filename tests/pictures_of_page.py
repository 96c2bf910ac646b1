"""The live page as a phone shows it, for README: photographed in Chromium while the demo runs (tests/pictures.py)."""

from __future__ import annotations

import signal
import subprocess
import sys

from tests.page.browser import opened
from tests.page.stage import free_port

_TEXT = "document.getElementById('{}').textContent"


def photographs() -> dict[str, bytes]:
    """PNG by the file's name. Takes a minute: the demos run in real time."""
    return {
        "page.png": photograph(f"{_TEXT.format('revolutions')} >= 120"),
        "page-wiggle.png": photograph(f"{_TEXT.format('here')} >= 6", "--wiggle"),
    }


def photograph(moment: str, *arguments: str) -> bytes:
    """The page of a demo as soon as the script `moment` is true on it."""
    line = [sys.executable, "-m", "toothwise", "demo", *arguments, "--plain", "--page", str(free_port())]
    demo = subprocess.Popen(line, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    assert demo.stderr is not None
    try:
        with opened() as browser:
            browser.size("phone")
            browser.open(demo.stderr.readline().decode().split()[-1])
            browser.until_true(moment, wait_s=60.0)
            return browser.driver.get_screenshot_as_png()
    finally:
        demo.send_signal(signal.SIGINT)
        demo.communicate()
