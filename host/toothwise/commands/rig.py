"""`toothwise rig`: finding rigs, putting the firmware on a board, checking rig and cable."""

from __future__ import annotations
