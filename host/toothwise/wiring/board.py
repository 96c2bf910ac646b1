"""The firmware's own pin map and scales, so that a drawing and the board cannot disagree."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pins
else:
    from toothwise.firmware import pins

BOARD = "rp2"
# Feed volts at full scale of the analogue pin.
FEED_FULL_SCALE_V: float = pins.FEED_FULL_SCALE_MV / 1000


def pin_numbers() -> dict[str, int]:
    """Pin numbers by the firmware's names, for the board with state machines and an unchanged pin map."""
    return dict(zip(pins.NAMES, pins._MAPS[BOARD], strict=True))
