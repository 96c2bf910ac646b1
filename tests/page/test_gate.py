"""Who may come in, and by which address."""

from __future__ import annotations

import json
import stat
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.errors import FileTrouble
from toothwise.page import address
from toothwise.page.address import Keys, fresh_keys, hosts, own_address, todays_keys
from toothwise.page.gate import Refusal, Visit, admit

KEYS = Keys("0123456789abcdef" * 2)
HOSTS = hosts(["127.0.0.1", "192.168.4.1"], 8730)
HOST, ORIGIN = "192.168.4.1:8730", "http://192.168.4.1:8730"
SOCKET = f"/{KEYS.hand}/live?id=00112233aabbccdd"


def ask(path: str, host: object = HOST, origin: object = ORIGIN) -> Visit | Refusal:
    one = [host] if isinstance(host, str) else list(host)  # type: ignore[call-overload]
    return admit(path, one, [origin] if isinstance(origin, str) else list(origin), KEYS, HOSTS)  # type: ignore[call-overload]


def test_the_page_and_the_socket_may_be_asked_for() -> None:
    assert ask(f"/{KEYS.hand}/", origin=()) == Visit(HOST, True, "")
    assert ask(f"/{KEYS.look}/", origin=()) == Visit(HOST, False, "")
    assert ask(SOCKET) == Visit(HOST, True, "00112233aabbccdd")
    assert ask(SOCKET.replace(KEYS.hand, KEYS.look)) == Visit(HOST, False, "00112233aabbccdd")
    assert isinstance(ask(SOCKET, "localhost:8730", "http://localhost:8730"), Visit)


@pytest.mark.parametrize(
    "host",
    ["", "evil.example", "evil.example:8730", "192.168.4.1", "192.168.4.1:80", "192.168.4.2:8730", (), (HOST, HOST)],
)
def test_a_strange_host_is_refused_even_with_the_secret(host: object) -> None:
    origin = f"http://{host}" if isinstance(host, str) else ORIGIN
    told = ask(SOCKET, host, origin)
    assert isinstance(told, Refusal) and told.status == 421


@pytest.mark.parametrize(
    "origin",
    ["null", "", "http://evil.example", "https://192.168.4.1:8730", "http://192.168.4.1", "http://localhost:8730",
     "http://192.168.4.1:8730.evil.example", (), (ORIGIN, ORIGIN)],
)  # fmt: skip
def test_a_foreign_origin_is_refused_on_the_socket(origin: object) -> None:
    told = ask(SOCKET, origin=origin)
    assert isinstance(told, Refusal) and told.status == 403


def test_a_foreign_sites_request_for_the_page_is_refused() -> None:
    told = ask(f"/{KEYS.hand}/", origin="http://evil.example")
    assert isinstance(told, Refusal) and told.status == 403


@pytest.mark.parametrize(
    "path",
    ["/", "", "/live?id=00112233aabbccdd", f"/{KEYS.hand}", f"/{KEYS.hand[:-1]}/", f"/{KEYS.hand}0/",
     f"/{KEYS.hand.upper()}/", f"/{KEYS.hand}/../../etc/passwd", f"/{KEYS.hand}/page.js", f"/{KEYS.hand}//",
     f"/{KEYS.hand}/live", f"/{KEYS.hand}/live?id=x", SOCKET + "0", SOCKET + "&file=/etc/passwd",
     f"/{KEYS.hand}/%2e%2e/",
     f"/{KEYS.hand}/\n", f"//{KEYS.hand}/", f"/{'0' * 32}/"],
)  # fmt: skip
def test_every_other_path_is_nothing(path: str) -> None:
    told = ask(path)
    assert isinstance(told, Refusal) and told.status == 404


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=80) | st.from_regex(r"/[0-9a-f]{32}/(live\?id=[0-9a-f]{16})?", fullmatch=True))
def test_nobody_comes_in_without_the_secret(path: str) -> None:
    assert isinstance(ask(path), Refusal)


def test_the_two_secrets_are_long_and_tell_nothing_of_each_other() -> None:
    many = [fresh_keys() for _ in range(100)]
    assert len({keys.hand for keys in many} | {keys.look for keys in many}) == 200
    assert all(len(bytes.fromhex(secret)) == 16 for keys in many for secret in (keys.hand, keys.look))


def test_the_secret_lasts_a_working_day(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "state" / "page.json"
    first = todays_keys(place)
    assert todays_keys(place) == first
    now = time.time()
    monkeypatch.setattr(address.time, "time", lambda: now + address.KEPT_S + 1)
    assert todays_keys(place) != first


@pytest.mark.skipif(sys.platform == "win32", reason="Windows keeps a user's folder to the user")
def test_nobody_else_may_read_the_secret(tmp_path: Path) -> None:
    place = tmp_path / "page.json"
    place.write_text("{}")
    place.chmod(0o644)
    todays_keys(place)
    assert stat.S_IMODE(place.stat().st_mode) == 0o600


@pytest.mark.parametrize("kept", ["", "{", "[]", '{"hand": 3, "made_s": 1}', '{"hand": "zz", "made_s": 9e99}', "null"])
def test_a_spoilt_file_gives_a_new_secret(tmp_path: Path, kept: str) -> None:
    place = tmp_path / "page.json"
    place.write_text(kept)
    keys = todays_keys(place)
    assert len(keys.hand) == 32 and json.loads(place.read_text())["hand"] == keys.hand


def test_a_secret_that_cannot_be_kept_still_is_one(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    place = tmp_path / "file" / "page.json"
    assert len(todays_keys(place).hand) == 32


def test_own_addresses() -> None:
    assert own_address("127.0.0.1") == "127.0.0.1"
    with pytest.raises(FileTrouble, match="no IPv4 address"):
        own_address("garage")
    with pytest.raises(FileTrouble, match="not an address of this computer"):
        own_address("192.0.2.77")  # kept for documentation (RFC 5737): nobody has it
