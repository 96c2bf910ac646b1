"""Chromium without a window, for the tests, the pictures and the benchmark of the page."""

from __future__ import annotations

import importlib.util
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.resources import files
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from toothwise.page.process import Page

from tests.parts import need

if TYPE_CHECKING:
    from selenium.webdriver import Chrome

SIZES = ("phone", "laptop")
_METRICS = {
    "phone": {"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": True},
    "laptop": {"width": 1280, "height": 800, "deviceScaleFactor": 1, "mobile": False},
}
WAIT_S = 30.0

_CONTRASTS = """
const lum = (c) => c.map((v) => v / 255).map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
const rgb = (text) => text.match(/[\\d.]+/g).map(Number);
const ground = (node) => {
    for (; node; node = node.parentElement) {
        const c = rgb(getComputedStyle(node).backgroundColor);
        if (c.length < 4 || c[3] === 1) return c.slice(0, 3);
    }
    return [255, 255, 255];
};
const out = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walk.nextNode()) {
    const node = walk.currentNode.parentElement;
    if (!walk.currentNode.textContent.trim() || !node.checkVisibility() || /SCRIPT|STYLE/.test(node.tagName)) continue;
    const [a, b] = [rgb(getComputedStyle(node).color).slice(0, 3), ground(node)].map(lum).sort((x, y) => y - x);
    out.push([node.id || node.tagName, walk.currentNode.textContent.trim(), (a + 0.05) / (b + 0.05)]);
}
return out;
"""
"""Text, and the ratio of its luminance to its ground's, by the formula of WCAG 2.2 ("contrast ratio", "relative
luminance")."""

_TARGETS = """
return [...document.querySelectorAll("button, a, input, select")].filter((n) => n.checkVisibility())
    .map((n) => [n.id, n.getBoundingClientRect().width, n.getBoundingClientRect().height]);
"""


class Browser:
    """One window; `until...` wait for what must come."""

    def __init__(self, driver: Chrome) -> None:
        self.driver = driver
        self._host = ""

    def size(self, name: str) -> None:
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", _METRICS[name])
        self.driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": name == "phone"})

    def open(self, address: str) -> None:
        self._host = urlsplit(address).netloc
        self.driver.get(address)

    def ask(self, script: str) -> Any:
        return self.driver.execute_script(script)

    def text(self, name: str) -> str:
        return str(self.ask(f"return document.getElementById('{name}').textContent"))

    def texts(self, selector: str) -> list[str]:
        return list(self.ask(f"return [...document.querySelectorAll('{selector}')].map((n) => n.innerText)"))

    def attribute(self, name: str, of: str) -> str:
        return str(self.ask(f"return document.getElementById('{name}').getAttribute('{of}')"))

    def shown(self, name: str) -> bool:
        return bool(self.ask(f"return document.getElementById('{name}').checkVisibility()"))

    def until(self, name: str, text: str) -> None:
        self._wait(lambda: self.text(name) == text, lambda: f"#{name} is {self.text(name)!r}, not {text!r}")

    def until_true(self, script: str, wait_s: float = WAIT_S) -> None:
        self._wait(lambda: bool(self.ask(f"return {script}")), lambda: f"never true: {script}", wait_s)

    @staticmethod
    def _wait(holds: Callable[[], bool], why: Callable[[], str], wait_s: float = WAIT_S) -> None:
        end = time.monotonic() + wait_s
        while not holds():
            assert time.monotonic() < end, why()
            time.sleep(0.02)

    def click(self, name: str) -> None:
        self.driver.find_element("id", name).click()

    def tab(self) -> None:
        self._key("\ue004")

    def enter(self) -> None:
        self._key("\ue007")

    def _key(self, key: str) -> None:
        from selenium.webdriver.common.action_chains import ActionChains

        ActionChains(self.driver).send_keys(key).perform()

    def pressed(self, page: Page, count: int) -> list[str]:
        """What the capture hears of the buttons."""
        got: list[str] = []

        def enough() -> bool:
            got.extend(page.pressed())
            return len(got) >= count

        self._wait(enough, lambda: f"only {got} was heard")
        return got

    @contextmanager
    def another(self, address: str) -> Iterator[None]:
        """A second window, looked at meanwhile."""
        first = self.driver.current_window_handle
        self.driver.switch_to.new_window("window")
        self.driver.get(address)
        yield
        self.driver.close()
        self.driver.switch_to.window(first)

    def complaints(self) -> list[str]:
        """What the browser wrote to its console about this page; the one before may still look for its server."""
        return [line["message"] for line in self.driver.get_log("browser") if self._host in line["message"]]

    def violations(self) -> list[str]:
        """What axe-core finds, with the rules of WCAG 2.2 up to AAA and its best practices."""
        checker = (files("selenium_axe_python") / "axe-core" / "axe.min.js").read_text(encoding="utf-8")
        self.ask(checker)
        found = self.driver.execute_async_script(
            """const done = arguments[arguments.length - 1];
            axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag2aaa", "wcag21a", "wcag21aa", "wcag22aa",
                "best-practice"],
                rules: {"color-contrast-enhanced": {enabled: true}, "target-size": {enabled: true}}}).then(done)"""
        )
        assert len(found["passes"]) > 10
        return [f"{v['id']}: {v['help']} {[n['target'] for n in v['nodes']]}" for v in found["violations"]]

    def contrasts(self) -> list[tuple[str, str, float]]:
        """Every visible text with its contrast against its ground."""
        return [tuple(row) for row in self.ask(_CONTRASTS)]

    def targets(self) -> list[tuple[str, float, float]]:
        """What can be touched: its name, width and height in CSS pixels."""
        return [tuple(row) for row in self.ask(_TARGETS)]


@contextmanager
def opened() -> Iterator[Browser]:
    """A browser of one's own. Skips, or fails, where a part is missing."""
    program, driver = shutil.which("chromium"), shutil.which("chromedriver")
    need("chromium and chromedriver", program is not None and driver is not None)
    for module in ("selenium", "selenium_axe_python"):
        need(module, importlib.util.find_spec(module) is not None)
    from selenium.webdriver import Chrome, ChromeOptions, ChromeService

    options = ChromeOptions()
    options.binary_location = str(program)
    # As root no sandbox; in a container little shared memory; never by a proxy of the environment.
    for argument in ("headless=new", "no-sandbox", "disable-dev-shm-usage", "disable-gpu", "no-proxy-server"):
        options.add_argument(f"--{argument}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    chrome = Chrome(options=options, service=ChromeService(str(driver)))
    try:
        yield Browser(chrome)
    finally:
        chrome.quit()
