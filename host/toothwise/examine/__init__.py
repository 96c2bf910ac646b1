"""From a recording's batches to events, counts, measures and causes: the one way every command takes.

recording.batches() → Examination.feed(batch) … → Examination.finish() → Result → JSON, screen, report
"""

from toothwise.examine.examination import Check, Examination, examine
from toothwise.examine.result import Result, Tally

__all__ = ["Check", "Examination", "Result", "Tally", "examine"]
