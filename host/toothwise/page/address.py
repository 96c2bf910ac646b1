"""Where the page is found: the secret in its address, the addresses of this machine, the names it answers to."""

from __future__ import annotations

import contextlib
import hashlib
import ipaddress
import json
import os
import secrets
import socket
import time
from dataclasses import dataclass
from pathlib import Path

from toothwise.errors import FileTrouble

PORT = 8730
LOOPBACK = "127.0.0.1"
KEPT_S = 12 * 3600.0
"""A working day: so long a phone finds the page again by itself when the next command starts."""


@dataclass(frozen=True, slots=True)
class Keys:
    """The two secrets: `hand` may press the buttons, `look` may not. Who has `look` cannot work out `hand`."""

    hand: str

    @property
    def look(self) -> str:
        return hashlib.sha256(b"toothwise page, look only:" + self.hand.encode()).hexdigest()[:32]


def fresh_keys() -> Keys:
    """128 bits nobody can guess."""
    return Keys(secrets.token_hex(16))


def todays_keys(path: Path | None = None) -> Keys:
    """The keys of the working day, kept where only this user can read them; new ones when they are old, and when they
    cannot be kept."""
    path = path or _place()
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        kept = json.loads(path.read_text(encoding="utf-8"))
        if 0 <= time.time() - kept["made_s"] < KEPT_S and len(bytes.fromhex(kept["hand"])) == 16:
            return Keys(kept["hand"])
    keys = fresh_keys()
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump({"hand": keys.hand, "made_s": time.time()}, file)
    return keys


def _place() -> Path:
    import platformdirs

    return Path(platformdirs.user_state_dir("toothwise", appauthor=False)) / "page.json"


def own_address(wanted: str = "") -> str:
    """This machine's address in the network: the wanted one, else the one that other machines are reached from.

    Raises FileTrouble where there is none.
    """
    if wanted:
        return _checked(wanted)
    found = ""
    # Connecting a datagram socket sends nothing; it only picks the address that would be sent from. The destination
    # is one of those kept for documentation (RFC 5737).
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        asked.connect(("192.0.2.1", 9))
        found = asked.getsockname()[0]
    if not found:
        with contextlib.suppress(OSError):
            found = socket.gethostbyname(socket.gethostname())
    if not found or ipaddress.ip_address(found).is_loopback or ipaddress.ip_address(found).is_unspecified:
        raise FileTrouble(
            "This computer has no address in a network",
            cause="It is in none, or only in one that leads nowhere else",
            step="Join the workshop's network, or name this computer's address: --lan 192.168.4.1",
        )
    return found


def _checked(wanted: str) -> str:
    try:
        address = ipaddress.IPv4Address(wanted)
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as trial:
            trial.bind((str(address), 0))
    except ValueError:
        raise FileTrouble(f"--lan {wanted} is no IPv4 address", step="Write it as 192.168.4.1") from None
    except OSError:
        raise FileTrouble(
            f"{wanted} is not an address of this computer", step="Leave it out, or name one that this computer has"
        ) from None
    return str(address)


def hosts(addresses: list[str], port: int) -> frozenset[str]:
    """What a request may call this machine. Nothing else: a stranger's name that was made to point here is refused."""
    return frozenset(f"{name}:{port}" for name in (*addresses, "localhost"))
