"""Serves the page and its sockets from a process of its own, so that nothing a viewer does can slow the capture.

On standard input come the settings, then the news, a line of JSON each; on standard output go `ready` or `failed`, then
the buttons that were pressed and how many look on. When the input ends the viewers are told so, and it ends.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import signal
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any, TextIO

from websockets.asyncio.server import Server, ServerConnection, serve
from websockets.datastructures import Headers
from websockets.exceptions import ConnectionClosed
from websockets.http11 import Request, Response

from toothwise.page import gate, source
from toothwise.page.address import LOOPBACK, Keys, hosts
from toothwise.page.shown import Shown
from toothwise.page.viewer import Crowd, Viewer

MOST_STRANGERS, MOST_STRANGERS_EACH = 24, 6
"""Connections that have not shown the secret yet: in all, and from one address, so that nobody takes all places."""
PATIENCE_S = 5.0
"""How long a stranger may take."""
MOST_BYTES = 512
"""A message from a page is shorter than that."""
BEAT_S = 0.5
"""A viewer hears so often how old the news is."""
LAST_WORD_S = 0.2
"""So long the last news may take before the viewers are told that it is over."""
PORTS_TRIED = 20


@dataclass(frozen=True, slots=True)
class Settings:
    """port: the first to try; with `exact`, the only one. lan: a further address to be reached at, or empty."""

    hand: str
    run: str
    port: int
    lan: str = ""
    exact: bool = False

    @property
    def addresses(self) -> list[str]:
        return [LOOPBACK, *([self.lan] if self.lan else [])]


class Strangers:
    """The connections that have shown no secret yet. `come` says whether one more may."""

    def __init__(self) -> None:
        self._known: dict[ServerConnection, str] = {}

    def come(self, connection: ServerConnection, address: str) -> bool:
        counts = Counter(self._known.values())
        if len(self._known) >= MOST_STRANGERS or counts[address] >= MOST_STRANGERS_EACH:
            return False
        self._known[connection] = address
        return True

    def gone(self, connection: ServerConnection) -> None:
        self._known.pop(connection, None)

    def dismiss(self) -> None:
        """Wait for none of them."""
        for connection in list(self._known):
            connection.transport.abort()


class PageServer:
    """The page for one run of a command. `say` takes what is to be told to the capture."""

    def __init__(self, settings: Settings, say: Any) -> None:
        self._settings = settings
        self._keys = Keys(settings.hand)
        self._hosts: frozenset[str] = frozenset()
        self._say = say
        self._shown = Shown()
        self._shown.take({"run": settings.run})
        self._told_s = time.monotonic()
        self._strangers = Strangers()
        self.crowd = Crowd(self._shown, say)
        self._server: Server | None = None

    async def open(self) -> int:
        """Begin to serve; the port. Raises OSError where none is free."""
        last: OSError | None = None
        for port in range(self._settings.port, self._settings.port + (1 if self._settings.exact else PORTS_TRIED)):
            try:
                self._server = await serve(
                    self._visit,
                    self._settings.addresses,  # type: ignore[arg-type]  # asyncio, where it goes, takes several
                    port,
                    process_request=self._ask,
                    create_connection=self._connection(),
                    compression=None,  # states are small, and the other core is the capture's
                    max_size=MOST_BYTES,
                    max_queue=4,
                    write_limit=16384,
                    open_timeout=PATIENCE_S,
                    ping_interval=5,
                    ping_timeout=10,
                    close_timeout=1,
                    server_header=None,
                )
            except OSError as error:
                last = error
                continue
            self._hosts = hosts(self._settings.addresses, port)
            return port
        assert last is not None
        raise last

    async def close(self) -> None:
        """Tell the viewers that it is over, and end."""
        if self._server is not None:
            self._strangers.dismiss()
            await self.crowd.close(1001, "ended")
            self._server.close()
            await self._server.wait_closed()

    def take(self, news: dict[str, Any]) -> None:
        """News from the capture, with its age in seconds."""
        self._told_s = time.monotonic() - news.pop("age")
        if news:
            self._shown.take(news)
            self.crowd.wake()

    async def beat(self) -> None:
        """Say now and then how old the news is: a page that hears nothing at all knows that it is cut off."""
        while True:
            self.crowd.age_s = time.monotonic() - self._told_s
            self.crowd.wake(beat=True)
            await asyncio.sleep(BEAT_S)

    def _connection(self) -> type[ServerConnection]:
        strangers = self._strangers

        class Guest(ServerConnection):
            """Turned away before a byte is read where too many have not said who they are."""

            def connection_made(self, transport: asyncio.BaseTransport) -> None:
                peer = transport.get_extra_info("peername") or ("",)
                if not strangers.come(self, peer[0]):
                    assert isinstance(transport, asyncio.Transport)
                    transport.abort()
                super().connection_made(transport)

            def connection_lost(self, error: Exception | None) -> None:
                strangers.gone(self)
                super().connection_lost(error)

        return Guest

    def _ask(self, connection: ServerConnection, request: Request) -> Response | None:
        if getattr(request, "method", "GET") != "GET":  # older versions of the library refuse others themselves
            return _plain(405, "There is nothing to send to.")
        headers = request.headers
        told = gate.admit(request.path, headers.get_all("Host"), headers.get_all("Origin"), self._keys, self._hosts)
        if isinstance(told, gate.Refusal):
            return _plain(told.status, told.why)
        if not told.viewer:
            return Response(200, "OK", Headers(source.headers(told.host)), source.page())
        if self.crowd.full(told.viewer):
            return _plain(503, "Enough screens look on already.")
        self._strangers.gone(connection)
        connection.visit = told  # type: ignore[attr-defined]
        return None

    async def _visit(self, connection: ServerConnection) -> None:
        visit: gate.Visit = connection.visit  # type: ignore[attr-defined]
        viewer = Viewer(connection, self._shown, name=visit.viewer, hand=visit.hand)
        await self.crowd.join(viewer)
        sending = asyncio.create_task(viewer.send())
        try:
            async for message in connection:
                if not self.crowd.hear(viewer, message):
                    await connection.close(1008, "not understood")
                    break
        except ConnectionClosed:
            pass
        finally:
            self.crowd.leave(viewer)
            sending.cancel()
            await asyncio.gather(sending, return_exceptions=True)


def _plain(status: int, why: str) -> Response:
    body = f"{why}\n".encode()
    headers = {
        "Content-Type": "text/plain; charset=utf-8",
        "Content-Length": str(len(body)),
        "Connection": "close",
        "X-Content-Type-Options": "nosniff",
        "Cache-Control": "no-store",
    }
    return Response(status, HTTPStatus(status).phrase, Headers(headers), body)


async def _run(settings: Settings, lines: TextIO, say: Any) -> None:
    server = PageServer(settings, say)
    try:
        say({"ready": await server.open()})
    except OSError as error:
        say({"failed": str(error)})
        return
    loop = asyncio.get_running_loop()
    over = asyncio.Event()

    def read() -> None:
        for line in lines:
            loop.call_soon_threadsafe(server.take, json.loads(line))
        loop.call_soon_threadsafe(over.set)

    threading.Thread(target=read, name="news", daemon=True).start()
    beating = asyncio.create_task(server.beat())
    await over.wait()
    await server.crowd.caught_up(LAST_WORD_S)
    beating.cancel()
    await server.close()


def main() -> None:
    """The process: settings and news on standard input, what viewers do on standard output."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the command that started it ends it
    if hasattr(os, "nice"):
        os.nice(5)  # the capture comes first
    logging.getLogger("websockets").addHandler(logging.NullHandler())
    logging.getLogger("websockets").propagate = False

    def say(what: dict[str, Any]) -> None:
        try:
            sys.stdout.write(json.dumps(what) + "\n")
            sys.stdout.flush()
        except OSError:  # the command is gone; its end of the input follows
            pass

    settings = Settings(**json.loads(sys.stdin.readline()))
    asyncio.run(_run(settings, sys.stdin, say))
