"""The rig's first words: what it is, how long its tick, which channels; and whether the two ends match."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from toothwise import __version__
from toothwise.edges.signal import CHANNELS, Clock
from toothwise.errors import FirmwareMismatch
from toothwise.link.frames import wire


@dataclass(frozen=True, slots=True)
class Hello:
    """A hello as `firmware/PROTOCOL.md` has it; `facts` is all of it, as it came."""

    protocol: int
    firmware: str
    board: str
    boot: int
    tick_hz: int
    channels: tuple[str, ...]
    capturing: bool
    facts: Mapping[str, Any]

    @property
    def clock(self) -> Clock:
        """Ticks of this rig; a live recording begins at 0."""
        return Clock(1e9 / self.tick_hz)

    @property
    def source(self) -> dict[str, Any]:
        """What the "source" object of a recording says of the rig."""
        return {
            "kind": "rig",
            "board": self.board,
            "firmware": self.firmware,
            "protocol": self.protocol,
            "capture": self.facts.get("capture"),
        }


def read_hello(payload: bytes, protocol: int) -> Hello:
    """A hello frame's payload, with the protocol number of its header.

    Raises ValueError where a hello of our own protocol lacks something; one of another protocol only needs to
    be named, so whatever it lacks is filled with nothing.
    """
    try:
        facts = wire.read_hello(payload)
    except RecursionError:
        raise ValueError("the hello is brackets within brackets") from None
    strange = protocol != wire.PROTOCOL
    try:
        return Hello(
            protocol=protocol,
            firmware=str(facts["firmware"]),
            board=str(facts["board"]),
            boot=int(facts["boot"]),
            tick_hz=_positive(facts["tick_hz"]),
            channels=_names(facts["channels"]),
            capturing=bool(facts["capturing"]),
            facts=facts,
        )
    except (KeyError, TypeError, ValueError, OverflowError) as error:
        if strange:
            firmware, board = str(facts.get("firmware", "?")), str(facts.get("board", "?"))
            return Hello(protocol, firmware, board, 0, 1, CHANNELS, False, facts)
        raise ValueError(f"the hello lacks or garbles {error}") from None


def _positive(value: Any) -> int:
    number = int(value)
    if number <= 0:
        raise ValueError("tick_hz")
    return number


def _names(channels: Any) -> tuple[str, ...]:
    names = tuple(str(channel["name"]) for channel in channels)
    if not names or len(set(names)) != len(names):
        raise ValueError("channels")
    return names


def require_match(hello: Hello, port: str) -> None:
    """Raise FirmwareMismatch, naming both versions, the board and the one command, unless protocols agree."""
    ours = wire.PROTOCOL
    if hello.protocol == ours:
        return
    older = hello.protocol < ours
    command = f"toothwise rig install {port}" if older else "python -m pip install --upgrade toothwise"
    raise FirmwareMismatch(
        f"The board {hello.board} on {port} has firmware {hello.firmware} (protocol {hello.protocol});"
        f" this is toothwise {__version__} (protocol {ours})",
        cause=f"The {'firmware' if older else 'toothwise on this computer'} is the older of the two",
        step=f"Run: {command}",
    )
