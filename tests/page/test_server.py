"""The server's process from outside: what it refuses, what it bounds, and that the capture never waits for it."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from toothwise.errors import FileTrouble
from toothwise.page.address import Keys, fresh_keys
from toothwise.page.process import MOST_STARTS, Page
from toothwise.page.server import MOST_BYTES, MOST_STRANGERS_EACH
from toothwise.page.shown import MOST_FINDINGS, MOST_ROWS
from toothwise.page.viewer import MOST_PRESSES_A_SECOND, MOST_VIEWERS, WINDOW
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

from tests.page.stage import free_port

ROOT = Path(__file__).parents[2]
NAMES = iter(f"{n:016x}" for n in range(1, 1_000_000))


@pytest.fixture
def page() -> Iterator[Page]:
    with Page(fresh_keys(), port=free_port()) as page:
        yield page


def soon(what: Callable[[], object], wait_s: float = 20.0) -> None:
    """Wait until it holds."""
    end = time.monotonic() + wait_s
    while not what():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.01)


def get(page: Page, path: str, method: str = "GET", headers: dict[str, str] | None = None) -> tuple[int, bytes]:
    line = http.client.HTTPConnection("127.0.0.1", page.port, timeout=20)
    with contextlib.closing(line):
        line.request(method, path, headers=headers or {})
        answer = line.getresponse()
        return answer.status, answer.read()


class Viewer:
    """A page as the server sees one. `acknowledge`: says which states it drew, as ours does."""

    def __init__(self, address: str, *, name: str = "", origin: str = "", acknowledge: bool = True) -> None:
        host = urlsplit(address).netloc
        self.have: dict[str, Any] = {}
        self.states = 0
        self._acknowledge = acknowledge
        self._stack = contextlib.ExitStack()
        self.line: ClientConnection = self._stack.enter_context(
            connect(
                f"ws://{host}{urlsplit(address).path}live?id={name or next(NAMES)}",
                origin=origin or f"http://{host}",  # type: ignore[arg-type]
                compression=None,
            )
        )

    def hear(self, timeout: float = 20.0) -> dict[str, Any]:
        news: dict[str, Any] = json.loads(self.line.recv(timeout))
        self.have |= news
        if "n" in news:
            self.states += 1
            if self._acknowledge:
                self.line.send(json.dumps({"seen": news["n"]}))
        return news

    def until(self, **wanted: Any) -> None:
        while any(self.have.get(name) != value for name, value in wanted.items()):
            self.hear()

    def press(self, button: object) -> None:
        self.line.send(json.dumps({"press": button}))

    def code(self) -> int | None:
        """How the server ended it."""
        with contextlib.suppress(ConnectionClosed):
            for _ in range(100):  # beats, if it does not end it
                self.line.recv(20)
        return self.line.close_code

    def close(self) -> None:
        self._stack.close()


def test_the_page_needs_no_other_file_and_may_load_none(page: Page) -> None:
    line = http.client.HTTPConnection("127.0.0.1", page.port, timeout=20)
    with contextlib.closing(line):
        line.request("GET", urlsplit(page.address).path)
        answer = line.getresponse()
        body = answer.read().decode()
    assert answer.status == 200 and "<canvas" in body and "new WebSocket" in body and "/* page." not in body
    assert "http://" not in body and "https://" not in body and "src=" not in body and "@import" not in body
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy and "unsafe" not in policy
    assert f"connect-src ws://127.0.0.1:{page.port};" in policy
    assert answer.headers["Referrer-Policy"] == "no-referrer" and answer.headers["Cache-Control"] == "no-store"


def test_a_wrong_secret_opens_nothing(page: Page) -> None:
    for path in ("/", "/page.js", "/etc/passwd", f"/{Keys('0' * 32).hand}/", urlsplit(page.address).path + "../"):
        assert get(page, path)[0] == 404
    with pytest.raises(InvalidStatus) as refused:
        Viewer(page.address.replace(urlsplit(page.address).path, f"/{'0' * 32}/"))
    assert refused.value.response.status_code == 404


def test_a_foreign_origin_and_a_foreign_host_are_refused(page: Page) -> None:
    with pytest.raises(InvalidStatus) as refused:
        Viewer(page.address, origin="http://evil.example")
    assert refused.value.response.status_code == 403
    path = urlsplit(page.address).path
    assert get(page, path, headers={"Host": "evil.example"})[0] == 421
    assert get(page, path, headers={"Origin": "http://evil.example"})[0] == 403


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS"])
def test_there_is_nothing_to_send_to(page: Page, method: str) -> None:
    try:
        status, _ = get(page, urlsplit(page.address).path, method)
    except (http.client.HTTPException, ConnectionError):
        return
    assert status >= 400


def test_only_the_loopback_address_listens(page: Page) -> None:
    with pytest.raises(OSError), socket.create_connection(("127.0.0.2", page.port), timeout=5):
        pass


def test_a_network_address_listens_beside_the_loopback() -> None:
    with Page(fresh_keys(), port=free_port(), lan="127.0.0.2") as page:
        assert urlsplit(page.address).hostname == "127.0.0.2"
        viewer = Viewer(page.address)
        viewer.until(role="hand")
        viewer.close()
        assert get(page, urlsplit(page.address).path)[0] == 200


def test_a_state_comes_to_every_viewer_and_buttons_come_back(page: Page) -> None:
    page.tell({"now": {"rpm": "1"}, "rows": [[1, 0, 1, "111"]]})
    one, two = Viewer(page.address), Viewer(page.look_only)
    one.until(now={"rpm": "1"}, role="hand", rows=[[1, 0, 1, "111"]])
    two.until(now={"rpm": "1"}, role="look", rows=[[1, 0, 1, "111"]])
    soon(lambda: page.viewers == 2)
    one.press("mark")
    pressed: list[str] = []
    soon(lambda: pressed.extend(page.pressed()) or pressed == ["mark"])
    one.close()
    two.close()
    soon(lambda: page.viewers == 0)


def test_one_screen_has_the_buttons_and_the_next_one_gets_them(page: Page) -> None:
    looker, first, second = Viewer(page.look_only), Viewer(page.address), Viewer(page.address)
    looker.until(role="look")
    first.until(role="hand")
    second.until(role="wait")
    for viewer in (looker, second):
        viewer.press("mark")
    first.press("next")
    pressed: list[str] = []
    soon(lambda: pressed.extend(page.pressed()) or "next" in pressed)
    first.close()
    second.until(role="hand")
    second.press("back")
    soon(lambda: pressed.extend(page.pressed()) or "back" in pressed)
    assert pressed == ["next", "back"] and looker.have["role"] == "look"
    looker.close()
    second.close()


def test_a_screen_that_comes_again_takes_its_own_place(page: Page) -> None:
    first = Viewer(page.address, name="a" * 16)
    first.until(role="hand")
    other = Viewer(page.address)
    other.until(role="wait")
    again = Viewer(page.address, name="a" * 16)
    again.until(role="hand")
    assert first.code() == 1006
    soon(lambda: page.viewers == 2)
    again.close()
    other.close()


@pytest.mark.parametrize(
    "message",
    ["", "x", "[]", "3", "{}", '{"press": "rm -rf /"}', '{"press": 3}', '{"press": ["mark"]}',
     '{"open": "/etc/passwd"}',
     '{"press": "mark", "seen": 1}', '{"seen": "1"}', '{"seen": true}', "[" * 400, b"\x00\xff"],
)  # fmt: skip
def test_what_our_page_does_not_say_ends_the_connection(page: Page, message: str | bytes) -> None:
    viewer = Viewer(page.address)
    viewer.line.send(message)
    assert viewer.code() == 1008
    assert page.pressed() == []


def test_an_oversized_frame_ends_the_connection(page: Page) -> None:
    viewer = Viewer(page.address)
    viewer.line.send(json.dumps({"press": "x" * MOST_BYTES}))
    assert viewer.code() == 1009
    with socket.create_connection(("127.0.0.1", page.port), timeout=20) as raw:
        with contextlib.suppress(OSError):
            raw.sendall(b"GET /" + b"x" * 200_000)
        raw.settimeout(20)
        with contextlib.suppress(ConnectionError):
            while raw.recv(65536):
                pass
    assert get(page, urlsplit(page.address).path)[0] == 200


def test_a_flood_of_presses_is_not_obeyed(page: Page) -> None:
    viewer = Viewer(page.address)
    viewer.until(role="hand")
    with contextlib.suppress(ConnectionClosed):
        for _ in range(500):
            viewer.press("next")
    assert viewer.code() == 1008
    assert len(page.pressed()) <= 2 * MOST_PRESSES_A_SECOND  # two seconds may have begun meanwhile


def turned_away(line: socket.socket) -> bool:
    """Whether the server ended this connection."""
    line.setblocking(False)
    try:
        return line.recv(1, socket.MSG_PEEK) == b""
    except BlockingIOError:
        return False
    except OSError:
        return True


def test_two_hundred_connections_leave_the_viewer_and_the_capture_alone(page: Page) -> None:
    page.tell({"now": 0})
    viewer = Viewer(page.address)
    viewer.until(now=0)
    idle = []
    for n in range(200):
        with contextlib.suppress(OSError):
            idle.append(socket.create_connection(("127.0.0.1", page.port), timeout=20))
        page.tell({"now": n + 1})
    viewer.until(now=200)
    # At once, not when their time is over: those that came first, and may stay that long, are still there.
    soon(lambda: all(map(turned_away, idle[MOST_STRANGERS_EACH:])) and not turned_away(idle[0]))
    for line in idle:
        line.close()
    soon(lambda: page.viewers == 1)
    page.tell({"now": "after"})
    viewer.until(now="after")
    viewer.close()


def test_only_so_many_screens(page: Page) -> None:
    viewers = [Viewer(page.look_only) for _ in range(MOST_VIEWERS)]
    soon(lambda: page.viewers == MOST_VIEWERS)
    with pytest.raises(InvalidStatus) as refused:
        Viewer(page.look_only)
    assert refused.value.response.status_code == 503
    viewers[0].close()
    soon(lambda: page.viewers == MOST_VIEWERS - 1)
    viewers[0] = Viewer(page.look_only)
    for viewer in viewers:
        viewer.until(role="look")
        viewer.close()


def test_a_slow_viewer_gets_the_latest_state_and_nobody_waits_for_it(page: Page) -> None:
    slow, quick = Viewer(page.address, acknowledge=False), Viewer(page.look_only)
    slow.until(role="hand")
    quick.until(role="look")
    for n in range(400):
        page.tell({"now": n, "rows": [[n, n, 1, "1" * 58]], "findings": [[n, "missing", "x" * 200, ""]]})
        quick.until(now=n)
    told = 0
    while slow.states < WINDOW:
        told = slow.hear().get("n", told)
    slow.hear()  # the beat, and no state more
    assert slow.states == WINDOW
    slow.line.send(json.dumps({"seen": told}))
    slow.have.clear()
    while "now" not in slow.have:
        slow.hear()
    assert slow.have["now"] == 399 and slow.states == WINDOW + 1
    assert [row[0] for row in slow.have["rows"]] == list(range(400 - MOST_ROWS, 400))
    assert [one[0] for one in slow.have["findings"]] == list(range(400 - MOST_FINDINGS, 400))
    slow.close()
    quick.close()


@pytest.mark.skipif(sys.platform == "win32", reason="a process cannot be halted there")
def test_a_server_that_hangs_holds_up_nothing_and_then_shows_the_latest(page: Page) -> None:
    viewer = Viewer(page.address)
    viewer.until(role="hand")
    os.kill(page.process_id, signal.SIGSTOP)
    for n in range(20_000):  # some 4 MB, far more than a pipe takes: whoever waited would wait for ever
        page.tell({"now": n, "rows": [[n, n, 1, "1" * 200]]})
    os.kill(page.process_id, signal.SIGCONT)
    viewer.until(now=19_999)
    viewer.close()


def test_the_age_of_what_is_shown_is_told_when_the_capture_stops(page: Page) -> None:
    page.tell({"now": 1})
    viewer = Viewer(page.address)
    while viewer.have.get("age", 0.0) < 1.5:  # grows, though the server is alive
        viewer.hear()
    page.tell({"now": 2})
    while viewer.have["age"] >= 1.5:
        viewer.hear()
    viewer.close()


def test_a_server_that_died_is_started_again_with_all_there_was(page: Page) -> None:
    page.tell({"now": "before", "rows": [[1, 0, 1, "1"]]})
    viewer = Viewer(page.address)
    viewer.until(now="before")
    run, process = viewer.have["run"], page.process_id
    os.kill(process, signal.SIGTERM)
    assert viewer.code() == 1006
    soon(lambda: page.process_id != process)

    def back() -> bool:
        nonlocal viewer
        with contextlib.suppress(OSError):
            viewer = Viewer(page.address)
            return True
        return False

    soon(back)
    viewer.until(now="before", run=run, rows=[[1, 0, 1, "1"]])
    page.tell({"now": "after"})
    viewer.until(now="after", role="hand")
    assert not page.gone
    viewer.close()


def test_a_server_that_dies_for_ever_is_given_up(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("toothwise.page.process.AGAIN_S", 0.0)
    monkeypatch.setattr("toothwise.page.process.STILL_ALIVE_S", 0.01)

    def killed() -> bool:
        with contextlib.suppress(OSError):
            os.kill(page.process_id, signal.SIGTERM)
        return page.gone

    soon(killed)
    assert page._starts == MOST_STARTS + 1
    page.tell({"now": 1})


def test_the_end_is_told(page: Page) -> None:
    viewer = Viewer(page.address, acknowledge=False)
    viewer.until(role="hand")
    page.tell({"now": "last"})
    page.close()
    viewer.until(now="last")
    assert viewer.code() == 1001 and viewer.line.close_reason == "ended"
    page.close()


def test_a_port_that_is_taken() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(FileTrouble, match=r"port .* Name another port: --page"):
            Page(fresh_keys(), port=port, exact=True)
        with Page(fresh_keys(), port=port) as page:
            assert page.port != port
            assert get(page, urlsplit(page.address).path)[0] == 200


@pytest.mark.skipif(sys.platform == "win32", reason="a process cannot be killed so there")
def test_the_server_ends_when_the_command_was_killed(tmp_path: Path) -> None:
    port = free_port()
    line = [sys.executable, "-m", "tests.page.stage", "watch", "--wheel", "36-1", "--plain", "--page", str(port)]
    environment = {**os.environ, "XDG_STATE_HOME": str(tmp_path), "TOOTHWISE_BOOK": str(tmp_path / "book.sqlite")}
    with subprocess.Popen(
        line, env=environment, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    ) as command:
        assert command.stderr is not None
        viewer = Viewer(command.stderr.readline().decode().split()[-1])
        viewer.until(role="hand")
        command.kill()
    assert viewer.code() == 1001

    def gone() -> bool:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=5).close()
        except OSError:
            return True
        return False

    soon(gone)


def test_the_secret_is_not_in_the_command_line(page: Page) -> None:
    try:
        with open(f"/proc/{page.process_id}/cmdline", "rb") as file:  # noqa: PTH123
            line = file.read()
    except OSError:
        pytest.skip("no /proc here")
    assert b"toothwise.page" in line and urlsplit(page.address).path.strip("/").encode() not in line
