"""Sampled volts as WAV: whole numbers of 8, 16, 24 or 32 bits, or floats of 32 or 64, one channel or several.

Read: channels are called "1", "2" … and are crank, cam, feed, aux in this order unless names are given. Whole
numbers are scaled so that the largest is `full_scale_v`; floats of 1.0 likewise. The clock is the sample rate's,
in ticks of 1 ns. A header that says nothing of the length, or too much, is taken to the file's end; a last sample
that is not whole is left out.

FileTrouble: no fmt or data part, another coding (compressed, A-law), no samples, a sample rate of zero.
Lost: what happens between two samples; a sound card's input also loses slow signals, which the file cannot tell.

Written: floats of 32 bits, volts as they are.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.comparator import Volts
from toothwise.edges.signal import Clock
from toothwise.edges.volts import Samples, VoltsRecording
from toothwise.errors import FileTrouble

PLAIN, FLOAT, EXTENSIBLE = 1, 3, 0xFFFE
NS = 10**9
BLOCK_FRAMES = 1 << 17
PROBES = 64
PROBE_FRAMES = 1 << 13
LEAST_SHARE = 0.002
"""Least half-wave, of full scale."""


class WavVolts(VoltsRecording):
    """A WAV file; `batches()` reads it anew each time."""

    format = "wav"

    def __init__(
        self,
        path: Path,
        names: Mapping[str, str] | None = None,
        *,
        level_v: float | None = None,
        full_scale_v: float = 1.0,
    ) -> None:
        self._read_header(path)
        super().__init__(path, [str(n + 1) for n in range(self._width)], names or {}, level_v)
        self.least_v = LEAST_SHARE * full_scale_v
        self._scale = full_scale_v
        self.clock = Clock(1.0)
        self._survey()

    def _read_header(self, path: Path) -> None:
        coding = rate = bits = 0
        size = path.stat().st_size
        self._width = 0
        with path.open("rb") as file:
            order = ">" if file.read(12)[:4] == b"RIFX" else "<"
            while len(head := file.read(8)) == 8:
                part, length = head[:4], struct.unpack(order + "I", head[4:])[0]
                at = file.tell()
                if part == b"fmt ":
                    raw = file.read(min(length, 40))
                    if len(raw) < 16:
                        break
                    coding, self._width, rate, _, _, bits = struct.unpack(order + "HHIIHH", raw[:16])
                    if coding == EXTENSIBLE and len(raw) >= 26:
                        coding = struct.unpack(order + "H", raw[24:26])[0]
                elif part == b"data":
                    self._data_at = at
                    self._data_bytes = min(length, size - at) if 0 < length < 0xFFFFFFFF else size - at
                    break
                file.seek(at + length + length % 2)
            else:
                self._width = 0
        kinds = {(PLAIN, 8), (PLAIN, 16), (PLAIN, 24), (PLAIN, 32), (FLOAT, 32), (FLOAT, 64)}
        if not self._width or not hasattr(self, "_data_at") or not rate:
            raise FileTrouble(
                f"{path.name} has no readable WAV header",
                cause="the file was cut off, or damaged",
                step="Export the recording again",
            )
        if (coding, bits) not in kinds:
            raise FileTrouble(
                f"{path.name} is coded as WAV kind {coding} with {bits} bits",
                cause="a compressed or unusual coding",
                step="Export it as 16-bit or 24-bit PCM, or as 32-bit float",
            )
        self._rate, self._bytes, self._float, self._order = rate, bits // 8, coding == FLOAT, order
        self._frames = self._data_bytes // (self._bytes * self._width)
        if not self._frames:
            raise FileTrouble(f"{path.name} has no samples", step="Record again")

    def _frames_at(self, first: int, count: int) -> Samples:
        frame = self._bytes * self._width
        with self.path.open("rb") as file:
            file.seek(self._data_at + first * frame)
            raw = np.frombuffer(file.read(min(count, self._frames - first) * frame), np.uint8)
        raw = raw[: len(raw) // frame * frame]
        index = first + np.arange(len(raw) // frame, dtype=np.int64)
        seconds, rest = np.divmod(index, self._rate)
        ticks = seconds * NS + (rest * NS + self._rate // 2) // self._rate
        return Samples(ticks, self._volts(raw).reshape(-1, self._width) * self._scale)

    def _volts(self, raw: NDArray[np.uint8]) -> Volts:
        if self._float:
            return raw.view(f"{self._order}f{self._bytes}").astype(np.float64)
        if self._bytes == 1:  # the only unsigned one
            return (raw.astype(np.float64) - 128) / 128
        if self._bytes == 3:
            wide = np.zeros((len(raw) // 3, 4), np.uint8)
            places = slice(1, 4) if self._order == "<" else slice(0, 3)
            wide[:, places] = raw.reshape(-1, 3)
            raw = wide.reshape(-1)
        size = 4 if self._bytes == 3 else self._bytes
        return raw.view(f"{self._order}i{size}").astype(np.float64) / 2.0 ** (8 * size - 1)

    def _survey_samples(self) -> list[Samples]:
        if self._frames <= PROBES * PROBE_FRAMES:
            return [self._frames_at(0, self._frames)]
        starts = np.linspace(0, self._frames - PROBE_FRAMES, PROBES).astype(np.int64)
        return [self._frames_at(int(start), PROBE_FRAMES) for start in starts]

    def _samples(self) -> Iterator[Samples]:
        for first in range(0, self._frames, BLOCK_FRAMES):
            yield self._frames_at(first, BLOCK_FRAMES)


def write(path: Path, rate: int, parts: Iterator[NDArray[np.float64]], channels: int = 1) -> None:
    """Write volts as 32-bit floats. parts: shape (n, channels) after one another; lengths are filled in last."""
    with path.open("wb") as file:
        frame = 4 * channels
        format_part = struct.pack("<HHIIHH", FLOAT, channels, rate, rate * frame, frame, 32)
        file.write(b"RIFF\0\0\0\0WAVEfmt " + struct.pack("<I", len(format_part)) + format_part + b"data\0\0\0\0")
        length = 0
        for volts in parts:
            length += file.write(np.ascontiguousarray(volts, "<f4").tobytes())
        file.seek(4)
        file.write(struct.pack("<I", min(36 + length, 0xFFFFFFFF)))
        file.seek(40)
        file.write(struct.pack("<I", min(length, 0xFFFFFFFF)))
