"""Sampled volts as a recording: what CSV and WAV share.

Samples that are missing, unreadable or out of order leave a hole in a channel's time. A hole is blind: an edge that
seems to pass inside it is not handed on.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from toothwise.edges.comparator import Comparator, Judgement, Volts, judge, noise_sigma
from toothwise.edges.faults import Faults
from toothwise.edges.merge import split_at
from toothwise.edges.naming import choose
from toothwise.edges.signal import CHANNELS, Batch, Blind, Clock, Edges, Ticks
from toothwise.errors import FileTrouble

LARGEST_COLUMNS = 64
FEW_SAMPLES = 4
"""Fewer samples than this between most edges: the times are guesses, and pulses between samples are not seen."""


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """A stretch of samples. ticks: shape (n,), rising. volts: shape (n, columns), NaN where not readable."""

    ticks: Ticks
    volts: Volts


@dataclass(frozen=True, slots=True, eq=False)
class VoltsBatch(Batch):
    """A batch that also says how surely each edge was seen.

    margins: peak of the half-wave that each edge began, over the least that would have counted; one an edge,
    as far as the peak was known when the edge was handed on.
    """

    margins: Mapping[str, NDArray[np.float32]] = field(default_factory=dict)


@dataclass(slots=True)
class _Column:
    """One channel while its file is read."""

    comparator: Comparator
    last_tick: int | None = None
    holes: list[tuple[int, int]] = field(default_factory=list)
    edges: int = 0
    samples: int = 0
    least_margin: float = np.inf
    waiting: Edges = field(default_factory=Edges.none)
    waiting_margins: NDArray[np.float32] = field(default_factory=lambda: np.empty(0, np.float32))


class VoltsRecording(ABC):
    """Sampled volts turned into edges, block by block; the level chosen stands in `source`."""

    def __init__(self, path: Path, columns: list[str], names: Mapping[str, str], level_v: float | None) -> None:
        if len(columns) > LARGEST_COLUMNS:
            raise FileTrouble(
                f"{path.name} has {len(columns)} columns of volts",
                cause="a table turned on its side",
                step=f"Keep at most {LARGEST_COLUMNS} columns",
            )
        self.path = path
        self._faults = Faults()
        given = dict(names)
        if not any(name in given for name in columns):
            given |= dict(zip(columns, CHANNELS, strict=False))
        chosen = choose(path.name, columns, given)
        self._left_out = [name for name in columns if name not in chosen]
        self._columns = {chosen[name]: i for i, name in enumerate(columns) if name in chosen}
        self._level_v = level_v
        self._judgements: dict[str, Judgement] = {}
        self._columns_read: dict[str, _Column] = {}
        self._holes: list[Blind] = []
        self._usual_step = 1

    clock: Clock
    format = ""
    least_v = 0.0
    """A half-wave smaller than this is never an edge, in the file's unit."""

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(name for name in CHANNELS if name in self._columns)

    @property
    def source(self) -> dict[str, Any]:
        facts: dict[str, Any] = {
            "file": self.path.name,
            "format": self.format,
            "sample_s": self.clock.span_s(self._usual_step),
            "levels": {name: self._shown(name) for name in self.channels},
        }
        if self._left_out:
            facts["channels_left_out"] = self._left_out
        return facts | self._faults.as_source()

    def _shown(self, name: str) -> dict[str, Any]:
        j = self._judgements[name]
        shown: dict[str, Any] = {
            "kind": j.kind,
            "level_v": round(j.level_v, 4),
            "least_half_wave_v": round(j.floor_v, 4),
        }
        column = self._columns_read.get(name)
        if column is not None and column.edges:
            shown["least_margin"] = round(column.least_margin, 2)
            shown["samples_an_edge"] = round(column.samples / column.edges, 1)
            if column.samples < FEW_SAMPLES * column.edges:
                shown["thin"] = "too few samples an edge to time it or to see short pulses"
        return shown

    @abstractmethod
    def _survey_samples(self) -> list[Samples]:
        """Samples from all over the recording, the first ones first."""

    @abstractmethod
    def _samples(self) -> Iterator[Samples]:
        """All samples, in order of time."""

    def _survey(self) -> None:
        """Choose level and floor of each channel; find the usual step from sample to sample."""
        parts = [part for part in self._survey_samples() if len(part.ticks) > 2]
        if not parts:
            raise FileTrouble(f"{self.path.name} has too few samples", step="Record for longer")
        steps = np.concatenate([np.diff(part.ticks) for part in parts])
        self._usual_step = max(1, int(np.median(steps)))
        self._largest_step = max(1.5 * self._usual_step, 1.2 * float(np.quantile(steps, 0.999)))
        for name, column in self._columns.items():
            stretches = [part.volts[:, column] for part in parts]
            stretches = [s[np.isfinite(s)] for s in stretches]
            volts = np.concatenate(stretches)
            if not len(volts):
                raise FileTrouble(
                    f"{self.path.name}: no readable volts for {name}", step="Check the column, or leave it out"
                )
            changes = np.abs(np.diff(volts))
            changes = changes[changes > 0]
            noise = float(np.quantile([noise_sigma(s) for s in stretches], 0.25))
            self._judgements[name] = judge(
                volts,
                noise,
                float(changes.min(initial=np.inf)) if len(changes) else 0.0,
                level_v=self._level_v,
                least_v=self.least_v,
            )

    def batches(self) -> Iterator[VoltsBatch]:
        self._faults = Faults()
        self._columns_read = {name: _Column(Comparator(self._judgements[name])) for name in self.channels}
        self._holes = []
        end = 0
        for part in self._samples():
            if not len(part.ticks):
                continue
            end = int(part.ticks[-1]) + 1
            for name, column in self._columns_read.items():
                holes = self._follow(column, part.ticks, part.volts[:, self._columns[name]])
                self._holes += [Blind(a, b, "samples missing", name) for a, b in holes]
            yield self._batch(min(c.comparator.held_from(end) for c in self._columns_read.values()))
        yield self._batch(end)

    def _batch(self, until: int) -> VoltsBatch:
        """What is certain on all channels; one that still waits for a half-wave's size holds the others back."""
        edges: dict[str, Edges] = {}
        margins: dict[str, NDArray[np.float32]] = {}
        for name, column in self._columns_read.items():
            found, margin = column.waiting, column.waiting_margins
            cut = int(np.searchsorted(found.ticks, until))
            if cut:
                edges[name], margins[name] = Edges(found.ticks[:cut], found.levels[:cut]), margin[:cut]
            column.waiting, column.waiting_margins = Edges(found.ticks[cut:], found.levels[cut:]), margin[cut:]
        blind, self._holes = split_at(self._holes, until)
        return VoltsBatch(until, edges, tuple(blind), margins)

    def _follow(self, column: _Column, ticks: Ticks, volts: Volts) -> list[tuple[int, int]]:
        """Take one channel's samples; returns the holes among them."""
        readable = np.isfinite(volts)
        if not readable.all():
            self._faults.count += int((~readable).sum())
            ticks, volts = ticks[readable], volts[readable]
        if not len(ticks):
            return []
        before = np.concatenate([[ticks[0] if column.last_tick is None else column.last_tick], ticks])
        far = np.flatnonzero(np.diff(before) > self._largest_step)
        holes = [(int(before[i]) + 1, int(before[i + 1])) for i in far.tolist()]
        # A half-wave that counts only now may have begun in a hole of an earlier call.
        oldest = int(before[0]) if column.last_tick is None else column.comparator.held_from(column.last_tick)
        column.holes = [hole for hole in column.holes if hole[1] > oldest] + holes
        column.last_tick = int(ticks[-1])
        column.samples += len(ticks)
        edges, margin = column.comparator.feed(ticks, volts)
        if column.holes and len(edges):
            inside = np.zeros(len(edges), bool)
            for start, end in column.holes:
                inside |= (edges.ticks >= start) & (edges.ticks < end)
            edges, margin = Edges(edges.ticks[~inside], edges.levels[~inside]), margin[~inside]
        column.edges += len(edges)
        column.least_margin = min(column.least_margin, float(margin.min(initial=np.inf)))
        column.waiting = Edges.join([column.waiting, edges])
        column.waiting_margins = np.concatenate([column.waiting_margins, margin])
        return holes
