"""What was wrong in a file, kept for its "source" object: the first few by row, and how many in all."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

KEPT = 20


@dataclass(slots=True)
class Faults:
    """Faults of a file that cost a stretch of it, not the whole.

    count: rows at fault. kept: the first of them, each with its row and what was wrong.
    """

    count: int = 0
    kept: list[dict[str, Any]] = field(default_factory=list)

    def add(self, row: int, what: str, count: int = 1) -> None:
        self.count += count
        if len(self.kept) < KEPT:
            self.kept.append({"row": row, "what": what})

    def as_source(self) -> dict[str, Any]:
        """Nothing where nothing was wrong."""
        return {"faults": self.count, "first_faults": list(self.kept)} if self.count else {}

    def first(self) -> str:
        """The first fault as a sentence's part."""
        return f"row {self.kept[0]['row']}: {self.kept[0]['what']}" if self.kept else ""
