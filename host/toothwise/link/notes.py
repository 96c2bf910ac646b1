"""What a rig tells besides edges, in host ticks (0 = the start of the recording)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Happening:
    """Something the rig itself saw or did: mark, contact, open, short, sound, pattern_done (see PROTOCOL.md).

    channel: a channel's or conductor's number; 255: none in particular.
    """

    kind: str
    channel: int
    level: int
    count: int
    tick: int
    end_tick: int


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that went wrong; `hint` says what to do about it."""

    reason: str
    hint: str
    channel: int
    value: int
    tick: int


@dataclass(frozen=True, slots=True)
class Reading:
    """Analogue inputs; None where the board has no such input."""

    tick: int
    feed_v: float | None
    temperature_raw: int | None


Note = Happening | Fault | Reading


@dataclass(slots=True)
class LinkStats:
    """What came over the line, and what did not."""

    bytes: int = 0
    frames: int = 0
    edges: int = 0
    lost_frames: int = 0
    repeated_frames: int = 0
    unreadable_frames: int = 0
    """Frames with a right check sum whose content made no sense."""
    lost_edges: int = 0
    """Edges that the rig counted and that did not arrive."""
    contradicting_edges: int = 0
    """Edges that came after the rig had vouched that there were none; dropped, and their moment is blind."""
    bad_crc: int = 0
    garbage_bytes: int = 0
    resets: int = 0
    reconnects: int = 0
    rig_dropped_frames: int = 0
    """By the rig's own counters."""
    rig_missed_edges: int = 0
    """Edges the rig's capture knows it missed."""
