"""The one door to those files of `firmware/` that both ends of the line share."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pattern_out
    import reasons
    import wire
else:
    from toothwise.firmware import pattern_out, reasons, wire

__all__ = ["pattern_out", "reasons", "wire"]
