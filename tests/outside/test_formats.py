"""Files against readers and writers of others: VCD against vcdvcd and pyvcd, WAV against scipy and the standard
library's wave."""

from __future__ import annotations

import io
import signal
import wave
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from scipy.io import wavfile
from toothwise.edges import wav
from toothwise.edges.files import open_recording, write_recording
from toothwise.edges.signal import Blind, Clock, Edges, Held

from tests.edges.contract import read_all


def made() -> Held:
    rng = np.random.default_rng(11)
    crank = np.cumsum(rng.integers(1, 10**6, 400))
    cam = np.cumsum(rng.integers(1, 10**7, 41)) + 3
    edges = {
        "crank": Edges(crank, (np.arange(400) & 1).astype(np.uint8)),
        "cam": Edges(cam, ((np.arange(41) + 1) & 1).astype(np.uint8)),
    }
    end = int(max(crank[-1], cam[-1])) + 12345
    return Held(Clock(16.0), edges, end, (Blind(int(crank[10]) + 1, int(crank[11]), "made", "crank"),))


@pytest.fixture
def as_signals_were() -> Iterator[None]:
    """What a library does to this process at its import must not outlive the test: with a broken pipe's signal at its
    default, the next server that dies under a test takes all the tests with it."""
    pipe = getattr(signal, "SIGPIPE", None)
    before = signal.getsignal(pipe) if pipe else None
    yield
    if pipe:
        signal.signal(pipe, before)


@pytest.mark.usefixtures("as_signals_were")
def test_vcd_written_here_is_read_by_vcdvcd(tmp_path: Path) -> None:
    """vcdvcd, MIT: a general reader of IEEE 1364 value change dumps. It takes SIGPIPE for itself when imported."""
    from vcdvcd import VCDVCD

    held = made()
    path = tmp_path / "made.vcd"
    write_recording(path, held)
    theirs = VCDVCD(str(path))
    assert float(theirs.timescale["timescale"]) == pytest.approx(1e-9)
    assert theirs.endtime == held.until_tick * 16
    for name, edges in held.edges.items():
        changes = theirs[f"recording.{name}"].tv
        known = [(t, v) for t, v in changes if v in "01"]
        found = [(t, int(v)) for (t, v), (_, before) in zip(known[1:], known, strict=False) if v != before]
        assert found == [(t * 16, level) for t, level in zip(edges.ticks.tolist(), edges.levels.tolist(), strict=True)]
    assert sum(v == "x" for _, v in theirs["recording.crank"].tv) == 1


def test_vcd_written_by_pyvcd_is_read_here(tmp_path: Path) -> None:
    """pyvcd 0.5, MIT: a general writer of IEEE 1364 value change dumps."""
    from vcd import VCDWriter

    held = made()
    changes = sorted(
        (int(t), name, int(level))
        for name, edges in held.edges.items()
        for t, level in zip(edges.ticks, edges.levels, strict=True)
    )
    out = io.StringIO()
    with VCDWriter(out, timescale="100 ns", date="today", comment="made # 5 1!") as writer:
        variables = {
            name: writer.register_var("top.board", name, "wire", size=1, init=1 - int(edges.levels[0]))
            for name, edges in held.edges.items()
        }
        writer.register_var("top", "bus", "wire", size=8, init=3)
        for t, name, level in changes:
            writer.change(variables[name], t, level)
    path = tmp_path / "theirs.vcd"
    path.write_text(out.getvalue())
    back = read_all(open_recording(path))
    assert back.clock.tick_ns == 100.0 and back.blind == ()
    assert back.source["channels_left_out"] == ["bus"]
    for name, edges in held.edges.items():
        assert back.edges[name].ticks.tolist() == edges.ticks.tolist()
        assert back.edges[name].levels.tolist() == edges.levels.tolist()


@pytest.mark.parametrize("kind", ["u1", "<i2", "<i4", "<f4", "<f8"])
@pytest.mark.parametrize("channels", [1, 3])
def test_wav_written_by_scipy_is_read_here(tmp_path: Path, kind: str, channels: int) -> None:
    rng = np.random.default_rng(7)
    dtype = np.dtype(kind)
    if dtype.kind == "f":
        data = rng.normal(0, 0.5, (5000, channels)).astype(dtype)
        want = data.astype(float)
    else:
        info = np.iinfo(dtype)
        data = rng.integers(info.min, info.max, (5000, channels), endpoint=True).astype(dtype)
        zero = 128 if dtype.kind == "u" else 0
        want = (data.astype(float) - zero) / 2.0 ** (8 * dtype.itemsize - 1)
    path = tmp_path / "theirs.wav"
    wavfile.write(path, 48_000, data)
    samples = list(wav.WavVolts(path)._samples())
    assert np.concatenate([s.volts for s in samples]) == pytest.approx(want, abs=1e-12)
    ticks = np.concatenate([s.ticks for s in samples])
    assert np.abs(ticks - np.arange(5000) * 1e9 / 48_000).max() <= 0.5


def test_wav_of_24_bits_from_the_standard_library(tmp_path: Path) -> None:
    values = np.random.default_rng(8).integers(-(2**23), 2**23, 4000)
    path = tmp_path / "w24.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(3)
        file.setframerate(44_100)
        file.writeframes(b"".join(int(v).to_bytes(3, "little", signed=True) for v in values))
    samples = next(wav.WavVolts(path, full_scale_v=10.0)._samples())
    assert samples.volts[:, 0] == pytest.approx(values / 2.0**23 * 10.0)


def test_wav_written_here_is_read_by_scipy(tmp_path: Path) -> None:
    volts = np.random.default_rng(9).normal(0, 3, (3000, 2))
    path = tmp_path / "ours.wav"
    wav.write(path, 96_000, iter([volts[:1000], volts[1000:]]), 2)
    rate, theirs = wavfile.read(path)
    assert rate == 96_000
    assert theirs == pytest.approx(volts, rel=1e-6)
