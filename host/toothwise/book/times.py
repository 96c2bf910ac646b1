"""The book's one way to write a time."""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, datetime, timedelta


def now_utc() -> str:
    """Now, UTC, ISO 8601: 2026-11-25T08:50:00.123456Z."""
    return as_utc(datetime.now(UTC))


def as_utc(moment: datetime) -> str:
    """An aware time as the book writes it."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def next_utc(taken: Collection[str]) -> str:
    """Now, or the first microsecond after it that is not taken: a clock may stand still, or be set back."""
    moment = datetime.now(UTC)
    while as_utc(moment) in taken:
        moment += timedelta(microseconds=1)
    return as_utc(moment)


def age_s(text: str) -> float:
    """Seconds since a time of the book by this computer's clock; negative if the clock was set back."""
    return (datetime.now(UTC) - datetime.fromisoformat(text)).total_seconds()
