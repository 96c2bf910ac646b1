"""The live recorder: takes batches without ever making the capture wait, and commits them twice a second.

    recorder = book.start_recording(clock, channels, source)
    recorder.add(batch)            # returns at once, never raises for the book's sake
    recorder.trouble               # None, or the BookTrouble that keeps it from writing now
    recorder.finish(result)        # last commit; raises BookTrouble if something could not be written

One of five things happens to a batch:

- it is committed within a second;
- the book is locked, its disk full or unplugged: `trouble` says so, the batch waits packed in memory, and
  every second another attempt is made until all that waited is committed;
- more than MOST_WAITING_BYTES wait: the batch is dropped, `dropped_batches` counts it, and once the book
  takes data again the time is in it as a blind stretch with the reason `book`;
- the book does not come back before the end: what waited is kept in a book of its own (rescue.py);
- the program is killed: at most the last COMMIT_EVERY_S before the kill are gone, and the recording reads as
  cut short.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

from toothwise.book.rescue import rescue, rescued
from toothwise.book.store import Store
from toothwise.book.times import now_utc
from toothwise.book.writer import Lot, Writer
from toothwise.edges.signal import Batch, Blind, Clock
from toothwise.errors import BookTrouble
from toothwise.records import Event

COMMIT_EVERY_S = 0.5
RETRY_EVERY_S = 1.0
LAST_TRIES_S = 15.0
SLOW_S = 6.0
"""A commit that takes longer is told; a book locked by another program is given up before."""
MOST_WAITING_BYTES = 64 << 20
_EDGE_BYTES = 9  # tick and level in memory, before they are packed


class Recorder:
    """One running recording. `add`, `event`, `mark` and `note` may be called from any one thread."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        channels: Sequence[str],
        source: Mapping[str, Any],
        job: int | None = None,
        settings: Mapping[str, Any] | None = None,
        *,
        rescue_at: Path,
        most_waiting_bytes: int = MOST_WAITING_BYTES,
    ) -> None:
        self._clock, self._channels, self._source, self._settings = clock, channels, source, settings or {}
        self._writer = Writer(store, clock, channels, source, job, self._settings)
        self._rescue_at = rescue_at
        self._where = store.where
        self._is_file = store.is_sqlite
        self._most_waiting = most_waiting_bytes
        self._wake = threading.Condition()
        self._incoming: list[Batch] = []
        self._incoming_bytes = 0
        self._rows = Lot()
        self._waiting: list[Lot] = []
        self._waiting_bytes = 0
        self._until_tick: int | None = None
        self._lost: list[Blind] = []
        self._stopping = False
        self._defect: BookTrouble | None = None
        self._failure: Exception | None = None
        self._trouble: BookTrouble | None = None
        self._writing_since: float | None = None
        self._result: Mapping[str, Any] | None = None
        self._given_up = False
        self.dropped_batches = 0
        self._thread = threading.Thread(target=self._run, name="book", daemon=True)
        self._thread.start()

    @property
    def id(self) -> int:
        """The recording's number in the book."""
        return self._writer.id

    @property
    def trouble(self) -> BookTrouble | None:
        """What keeps it from writing now; None where nothing does."""
        since = self._writing_since
        took = 0.0 if since is None else time.monotonic() - since
        return self._slow(took) if took > SLOW_S else self._trouble

    def add(self, batch: Batch) -> None:
        """Take a batch. Its arrays must not be changed afterwards."""
        size = _EDGE_BYTES * sum(map(len, batch.edges.values()))
        with self._wake:
            if self._waiting_bytes + self._incoming_bytes + size > self._most_waiting:
                self._drop(batch)
                return
            if self._lost:
                batch = Batch(batch.until_tick, batch.edges, (*self._lost, *batch.blind))
                self._lost = []
            self._incoming.append(batch)
            self._incoming_bytes += size
            self._until_tick = batch.until_tick

    def _drop(self, batch: Batch) -> None:
        self.dropped_batches += 1
        start = self._until_tick
        if start is None:  # nothing was ever kept: the loss begins with the first thing known
            start = min((int(e.ticks[0]) for e in batch.edges.values() if len(e)), default=batch.until_tick)
        if self._lost:
            start = min(start, self._lost[0].start_tick)
        stop = max(batch.until_tick, *(int(e.ticks[-1]) + 1 for e in batch.edges.values() if len(e)), start)
        later = [stretch for stretch in batch.blind if stretch.end_tick > stop]
        self._lost = [Blind(start, stop, "book"), *later]
        self._until_tick = batch.until_tick

    def event(self, event: Event) -> None:
        """Keep an event found live; an examination's result replaces them all."""
        with self._wake:
            self._rows.events.append(event)

    def mark(self, tick: int, place: str) -> None:
        """From this tick on, the hands were at `place`."""
        with self._wake:
            self._rows.marks.append((tick, place))

    def note(self, text: str) -> None:
        """A line of text with the present time."""
        with self._wake:
            self._rows.notes.append((now_utc(), text))

    def finish(self, result: Mapping[str, Any] | None = None) -> None:
        """Commit what is left, with the examination's result, and end the recording.

        Raises BookTrouble if not everything could be written; what was committed stays, and the rest is kept in a
        book of its own in the folder `rescue_at` where that can be done: the trouble's step says which. A second
        call does nothing.
        """
        with self._wake:
            if self._stopping:
                return
            self._stopping, self._result = True, result
            self._wake.notify()
        with contextlib.suppress(KeyboardInterrupt):  # one who cannot wait gets the rest beside the book
            self._thread.join(None if self._is_file else LAST_TRIES_S + SLOW_S)
        with self._wake:
            self._given_up = self._thread.is_alive()
        if self._given_up:
            self._pack_incoming()
            raise self._rescued(self.trouble or self._slow(LAST_TRIES_S))
        self._trouble = self._defect
        if self._failure:
            raise self._failure

    def _write_last(self) -> Exception | None:
        """The last commit: a server that is just being started again is waited for, and if it does not come, the
        end of the recording is kept on this computer."""
        with self._wake:
            if self._lost and self._until_tick is not None:
                self._incoming.append(Batch(self._until_tick, {}, tuple(self._lost)))
        end = time.monotonic() + LAST_TRIES_S
        while True:
            try:
                self._write(ended=True)
                return self._defect
            except BookTrouble as trouble:
                self._trouble = trouble
                if self._is_file or time.monotonic() > end:
                    return self._rescued(trouble)
                time.sleep(RETRY_EVERY_S)
            except Exception as error:
                return error

    def _rescued(self, trouble: BookTrouble) -> BookTrouble:
        if not any(lot.chunks for lot in self._waiting):
            return trouble
        path = self._rescue_at / f"rescued-{self._writer.uid}.sqlite"
        source = {**self._source, "end_of": {"book": self._where, "recording": self.id}}
        try:
            number = rescue(path, self._waiting, self._clock, self._channels, source, self._settings, self._result)
        except BookTrouble:
            return trouble
        return rescued(trouble, self.id, number, path)

    def __enter__(self) -> Recorder:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.finish()

    def _run(self) -> None:
        pause = COMMIT_EVERY_S
        while True:
            with self._wake:
                self._wake.wait_for(lambda: self._stopping, pause)
                if self._stopping:
                    break
            began = time.monotonic()
            try:
                self._write()
                self._trouble = self._defect
                # A slow commit must not delay the next one too; a book that is busy all the time gets some rest.
                pause = max(COMMIT_EVERY_S / 5, COMMIT_EVERY_S - (time.monotonic() - began))
            except BookTrouble as trouble:
                self._trouble = trouble
                pause = RETRY_EVERY_S
            except Exception as error:  # a defect must not end the recording silently: it stays till the end
                self._trouble = self._defect = BookTrouble(
                    f"A part of the recording could not be kept in the book {self._where}",
                    cause=f"{type(error).__name__}: {error}",
                    step="Stop and start again; what was committed is safe",
                )
                pause = RETRY_EVERY_S

        self._failure = self._write_last()

    def _write(self, *, ended: bool = False) -> None:
        self._pack_incoming()
        if not self._waiting and not ended:
            return
        self._writing_since = time.monotonic()
        try:
            self._writer.write(self._waiting, ended=ended, result=self._result if ended else None)
        finally:
            self._writing_since = None
        with self._wake:
            if not self._given_up:
                self._waiting, self._waiting_bytes = [], 0

    def _slow(self, seconds: float) -> BookTrouble:
        return BookTrouble(
            f"The book {self._where} has not answered for {seconds:.0f} s",
            cause="The server, the network or the disk stands still",
            step="Wait, or look after it; the recording goes on",
        )

    def _pack_incoming(self) -> None:
        with self._wake:
            batches, lot = self._incoming, self._rows
            self._incoming, self._rows = [], Lot()
        self._writer.add(lot, batches)
        with self._wake:
            self._incoming_bytes = _EDGE_BYTES * sum(len(e) for b in self._incoming for e in b.edges.values())
            if lot:
                self._waiting.append(lot)
                self._waiting_bytes += lot.size
