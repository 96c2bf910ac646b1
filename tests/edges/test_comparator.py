"""Volts to edges: waves from a tenth of a volt to thirty, switched signals, and what becomes of weak teeth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from toothwise.edges import volts_csv, wav
from toothwise.edges.comparator import Comparator, Judgement
from toothwise.edges.files import open_recording
from toothwise.edges.signal import Clock, Edges
from toothwise.examine import examine
from toothwise.wheel import catalogue

from tests.edges.contract import read_all

RATE = 100_000


def turning(seconds: float, rpm0: float, rpm1: float) -> tuple[np.ndarray, np.ndarray]:
    """Angle in degrees and speed in rpm of a wheel whose speed grows by a constant factor."""
    t = np.arange(int(RATE * seconds)) / RATE
    rpm = rpm0 * (rpm1 / rpm0) ** (t / seconds)
    return np.cumsum(rpm * 6 / RATE) + 3.1, rpm


def wave(angle: np.ndarray, rpm: np.ndarray, volts_a_rpm: float) -> np.ndarray:
    """60-2: a sine a tooth, as large as the speed; a ripple in the gap."""
    v = np.sin(2 * np.pi * angle / 6) * rpm * volts_a_rpm
    return np.where(np.floor(angle / 6) % 60 >= 58, 0.03 * v, v)


def edges_of(path: Path, volts: np.ndarray, **options: float) -> tuple[Edges, dict]:
    wav.write(path, RATE, iter([volts[:, None]]))
    held = read_all(open_recording(path, **options))
    assert held.blind == ()
    return held.edges["crank"], held.source


def test_a_wave_from_a_tenth_of_a_volt_to_thirty(tmp_path: Path) -> None:
    angle, rpm = turning(8, 20, 6000)
    v = wave(angle, rpm, 30 / 6000) + np.random.default_rng(5).normal(0, 0.004, len(angle))
    assert abs(v[: RATE // 4]).max() < 0.15 and v.max() > 29
    edges, source = edges_of(tmp_path / "a.wav", v)
    at = np.interp(edges.ticks * 1e-9, np.arange(len(angle)) / RATE, angle)
    rising = at[edges.levels == 1]
    slots = np.rint(rising / 6).astype(int)
    expected = [s for s in range(int(angle[0] // 6) + 1, int(angle[-1] // 6) + 1) if s % 60 < 58]
    # A gap's first slot has a faint rise of its own, which must not count; the rest must, each once.
    assert [s for s in slots.tolist() if s % 60 < 58] == expected
    assert len(slots) <= len(expected) + len(expected) // 50
    error = (rising - slots * 6)[(slots % 60 > 0) & (slots % 60 < 57)]
    assert np.abs(error).max() < 0.6 and np.sqrt(np.mean(error**2)) < 0.05
    assert source["levels"]["crank"]["kind"] == "wave" and source["levels"]["crank"]["level_v"] == 0


@pytest.mark.parametrize("high", [5.0, 12.0])
@pytest.mark.parametrize("low", [0.1, 0.45])
def test_switched_signals(tmp_path: Path, high: float, low: float) -> None:
    angle, _ = turning(4, 60, 6000)
    square = ((angle % 6) < 3) & (np.floor(angle / 6) % 60 < 58)
    v = np.where(square, high, low) + np.random.default_rng(3).normal(0, 0.05, len(angle))
    edges, source = edges_of(tmp_path / "a.wav", v)
    assert len(edges) == int((np.diff(square.astype(int)) != 0).sum())
    assert source["levels"]["crank"]["kind"] == "switched"
    assert source["levels"]["crank"]["level_v"] == pytest.approx((high + low) / 2, rel=0.03)
    assert source["levels"]["crank"]["least_margin"] > 2


def test_a_short_interruption_of_a_switched_signal_is_seen(tmp_path: Path) -> None:
    angle, _ = turning(2, 600, 600)
    square = ((angle % 6) < 3) & (np.floor(angle / 6) % 60 < 58)
    v = np.where(square, 5.0, 0.2)
    hole = int(np.flatnonzero(np.diff(square.astype(int)) == 1)[40]) + 20
    v[hole : hole + 4] = 0.2
    edges, _ = edges_of(tmp_path / "a.wav", v)
    assert len(edges) == int((np.diff(square.astype(int)) != 0).sum()) + 2
    inside = edges.ticks[(edges.ticks > (hole - 2) * 10_000) & (edges.ticks < (hole + 6) * 10_000)]
    assert len(inside) == 2 and np.diff(inside)[0] == pytest.approx(40_000, rel=0.1)


def test_interpolation_is_finer_than_the_samples(tmp_path: Path) -> None:
    t = np.arange(RATE) / RATE
    v = 2.0 * np.sin(2 * np.pi * 313.7 * t + 0.4)
    edges, _ = edges_of(tmp_path / "a.wav", v)
    half = 1 / 313.7 / 2
    crossing = np.rint((edges.ticks * 1e-9 + 0.4 / (2 * np.pi * 313.7)) / half)
    error = edges.ticks * 1e-9 - (crossing * half - 0.4 / (2 * np.pi * 313.7))
    assert np.abs(error).max() < 0.01 / RATE


def test_a_weak_tooth_is_missing_and_the_margins_tell() -> None:
    ticks = np.arange(20_000, dtype=np.int64)
    angle = ticks * 0.06
    size = np.where(np.floor(angle / 6) == 50, 0.2, np.where(np.floor(angle / 6) == 80, 0.45, 1.0))
    comparator = Comparator(Judgement("wave", 0.0, 0.01))
    edges, margins = comparator.feed(ticks, np.sin(2 * np.pi * angle / 6) * size)
    at = np.floor(edges.ticks * 0.06 / 6 + 0.25).astype(int)
    assert 50 not in at and 51 in at and 80 in at
    # Threshold is 0.3 of the size around: full teeth have a margin of 1/0.3, the weaker one 0.45/0.3.
    assert margins[at == 80] == pytest.approx(1.5, rel=0.02)
    assert np.median(margins) == pytest.approx(1 / 0.3, rel=0.02)


def test_a_sensor_that_comes_back_weaker_is_seen_again() -> None:
    ticks = np.arange(60_000, dtype=np.int64)
    v = 10 * np.sin(2 * np.pi * ticks / 100)
    v[20_000:22_000] = 0
    v[22_000:] *= 0.08
    edges, _ = Comparator(Judgement("wave", 0.0, 0.01)).feed(ticks, v)
    assert (edges.ticks < 20_000).sum() == 399
    back = edges.ticks[edges.ticks > 22_000]
    assert back[0] < 24_000 and len(back) > 740


def test_cutting_the_samples_elsewhere_changes_no_edge() -> None:
    rng = np.random.default_rng(9)
    angle, rpm = turning(1.5, 60, 3000)
    v = wave(angle, rpm, 0.002) + rng.normal(0, 0.01, len(angle))
    ticks = np.arange(len(v), dtype=np.int64) * 10_000
    judgement = Judgement("wave", 0.0, 0.06)
    whole, _ = Comparator(judgement).feed(ticks, v)
    for pieces in (2, 17, 400):
        cuts = np.sort(rng.integers(1, len(v), pieces))
        comparator = Comparator(judgement)
        parts = [comparator.feed(t, u)[0] for t, u in zip(np.split(ticks, cuts), np.split(v, cuts), strict=True)]
        joined = Edges.join(parts)
        assert joined.ticks.tolist() == whole.ticks.tolist()
        assert joined.levels.tolist() == whole.levels.tolist()


def test_a_level_can_be_given_and_columns_are_channels(tmp_path: Path) -> None:
    t = np.arange(20_000, dtype=np.int64)
    volts = np.stack([2.5 + 2 * np.sin(t / 40), np.where((t // 700) % 2, 11.8, 0.3)], axis=1)
    path = tmp_path / "two.csv"
    volts_csv.write(path, Clock(10_000.0, 5.0), iter([(t[:7000], volts[:7000]), (t[7000:], volts[7000:])]), 2)
    held = read_all(open_recording(path, level_v=3.0))
    assert held.channels == ("crank", "cam") and held.clock.t0_s == 5.0
    assert held.source["levels"]["crank"]["level_v"] == 3.0
    crossing = (np.pi - np.arcsin(0.25)) * 40 * 10_000
    first_fall = held.edges["crank"].ticks[held.edges["crank"].levels == 0][0]
    assert first_fall == pytest.approx(crossing, abs=200)
    chosen = read_all(open_recording(path))
    assert chosen.source["levels"]["crank"]["level_v"] == pytest.approx(2.5, abs=0.2)
    assert chosen.source["levels"]["cam"]["kind"] == "switched"


def test_no_edge_comes_before_what_was_already_vouched_for() -> None:
    """A block of samples that ends between the crossing of the level and the first sample clear of it."""
    ticks = np.arange(40, dtype=np.int64) * 100
    v = np.concatenate([np.full(10, -1.0), np.linspace(-0.02, 0.18, 10), np.full(10, 1.0), np.full(10, -1.0)])
    for cut in range(1, 40):
        comparator = Comparator(Judgement("wave", 0.0, 0.2))
        first, _ = comparator.feed(ticks[:cut], v[:cut])
        vouched = comparator.held_from(int(ticks[cut - 1]) + 1)
        then, _ = comparator.feed(ticks[cut:], v[cut:])
        assert (then.ticks >= vouched).all(), cut
        assert len(first) + len(then) == 2


def flat_gap(hum_v: float, sign: int) -> np.ndarray:
    """60-2 as coils often show it: a sine a tooth, nothing in the gap but noise and the mains."""
    angle, rpm = turning(3, 300, 900)
    t = np.arange(len(angle)) / RATE
    v = sign * wave(angle, rpm, 5 / 900) * (np.floor(angle / 6) % 60 < 58)
    noise = np.random.default_rng(1).normal(0, 0.004, len(v))
    return np.asarray(v + noise + hum_v * np.sin(2 * np.pi * 50 * t))


@pytest.mark.parametrize("hum_v", [0.0, 0.03])
@pytest.mark.parametrize("sign", [-1, 1])
def test_behind_a_flat_gap_an_edge_is_where_the_wave_leaves_the_level(tmp_path: Path, hum_v: float, sign: int) -> None:
    angle, _ = turning(3, 300, 900)
    edges, _ = edges_of(tmp_path / "a.wav", flat_gap(hum_v, sign))
    slots = np.interp(edges.ticks * 1e-9, np.arange(len(angle)) / RATE, angle) / 6
    begin = slots[edges.levels == int(sign > 0)]
    middle = slots[edges.levels == int(sign < 0)]
    # Hum passes the level anywhere in the gap; the half-wave that then goes on to the tooth's begins there.
    assert np.abs(begin[10:] - np.rint(begin[10:])).max() < 0.15
    assert np.abs(middle[10:] % 1 - 0.5).max() < 0.05
    assert {round(s) % 60 for s in begin[10:]} == set(range(58))


@pytest.mark.parametrize("hum_v", [0.0, 0.03])
@pytest.mark.parametrize("sign", [-1, 1])
def test_a_flat_gap_makes_no_fault(tmp_path: Path, hum_v: float, sign: int) -> None:
    wav.write(tmp_path / "a.wav", RATE, iter([flat_gap(hum_v, sign)[:, None]]))
    found = examine(open_recording(tmp_path / "a.wav"), catalogue.wheel("60-2"))
    assert [event for event in found.events if event.kind != "stopped"] == []


def test_a_recorders_offset_is_where_the_line_rests(tmp_path: Path) -> None:
    rest = np.zeros(RATE // 2) + np.random.default_rng(2).normal(0, 0.004, RATE // 2)
    for offset in (0.0, 0.3):
        _, source = edges_of(tmp_path / "a.wav", np.concatenate([rest, flat_gap(0.0, 1)]) / 6 + offset / 6)
        assert source["levels"]["crank"]["level_v"] == pytest.approx(offset / 6, abs=0.002)
