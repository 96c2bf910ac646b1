"""A rig that is not there: batches from memory, for tests of commands rather than of the link."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from toothwise.edges.signal import Batch, Held
from toothwise.errors import RigTrouble
from toothwise.link import Note


class FakeRig:
    """What a command uses of `link.Rig`. `breaks`: raised after the last batch, as when the rig is gone for good."""

    def __init__(self, recording: Held, batches: Sequence[Batch], *, breaks: BaseException | None = None) -> None:
        self.clock = recording.clock
        self.channels = recording.channels
        self.source: dict[str, Any] = {"kind": "rig", "board": "a board of the tests", "port": "nowhere"}
        self.port = "nowhere"
        self.trouble: RigTrouble | None = None
        self.notes: list[Note] = []
        self._batches = batches
        self._breaks = breaks

    def batches(self) -> Iterator[Batch]:
        yield from self._batches
        if self._breaks is not None:
            raise self._breaks

    def take_notes(self) -> list[Note]:
        notes, self.notes = self.notes, []
        return notes

    def __enter__(self) -> FakeRig:
        return self

    def __exit__(self, *raised: object) -> None:
        pass
