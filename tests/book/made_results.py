"""Bench results for the book's tests, by arithmetic: nothing of the trade but the shape."""

from __future__ import annotations

import uuid
from typing import Any

MEASURES = ("lowest_full_count", "full_count", "duty", "jitter", "edge_position", "level_low", "level_high")


def made(
    n: int,
    *,
    lot: str = "L1",
    serial: str | None = None,
    verdict: str = "pass",
    measures: int = 4,
    bench: str = "north",
) -> dict[str, Any]:
    """The n-th result; its uuid and figures follow from n and nothing else."""
    second = n % 86_400
    at = f"2026-11-{1 + n // 86_400 % 28:02}T{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}Z"
    return {
        "schema": 1,
        "uuid": str(uuid.UUID(int=n + (1 << 100))),
        "lot": lot,
        "serial": serial or f"S{n:06}",
        "sensor_type": "two-wire 12",
        "bench": bench,
        "started_utc": at,
        "ended_utc": at,
        "verdict": verdict,
        "reasons": [] if verdict == "pass" else [f"jitter is {n} µs"],
        "measures": [
            {
                "name": MEASURES[i % len(MEASURES)],
                "value": None if (n + i) % 50 == 49 else 100.0 + i + (n * 7919 % 1000) / 997,
                "unit": "rpm" if i == 0 else "deg",
                "uncertainty": 0.1 if i % 2 else None,
                "low": None,
                "high": 102.5 + i,
                "verdict": verdict,
                "stage": "" if i < len(MEASURES) else f"gap {i // len(MEASURES)}",
                "words": "as it should be",
            }
            for i in range(measures)
        ],
        "reference": "none",
        "versions": {"program": "0.1.0"},
        "recordings": [n],
    }
