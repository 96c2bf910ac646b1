"""The one door to `firmware/wire.py` and `firmware/reasons.py`, which both ends of the line share."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import reasons
    import wire
else:
    from toothwise.firmware import reasons, wire

__all__ = ["reasons", "wire"]
