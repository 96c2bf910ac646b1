"""The screens that look on: what each was sent already, and which one of them has the buttons."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import Callable
from typing import Any

from websockets.asyncio.server import ServerConnection
from websockets.exceptions import ConnectionClosed

from toothwise.page.shown import Shown

MOST_VIEWERS = 8
WINDOW = 3
"""States a viewer may have been sent without having said that it drew them. A slow one so waits with its next state
here, where the state stays new, and not in the network's buffers, where it would grow old."""
MOST_PRESSES_A_SECOND = 8
PRESSES = frozenset({"wiggle", "next", "back", "mark", "mute", "sound"})


class Viewer:
    """One screen. hand: its address may press buttons. name: its own, so that it is known when it comes again."""

    def __init__(self, connection: ServerConnection, shown: Shown, *, name: str, hand: bool) -> None:
        self.connection = connection
        self.name = name
        self.hand = hand
        self.role = ""
        self._shown = shown
        self._cursor = 0
        self._unseen: list[int] = []
        self._extras: dict[str, Any] = {}
        self._wake = asyncio.Event()
        self._second, self._presses = 0.0, 0

    @property
    def behind(self) -> bool:
        """Whether there is something newer than it was sent."""
        return self._shown.serial > self._cursor

    def tell(self, **extras: Any) -> None:
        """Something besides the state, with the next message; only the newest of a name is kept."""
        self._extras |= extras
        self._wake.set()

    def wake(self) -> None:
        self._wake.set()

    async def send(self) -> None:
        """For as long as it is there: what changed since the last time, as fast as it takes it."""
        try:
            while True:
                await self._wake.wait()
                self._wake.clear()
                news: dict[str, Any] = {}
                if len(self._unseen) < WINDOW and self.behind:
                    news = self._shown.since(self._cursor)
                    self._cursor = self._shown.serial
                    news["n"] = self._cursor
                    self._unseen.append(self._cursor)
                news |= self._extras
                self._extras = {}
                if news:
                    await self.connection.send(json.dumps(news, separators=(",", ":")))
        except ConnectionClosed:
            pass

    def saw(self, serial: int) -> bool:
        """It drew this state. False where it was sent no such state, or has said so already."""
        sent = serial in self._unseen
        self._unseen = [n for n in self._unseen if n > serial]
        self._wake.set()
        return sent

    def may_press(self) -> bool:
        """Whether one more press is no flood."""
        now = time.monotonic()
        if now - self._second >= 1.0:
            self._second, self._presses = now, 0
        self._presses += 1
        return self._presses <= MOST_PRESSES_A_SECOND


class Crowd:
    """All viewers. The first one whose address may press has the buttons; when it is gone the next one has them."""

    def __init__(self, shown: Shown, say: Callable[[dict[str, Any]], None]) -> None:
        self._shown = shown
        self._say = say
        self._viewers: list[Viewer] = []
        self.age_s = 0.0

    def full(self, name: str) -> bool:
        return len(self._viewers) >= MOST_VIEWERS and all(viewer.name != name for viewer in self._viewers)

    async def join(self, viewer: Viewer) -> None:
        """A screen that comes again before its lost connection was noticed takes its own place."""
        for at, old in enumerate(self._viewers):
            if old.name == viewer.name and old.hand == viewer.hand:
                self._viewers[at] = viewer
                old.connection.transport.abort()
                break
        else:
            self._viewers.append(viewer)
        self._changed()
        viewer.wake()

    def leave(self, viewer: Viewer) -> None:
        if viewer in self._viewers:
            self._viewers.remove(viewer)
            self._changed()

    async def caught_up(self, wait_s: float) -> None:
        """When every viewer was sent the newest state, or after so long."""
        end = time.monotonic() + wait_s
        while any(viewer.behind for viewer in self._viewers) and time.monotonic() < end:
            await asyncio.sleep(0.01)

    async def close(self, code: int, reason: str) -> None:
        await asyncio.gather(*(viewer.connection.close(code, reason) for viewer in self._viewers))

    def wake(self, *, beat: bool = False) -> None:
        for viewer in self._viewers:
            if beat:
                viewer.tell(age=round(self.age_s, 1))
            else:
                viewer.wake()

    def hear(self, viewer: Viewer, message: str | bytes) -> bool:
        """What a page says; False, which ends the connection, where ours would not say it."""
        try:
            said = json.loads(message) if isinstance(message, str) else None
        except (ValueError, RecursionError):
            said = None
        if not isinstance(said, dict) or len(said) != 1:
            return False
        (name, value), *_ = said.items()
        if name == "seen" and type(value) is int:
            return viewer.saw(value)
        if name == "press" and isinstance(value, str) and value in PRESSES and viewer.may_press():
            if viewer.role == "hand":  # else it lost the buttons a moment ago
                self._say({"press": value})
            return True
        return False

    def _changed(self) -> None:
        holder = next((viewer for viewer in self._viewers if viewer.hand), None)
        for viewer in self._viewers:
            role = "hand" if viewer is holder else "wait" if viewer.hand else "look"
            if role != viewer.role:
                viewer.role = role
                viewer.tell(role=role)
        self._say({"viewers": len(self._viewers)})
