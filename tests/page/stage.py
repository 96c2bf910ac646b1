"""What the tests of the page play on it: made edges, a rig that paces them, and a server on a port of its own.

    python -m tests.page.stage watch --wheel 36-1 --page 8750

runs the command on that rig in real time: a 36-1 wheel at 1,200 rpm with a tooth missing now and then.
"""

from __future__ import annotations

import socket
import sys
import time
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from toothwise.edges.signal import Batch, Clock, Edges, Held
from toothwise.examine import Examination
from toothwise.link.hello import Hello
from toothwise.page.feed import WatchFeed
from toothwise.wheel import catalogue

from tests.cli.rigs import FakeRig

CLOCK = Clock(16.0)
SLOTS, TEETH, TURN_S = 36, 35, 0.05
STEP_S = 0.05
GONE_EVERY_S, EXTRA_EVERY_S = 1.0, 1.7


def edges(seconds: float, *, healthy: bool = False) -> Held:
    """A 36-1 wheel; every second one tooth is not there, and now and then there is a pulse in the middle of a slot."""
    turns = int(seconds / TURN_S)
    starts = (np.arange(turns)[:, None] + np.arange(TEETH)[None, :] / SLOTS).ravel() * TURN_S
    long = 0.4 / SLOTS * TURN_S
    extra = np.empty(0)
    if not healthy:
        gone = np.arange(0.5, seconds, GONE_EVERY_S)
        starts = np.delete(starts, np.clip(np.searchsorted(starts, gone), 0, len(starts) - 1))
        first = starts[np.searchsorted(starts, np.arange(0.9, seconds - TURN_S, EXTRA_EVERY_S))]
        extra = first + 0.7 / SLOTS * TURN_S
    rising = np.concatenate([starts, extra])
    falling = np.concatenate([starts + long, extra + 0.05 / SLOTS * TURN_S])
    times = np.concatenate([rising, falling])
    levels = np.concatenate([np.ones(len(rising), np.uint8), np.zeros(len(falling), np.uint8)])
    order = np.argsort(times, kind="stable")
    ticks = np.round(times[order] / (CLOCK.tick_ns * 1e-9)).astype(np.int64) + 1000
    return Held(CLOCK, {"crank": Edges(ticks, levels[order])}, CLOCK.ticks(seconds))


def batches(recording: Held) -> list[Batch]:
    out, step = [], CLOCK.ticks(STEP_S)
    for begin in range(0, recording.until_tick, step):
        parts = {}
        for name, whole in recording.edges.items():
            part = slice(*np.searchsorted(whole.ticks, (begin, begin + step)))
            parts[name] = Edges(whole.ticks[part], whole.levels[part])
        out.append(Batch(begin + step, parts))
    return out


class PacedRig(FakeRig):
    """Its batches come when they would from a board."""

    def __init__(self, recording: Held) -> None:
        super().__init__(recording, batches(recording))
        facts = {"channels": [{"name": name, "pin": n} for n, name in enumerate(self.channels)], "conductors": 0}
        self.hello = Hello(1, "1", "a board", 1, 62_500_000, self.channels, True, facts)

    def command(self, text: str, wait_s: float = 2.0) -> dict[str, str]:
        return {}

    def batches(self) -> Iterator[Batch]:
        began = time.monotonic()
        for batch in super().batches():
            time.sleep(max(0.0, began + CLOCK.span_s(batch.until_tick) - time.monotonic()))
            yield batch


class Told:
    """What stands in for a Page where no server is wanted: keeps what it was told."""

    def __init__(self) -> None:
        self.news: list[dict[str, Any]] = []

    def tell(self, news: dict[str, Any]) -> None:
        self.news.append(news)


def play(page: Any, until_s: float, *, title: str = "made rig", notice: str = "", healthy: bool = False) -> None:
    """Everything that `watch` would tell the page in so many seconds, at once."""
    feed = WatchFeed(page, CLOCK, name="watch", title=title)
    feed.notice = notice
    examination = Examination(CLOCK, ("crank",), catalogue.wheel("36-1"))
    for batch in batches(edges(until_s, healthy=healthy)):
        events = examination.feed(batch)
        feed.add(examination.wheel, examination.crank, examination.latest, events)
        feed.draw(examination.tally())


def free_port() -> int:
    """A port that nobody has just now."""
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        port: int = asked.getsockname()[1]
        return port


def main(arguments: Sequence[str]) -> int:
    """The command line, on the paced rig in place of a board."""
    from toothwise import cli, link

    rig = PacedRig(edges(120.0))
    link.open_rig = lambda *_, **__: rig  # type: ignore[assignment,return-value]
    return cli.main(arguments)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
