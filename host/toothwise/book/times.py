"""The book's one way to write a time."""

from __future__ import annotations

from datetime import UTC, datetime


def now_utc() -> str:
    """Now, UTC, ISO 8601: 2026-11-25T08:50:00.123456Z."""
    return as_utc(datetime.now(UTC))


def as_utc(moment: datetime) -> str:
    """An aware time as the book writes it."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def age_s(text: str) -> float:
    """Seconds since a time of the book by this computer's clock; negative if the clock was set back."""
    return (datetime.now(UTC) - datetime.fromisoformat(text)).total_seconds()
