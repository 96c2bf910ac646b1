"""Who may come in: every request's host, secret and origin are looked at before anything else is done with it.

No part of a request is ever used as a file's name or a command. There are two addresses a secret opens, and no others.
"""

from __future__ import annotations

import hmac
import re
from collections.abc import Sequence
from dataclasses import dataclass

from toothwise.page.address import Keys

_PATH = re.compile(r"/([0-9a-f]{32})/(?:(live)\?id=([0-9a-f]{16}))?")


@dataclass(frozen=True, slots=True)
class Visit:
    """A request that may come in. hand: it may press buttons. viewer: the page's own name for itself, on the socket
    alone; empty where the page itself is asked for."""

    host: str
    hand: bool
    viewer: str


@dataclass(frozen=True, slots=True)
class Refusal:
    status: int
    why: str


def admit(path: str, host: Sequence[str], origin: Sequence[str], keys: Keys, hosts: frozenset[str]) -> Visit | Refusal:
    """One of five things: the page, the socket, or refused for its host, its secret or its origin.

    host, origin: all headers of that name, since one that comes twice is refused. The socket must have an origin, which
    every browser sends, and it must be this page; the page itself may be opened from anywhere.
    """
    if len(host) != 1 or host[0] not in hosts:
        return Refusal(421, "This is not the name of the page's machine.")
    match = _PATH.fullmatch(path)
    secret = match[1] if match else ""
    may_press = hmac.compare_digest(secret, keys.hand)
    may_look = hmac.compare_digest(secret, keys.look)
    if match is None or not (may_press or may_look):
        return Refusal(404, "There is nothing here. The whole address is on the terminal of toothwise.")
    same = list(origin) == [f"http://{host[0]}"]
    if not same and (match[2] or origin):
        return Refusal(403, "Another site's page may not look in here.")
    return Visit(host[0], may_press, match[3] or "")
