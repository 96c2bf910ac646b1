"""What a live wiggle test sounds, and when: on the board and by the terminal's bell, different for each finding."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from toothwise.errors import RigTrouble

if TYPE_CHECKING:
    from toothwise.edges.signal import Batch
    from toothwise.link import Rig
    from toothwise.wiggle import Watching
    from toothwise.wiggle.disturbance import Disturbance

BELLS = {"missing": 1, "extra": 2, "feed": 3, "contact": 1, "open": 1, "short": 2}
"""How often the bell rings: its pitch is the terminal's own."""
BELL_S = 0.16
NEWS_S = 1.0
"""How long an alarm stands on the screen; another of its kind sounds after QUIET_S at the earliest."""
QUIET_S = 0.25
_SOUND_OF = {"missing": "missing", "silent": "missing", "extra": "extra", "moved": "extra"}


class Speaker:
    """Sends commands to the rig from a thread of its own: an answer that is late holds up nothing."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._waiting: queue.Queue[str | None] = queue.Queue(maxsize=8)
        self._thread = threading.Thread(target=self._run, name="wiggle sounds", daemon=True)
        self._thread.start()

    def say(self, command: str) -> None:
        with contextlib.suppress(queue.Full):  # then the board has enough to sound
            self._waiting.put_nowait(command)

    def close(self) -> None:
        with contextlib.suppress(queue.Full):
            self._waiting.put(None, timeout=1.0)
        self._thread.join(3.0)

    def _run(self) -> None:
        while (command := self._waiting.get()) is not None:
            with contextlib.suppress(RigTrouble):  # the loop tells of a rig that is gone
                self._rig.command(command)


class Alarms:
    """From what a batch decided to sounds.

    At rest and in continuity the board sounds of itself, and the host only rings: the first edge is enough.
    """

    def __init__(self, speaker: Speaker, ring: Callable[[], None]) -> None:
        self._speaker = speaker
        self._ring = ring
        self.muted = False
        self._bells: list[float] = []
        self._sounded: dict[str, float] = {}
        self.sounded = 0
        """How many alarms there were."""
        self._last = ""
        self._last_s = 0.0
        self._feed_low = False

    def mute(self, muted: bool) -> None:
        self.muted = muted
        self._speaker.say(f"mute {'on' if muted else 'off'}")

    def hear(self, watching: Watching, batch: Batch, found: Sequence[Disturbance]) -> None:
        by_board = watching.mode in ("rest", "continuity")
        if by_board:  # at the first edge, not when it is over
            names = [self._at_rest(watching.mode, name) for name, edges in batch.edges.items() if len(edges)]
            names += ["short" for part in found if part.kind == "short"]
        else:
            names = ["feed" if part.channel == "feed" else _SOUND_OF.get(part.kind, "contact") for part in found]
            if watching.feed_low and not self._feed_low:
                names.append("feed")
        self._feed_low = watching.feed_low
        for name in dict.fromkeys(names):
            self._sound(name, by_board)

    @staticmethod
    def _at_rest(mode: str | None, channel: str) -> str:
        return "open" if mode == "continuity" else "feed" if channel == "feed" else "contact"

    def _sound(self, name: str, by_board: bool) -> None:
        now = time.monotonic()
        self._last, self._last_s = name, now
        if now - self._sounded.get(name, -QUIET_S) < QUIET_S:
            return
        self._sounded[name] = now
        self.sounded += 1
        if not by_board:
            self._speaker.say(f"beep {name}")
        if not self.muted:
            begin = max([now, *(bell + BELL_S for bell in self._bells)])
            self._bells += [begin + BELL_S * i for i in range(BELLS[name])]

    def ring_due(self) -> None:
        """Ring what is due by now."""
        now = time.monotonic()
        due = [bell for bell in self._bells if bell <= now]
        self._bells = [bell for bell in self._bells if bell > now][: max(BELLS.values())]
        if due:
            self._ring()

    @property
    def news(self) -> str:
        """The last alarm, while it is news."""
        return self._last if time.monotonic() - self._last_s < NEWS_S else ""
