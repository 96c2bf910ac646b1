"""The end of a recording that its book did not take: kept in a small book of this computer rather than lost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

from toothwise.book.store import Store, address_of
from toothwise.book.writer import Lot, Writer
from toothwise.edges.signal import Clock
from toothwise.errors import BookTrouble


def rescue(
    path: Path,
    lots: Sequence[Lot],
    clock: Clock,
    channels: Sequence[str],
    source: Mapping[str, Any],
    settings: Mapping[str, Any],
    result: Mapping[str, Any] | None,
) -> int:
    """Keep lots as a recording of their own, on the clock of the whole; its number in the book at `path`.

    The last of what did reach the first book may be here once more. Raises BookTrouble if this cannot be written
    either.
    """
    with closing(Store(address_of(path))) as store:
        writer = Writer(store, clock, channels, source, None, settings)
        writer.write(_from_zero(lots), ended=True, result=result)
        return writer.id


def _from_zero(lots: Sequence[Lot]) -> list[Lot]:
    """The same lots, with chunks numbered as a recording's are: from 0."""
    first = min((seq for lot in lots for seq, _, _ in lot.chunks), default=0)
    return [
        replace(
            lot,
            chunks=[(seq - first, until, packed) for seq, until, packed in lot.chunks],
            blinds=[(seq - first, blind) for seq, blind in lot.blinds],
        )
        for lot in lots
    ]


def rescued(trouble: BookTrouble, recording: int, number: int, path: Path) -> BookTrouble:
    """What is said in place of `trouble` once the end of a recording is safe."""
    return BookTrouble(
        f"{trouble.what}: recording {recording} lacks its end there",
        cause=trouble.cause,
        step=f"The end is kept as recording {number} of another book: toothwise examine {number} --book {path}",
    )
