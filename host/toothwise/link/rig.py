"""An open rig: its line read by a thread of its own, its batches, notes and answers taken by the caller.

The reader never blocks on the caller, up to MOST_WAITING edges; then it stops reading, and the rig itself
counts and reports what it had to drop. When the reader ends, it says why: the error is raised to whoever
takes batches.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Any, TypeVar

from toothwise.edges.signal import Batch, Clock
from toothwise.errors import RigTrouble, Trouble
from toothwise.link.assemble import Assembler
from toothwise.link.frames import reasons
from toothwise.link.hello import Hello, require_match
from toothwise.link.line import Line, LineLost
from toothwise.link.notes import LinkStats, Note

HELLO_WAIT_S = 5.0
"""Opening a port may reset the board; it starts well within this."""
ASK_EVERY_S = 0.5
SILENT_AFTER_S = 1.5
REOPEN_EVERY_S = 0.25
READ_WAIT_S = 0.05
BATCH_WAIT_S = 0.1
_MOST_TEXT = 300
MOST_WAITING = 4_000_000
"""Edges that wait for the caller before reading pauses."""


_Found = TypeVar("_Found")


class Rig:
    """Satisfies `edges.signal.Recording`. Made by `open_rig`; a context manager, or closed by `close`."""

    def __init__(
        self,
        line: Line,
        reopen: Callable[[], Line] | None = None,
        *,
        ends_with_stream: bool = False,
        source_error: Callable[[], Exception | None] = lambda: None,
        on_close: Callable[[], None] | None = None,
        hello_wait_s: float = HELLO_WAIT_S,
    ) -> None:
        """Waits for the hello. Raises RigTrouble when none comes in time, FirmwareMismatch for another protocol."""
        self.port = line.name
        self._line: Line | None = line
        self._reopen = reopen
        self._source_error = source_error
        self._on_close = on_close
        self._assembler = Assembler(ends_with_stream=ends_with_stream)
        self._changed = threading.Condition()
        self._commanding = threading.Lock()
        self._batches: deque[Batch] = deque()
        self._waiting_edges = 0
        self._until_tick = 0
        self._stop = False  # asked to end
        self._over = False  # the reader has ended, and the last batch is there
        self._error: Exception | None = None
        self._asked = b""
        self._asked_s = 0.0
        self._heard_s = time.monotonic()
        self._text = b""  # what came before any frame
        self.trouble: RigTrouble | None = None
        """What is wrong with the line at the moment; None when all is well. The rig may come back."""
        self._thread = threading.Thread(target=self._run, name="link", daemon=True)
        self._thread.start()
        try:
            self.hello: Hello = self._await_hello(hello_wait_s)
        except BaseException:
            self.close()
            raise

    # What a recording has

    @property
    def clock(self) -> Clock:
        return self.hello.clock

    @property
    def channels(self) -> tuple[str, ...]:
        return self.hello.channels

    @property
    def source(self) -> dict[str, Any]:
        return {**self.hello.source, "port": self.port}

    @property
    def stats(self) -> LinkStats:
        """Counts of what came and what did not; read it at any time."""
        return self._assembler.stats

    @property
    def levels(self) -> dict[str, int]:
        """Each channel's level at the last heartbeat."""
        return {name: self._assembler.levels >> n & 1 for n, name in enumerate(self.channels)}

    def batches(self) -> Iterator[Batch]:
        """Live batches, at least ten a second, empty ones while nothing comes. Starts the capture.

        Ends in one of three ways: after `stop`, or once a replayed stream is over, with the last batch; with
        RigTrouble or another error when the reader ended or the rig is gone for good; never by itself while
        an unplugged rig may come back (`trouble` says so meanwhile).
        """
        with self._changed:
            self._assembler.may_begin = True
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._batches or self._over, BATCH_WAIT_S)
                batch = self._batches.popleft() if self._batches else None
                if batch is None and self._over:
                    error = self._source_error() or self._error
                    if error is not None:
                        raise error
                    return
                if batch is not None:
                    self._until_tick = batch.until_tick
                    self._waiting_edges -= _size(batch)
                    self._changed.notify_all()
            yield batch if batch is not None else Batch(self._until_tick)

    def take_notes(self) -> list[Note]:
        """Marks, contacts, faults and readings that came since the last call, oldest first."""
        with self._changed:
            notes, self._assembler.notes = self._assembler.notes, []
        return notes

    # Speaking to it

    def command(self, text: str, wait_s: float = 2.0) -> dict[str, str]:
        """Send a command line and wait for its answer; gives the answer's `key=value` words.

        Raises RigTrouble: refused (with the reason's hint), no answer in time, or no line.
        """
        name = text.split(maxsplit=1)[0]
        with self._commanding, self._changed:
            self._assembler.answers.clear()
            self._send(text)
            answer = self._await(lambda: _answer_to(name, self._assembler.answers), wait_s)
        if answer is None:
            raise RigTrouble(
                f"The rig on {self.port} did not answer '{text}'",
                cause="The line is gone or the board is stuck",
                step="Check the cable; press reset on the board",
            )
        words = answer.split()
        if words[1:2] != ["ok"]:
            raise self._refused(text, " ".join(words[2:]) or "no reason given")
        return dict(word.split("=", 1) for word in words[2:] if "=" in word)

    def say(self, text: str) -> None:
        """Send a command line and do not wait for its answer. Raises RigTrouble where there is no line."""
        with self._changed:
            self._send(text)

    def _refused(self, text: str, why: str) -> RigTrouble:
        hint = reasons.HINTS.get(why.split()[0], "")
        return RigTrouble(f"The rig on {self.port} refused '{text}': {why}", cause=hint)

    def stop(self) -> None:
        """End the capture: all that the rig captured is still delivered, then `batches` ends."""
        with contextlib.suppress(RigTrouble):
            self.command("stop")
            heard = self._assembler.heartbeats
            with self._changed:
                self._await(lambda: self._assembler.heartbeats > heard + 1 or None, 1.0)
        self._end()

    def close(self) -> None:
        """Stop reading and let go of the port. What waits can still be taken from `batches`."""
        self._end()
        line, self._line = self._line, None
        if line is not None:
            with contextlib.suppress(LineLost):
                line.write(b"stop\n")
            line.close()
        if self._on_close:
            on_close, self._on_close = self._on_close, None
            on_close()

    def __enter__(self) -> Rig:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def _end(self) -> None:
        with self._changed:
            self._stop = True
            self._changed.notify_all()
        self._thread.join()

    def _send(self, text: str) -> None:
        line = self._line
        if line is None:
            raise self.trouble or RigTrouble(f"The rig on {self.port} is gone")
        try:
            line.write(text.encode() + b"\n")
        except LineLost as lost:
            raise RigTrouble(f"The rig on {self.port} is gone", cause=str(lost), step="Check the cable") from None

    def _await(self, look: Callable[[], _Found | None], wait_s: float) -> _Found | None:
        """Wait, with the lock held, until `look` gives something, or until the reader ends."""
        end = time.monotonic() + wait_s
        while True:
            if self._error is not None:
                raise self._error
            found = look()
            left = end - time.monotonic()
            if found is not None or left <= 0 or self._over:
                return found
            self._changed.wait(left)

    def _await_hello(self, wait_s: float) -> Hello:
        with self._changed:
            hello = self._await(lambda: self._assembler.hello, wait_s)
        if hello is not None:
            return hello
        if b">>>" in self._text:
            cause = "It shows MicroPython's prompt: the firmware is not on it, or was stopped"
            step = f"Press reset on the board, or run: toothwise rig install {self.port}"
        elif self._text:
            cause = f"It wrote: {self._plain_text()}"
            step = f"If it is a board of yours, run: toothwise rig install {self.port}"
        else:
            cause = "Nothing that speaks our frames is on this port"
            step = f"Check that it is the right port; a new board needs: toothwise rig install {self.port}"
        raise RigTrouble(f"No hello came from {self.port} in {wait_s:g} seconds", cause=cause, step=step)

    def _plain_text(self) -> str:
        text = self._text.decode("ascii", "replace")
        return " ".join("".join(c if c.isprintable() else " " for c in text).split())

    # The reader

    def _run(self) -> None:
        try:
            while not self._stop:
                if self._line is None:
                    self._try_to_reopen()
                else:
                    self._read_once(self._line)
        except Trouble as trouble:
            self._error = trouble
        except Exception as error:  # a defect of ours must not end the reading silently
            self._error = RigTrouble(
                f"Reading from the rig on {self.port} ended",
                cause=f"{type(error).__name__}: {error}",
                step="Start again; what was recorded is kept",
            )
        finally:
            with self._changed:
                last = self._assembler.close(time.monotonic())
                if last is not None:
                    self._batches.append(last)
                self._over = True
                self._changed.notify_all()

    def _read_once(self, line: Line) -> None:
        try:
            data = line.read(READ_WAIT_S)
            self._ask(line, time.monotonic())
        except LineLost as lost:
            self._lose(line, str(lost))
            return
        now_s = time.monotonic()
        with self._changed:
            if data:
                self._take_in(data, now_s)
            elif now_s - self._heard_s > SILENT_AFTER_S and self._assembler.hello is not None:
                self.trouble = RigTrouble(
                    f"The rig on {self.port} is silent",
                    cause="The board is stuck, or its program was stopped",
                    step="Press reset on the board",
                )
            while self._waiting_edges > MOST_WAITING and not self._stop:
                self._changed.wait(READ_WAIT_S)

    def _take_in(self, data: bytes, now_s: float) -> None:
        assembler = self._assembler
        frames = assembler.stats.frames
        assembler.feed(data, now_s)
        if assembler.stats.frames > frames:
            self._heard_s = now_s
            self.trouble = None
        elif not assembler.stats.frames:
            self._text = (self._text + data)[-_MOST_TEXT:]
        if assembler.hello is not None:
            require_match(assembler.hello, self.port)
        if assembler.refusal is not None:
            raise self._refused("start", assembler.refusal)
        batch = assembler.take()
        if batch is not None:
            self._batches.append(batch)
            self._waiting_edges += _size(batch)
        if assembler.ended:
            self._stop = True
        self._changed.notify_all()

    def _ask(self, line: Line, now_s: float) -> None:
        """Say hello until the rig is known, start once batches are taken, knock when it is silent."""
        assembler = self._assembler
        if assembler.hello is None or now_s - self._heard_s > SILENT_AFTER_S:
            question = b"hello\n"
        elif assembler.wants_start and assembler.may_begin:
            question = b"start\n"
        else:
            return
        if question != self._asked or now_s - self._asked_s >= ASK_EVERY_S:
            line.write(question)
            self._asked, self._asked_s = question, now_s

    def _lose(self, line: Line, cause: str) -> None:
        line.close()
        with self._changed:
            self._line = None
            self._assembler.line_lost()
            self.trouble = RigTrouble(
                f"The rig on {self.port} is gone",
                cause=self._plain_text() or cause,
                step="Plug it in again; the recording goes on",
            )
            self._changed.notify_all()
        if self._reopen is None:
            raise self.trouble

    def _try_to_reopen(self) -> None:
        assert self._reopen is not None
        line: Line | None = None
        try:
            line = self._reopen()
            line.write(b"hello\n")
        except (RigTrouble, LineLost):
            if line is not None:
                line.close()
            with self._changed:
                self._changed.wait_for(lambda: self._stop, REOPEN_EVERY_S)
            return
        with self._changed:
            self._line = line
            self.port = line.name
            self._assembler.stats.reconnects += 1
            self._heard_s = self._asked_s = time.monotonic()


def _size(batch: Batch) -> int:
    return sum(map(len, batch.edges.values()))


def _answer_to(name: str, answers: list[str]) -> str | None:
    return next((answer for answer in answers if answer.split(maxsplit=1)[:1] == [name]), None)
