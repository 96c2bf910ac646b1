"""What is fuzzed: each target takes bytes, and anything but a Trouble that comes out of it is a defect."""

from __future__ import annotations

import contextlib
import io
import os
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from toothwise.edges.signal import Clock, Held
from toothwise.errors import Trouble

from tests.edges.contract import alternates, check_batch, read_all

HERE = Path(__file__).parent
FOUND = HERE / "found"
DAMAGED = HERE.parent / "edges" / "damaged"


@dataclass(frozen=True, slots=True)
class Target:
    """run: raises where there is a defect. seeds: whole inputs to begin from. words: what its inputs are made of.
    short: cases in the short form, by what one costs."""

    name: str
    run: Callable[[bytes], None]
    seeds: Callable[[], Sequence[bytes]]
    words: tuple[bytes, ...] = ()
    short: int = 600


@cache
def _scratch() -> Path:
    """In memory where the system has such a place; one a process."""
    memory = Path("/dev/shm")
    folder = tempfile.TemporaryDirectory(prefix="toothwise-fuzz-", dir=memory if memory.is_dir() else None)
    _KEPT.append(folder)
    return Path(folder.name)


_KEPT: list[tempfile.TemporaryDirectory[str]] = []


def _file(data: bytes, ending: str) -> Path:
    path = _scratch() / f"case{ending}"
    path.write_bytes(data)
    return path


# The line


def _frames(data: bytes) -> None:
    """Bytes as they come from a port: both decoders find the same frames, and nothing else happens."""
    from toothwise.link.decode import Decoder
    from toothwise.link.frames import wire

    assert list(Decoder().feed(data)) == list(wire.Decoder().feed(data))
    _assembled(data)


def _sealed(data: bytes) -> None:
    """Frames with a good check around any content, behind a proper beginning: kind, step of the sequence, length,
    payload, as often as the bytes last. Where the first byte is 255 the capture's beginning is among them."""
    from toothwise.link.frames import wire

    from tests.link.fakerig import FakeRig

    rig = FakeRig()
    out = [rig.hello(), rig.heartbeat(0)]
    if data[:1] != b"\xff":
        out.append(rig.started(0))
    at = 0
    while at + 3 <= len(data):
        kind, step, length = data[at : at + 3]
        for _ in range(step % 4 if step & 0x40 else 0):
            rig.skip()
        out.append(rig.frame(kind % (wire.EVENT + 2), data[at + 3 : at + 3 + length]))
        at += 3 + length
    out.append(rig.heartbeat(10_000_000))
    _assembled(b"".join(out))


def _assembled(data: bytes) -> None:
    """Live, a blind stretch may be known before all channels are vouched for up to its end."""
    from toothwise.link.assemble import Assembler

    assembler = Assembler()
    assembler.may_begin = True
    until: int | None = None
    half = len(data) // 2
    for piece in (data[:half], data[half:]):
        assembler.feed(piece, 0.0)
        if (batch := assembler.take()) is not None:
            check_batch(batch, until, ahead=True)
            until = batch.until_tick
    if (batch := assembler.close(0.0)) is not None:
        check_batch(batch, until, ahead=True)


def _seeds_of_frames() -> Sequence[bytes]:
    from tests.link.fakerig import FakeRig

    rig = FakeRig()
    parts = [rig.hello(), rig.heartbeat(0), rig.started(0)]
    for n in range(6):
        parts += [rig.edges(range(n * 1000, n * 1000 + 900, 90)), rig.blind(n * 1000 + 910, n * 1000 + 950)]
        parts.append(rig.heartbeat((n + 1) * 1000))
    return [b"".join(parts), b"".join(parts[:5]), b"".join(reversed(parts))]


def _seeds_of_payloads() -> Sequence[bytes]:
    """What `_sealed` takes, from real payloads: hellos with odd facts among them."""
    from toothwise.link.frames import wire

    def one(kind: int, payload: bytes) -> bytes:
        return bytes([kind, 0, min(len(payload), 255)]) + payload[:255]

    words = np.array([1, 0x201, 0x400, 0x601], "<u4").tobytes()
    edges = wire.pack_edges(0, 100, words)
    hello = (
        b'{"protocol":%d,"firmware":"1","board":"b","boot":7,"capture":"x","tick_hz":1e400,"channels":[{"name":"c"}]}'
    )
    return [
        one(wire.EDGES, edges) + one(wire.HEARTBEAT, wire.pack_heartbeat(5000, 5000, 7, 0, wire.CAPTURING, [5000] * 4)),
        one(wire.BLIND, wire.pack_blind(0, wire.reason_id("ring_overrun"), 100, 300, 3)) * 3,
        one(wire.HELLO, hello % wire.PROTOCOL),
        one(wire.HELLO, wire.pack_hello({"tick_hz": 1000000})),
        one(wire.ANSWER, b"start ok tick=99999999999999999999"),
        b"\xff\0\0" + one(wire.ANSWER, b"start ok tick=99999999999999999999") + one(wire.EDGES, edges),
        one(wire.COUNTERS, wire.pack_counters(1, 2, 3, 4, [[1, 2, 3]] * 4)),
        one(wire.ANALOGUE, wire.pack_analogue(10, 5000, 20000)),
        one(wire.FAULT, wire.pack_fault(wire.reason_id("source_end"), 255, 0, 500)),
    ]


# Files of a signal


def one_level(held: Held, name: str) -> bool:
    """Whether the channel holds timing edges alone."""
    return len(set(held.edges[name].levels.tolist())) == 1


def _recording(ending: str) -> Callable[[bytes], None]:
    def run(data: bytes) -> None:
        from toothwise.edges.files import open_recording

        with contextlib.suppress(Trouble):
            held = read_all(open_recording(_file(data, ending)))
            assert all(alternates(held, name) or one_level(held, name) for name in held.channels)

    return run


def _damaged(ending: str, *begins: str) -> Callable[[], Sequence[bytes]]:
    def seeds() -> Sequence[bytes]:
        paths = sorted(DAMAGED.glob(f"*{ending}"))
        return [path.read_bytes() for path in paths if path.name.startswith(begins or "") and path.stat().st_size]

    return seeds


def _small_csv() -> Sequence[bytes]:
    """A whole examination takes its time: the long files are for what reads them."""
    return [data for data in _damaged(".csv")() if len(data) < 4000]


def _marks(data: bytes) -> None:
    from toothwise.wiggle.marks import read_marks

    with contextlib.suppress(Trouble):
        read_marks(_file(data, ".csv"), Clock(16.0))


def _examined(data: bytes) -> None:
    """A whole `examine`, from the file to the object it prints."""
    from toothwise.cli import main

    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        code = main(["examine", str(_file(data, ".csv")), "--wheel", "12-1", "--json"])
    assert code in (0, 1, 3), code


# Settings in TOML


def _wheel(data: bytes) -> None:
    from toothwise.wheel.catalogue import load_toml

    with contextlib.suppress(Trouble):
        load_toml(_file(data, ".toml"))


def _harness(data: bytes) -> None:
    from toothwise.wiggle.harness import load

    with contextlib.suppress(Trouble):
        load(_file(data, ".toml"))


def _job(data: bytes) -> None:
    """A card that can be read can be written, and is then the same."""
    from toothwise.causes.job import load, save

    path = _file(data, ".toml")
    with contextlib.suppress(Trouble):
        job = load(path)
        save(job, path)
        assert load(path) == job


def _kept_card(data: bytes) -> None:
    from toothwise.book.jobs import _title_of

    with contextlib.suppress(Trouble, UnicodeDecodeError):
        _title_of(data.decode())


def _limits(data: bytes) -> None:
    from toothwise.bench.limits import load

    with contextlib.suppress(Trouble):
        load(_file(data, ".toml"))


def _setup(data: bytes) -> None:
    from toothwise.bench.setup import load

    with contextlib.suppress(Trouble):
        load(str(_file(data, ".toml")))


_WHEEL = b"""name = "mill spindle"
angles_deg = [0.0, 30.0, 60.0, 200.0]
widths_deg = [10.0, 10.0, 40.0, 10.0]
turn_deg = 360
slots = 12
widths_carry_code = false
"""
_HARNESS = b"""name = "front loom"
places = ["sensor connector", {name = "first clip", hint = "bend it"}, "control unit"]
quiet_s = 5
wiggle_s = 4.0
moving_s = 1
wiggles = 5
"""
_JOB = b"""complaint = ["stall", "no start"]
codes = ["P0335", "P0016"]
[vehicle]
name = "van"
cylinders = 4
firing_order = [1, 3, 4, 2]
tdc1_deg = 90.0
[sensor]
kind = "hall"
wheel = "60-2"
[readings]
resistance_ohm = 850.0
insulation_ohm = inf
feed_v = 5.02
measured_at = "control unit"
[freeze_frame]
engine_rpm = 800
[reference]
cam_edges_deg = [40.0, 100.0, 220.0, 250.0]
tooth_error_deg = [0.1, -0.1]
slowest_deg = 10
"""


def _seeds_of_limits() -> Sequence[bytes]:
    from toothwise.bench.limits import TEMPLATES, template

    whole = [template(kind).encode() for kind in TEMPLATES]
    rare = [b"timing_edge = []\n" + whole[0], whole[0].replace(b'"60-2"', b'"a\\u0000.toml"')]
    return [*whole, *rare]


def _seeds_of_setup() -> Sequence[bytes]:
    from toothwise.bench.setup import template

    filled = b'name = "left"\n[master]\nzero_deg = 1.5\nuncertainty_deg = 0.1\nlearnt = "m"\n[drive]\nkind = "pwm"\n'
    return [template().encode(), filled + b"most_rpm = 900\ngain_rpm = 1000\ntau_s = 0.5\nrest = 0.1\n"]


# The page


def _request(data: bytes) -> None:
    """Path, host, origin, and what is said on the socket, one a line: without the secret nobody comes in."""
    from toothwise.page.address import Keys, hosts
    from toothwise.page.gate import Visit, admit
    from toothwise.page.shown import Shown
    from toothwise.page.viewer import PRESSES, Crowd, Viewer

    keys = Keys("0123456789abcdef" * 2)
    path, host, origin, *said = [*data.decode("latin-1").split("\n"), "", "", ""][: 3 + 20]
    known = hosts(["127.0.0.1"], 8730)
    told = admit(path, host.split(",") if host else [], origin.split(",") if origin else [], keys, known)
    if isinstance(told, Visit):
        assert host in known and path.startswith(f"/{keys.hand if told.hand else keys.look}/")
        assert not told.viewer or origin == f"http://{host}"
    pressed: list[dict[str, object]] = []
    crowd = Crowd(Shown(), pressed.append)
    viewer = Viewer(None, Shown(), name="a" * 16, hand=True)  # type: ignore[arg-type]  # never sent to
    viewer.role = "hand"
    for message in said:
        crowd.hear(viewer, message)
    assert all(set(one) == {"press"} and one["press"] in PRESSES for one in pressed)


def _seeds_of_requests() -> Sequence[bytes]:
    hand = b"0123456789abcdef" * 2
    same = b"127.0.0.1:8730\nhttp://127.0.0.1:8730\n"
    words = b'{"seen": 0}\n{"press": "mark"}\n{"press": "next"}\n[]\n'
    return [
        b"/" + hand + b"/live?id=00112233aabbccdd\n" + same + words,
        b"/" + hand + b"/\n127.0.0.1:8730\n\n" + words,
        b"/../../etc/passwd\n" + same + words,
    ]


_TOML = (b"name", b"[vehicle]", b"[measure.jitter]", b"10" * 200, b"{name=1}", b"[1]", b"12:30:00", b"60-2", b"a.toml")
_VCD = (b"$timescale 1 ns $end", b"$var wire 1 ! crank $end", b"$enddefinitions $end", b"#", b"1!", b"x!", b"b101 !")

TARGETS = (
    Target("frames", _frames, _seeds_of_frames, short=500),
    Target("sealed", _sealed, _seeds_of_payloads, (b"1e400", b"Infinity", b'"boot":1e400', b'"channels":"ab"')),
    Target("csv", _recording(".csv"), _damaged(".csv"), (b"time_s,channel,level", b"crank", b"cam"), short=200),
    Target("vcd", _recording(".vcd"), _damaged(".vcd"), _VCD, short=120),
    Target("wav", _recording(".wav"), _damaged(".wav"), (b"RIFF", b"data", b"fmt ", b"LIST", b"RF64"), short=300),
    Target("volts", _recording(".csv"), _damaged(".csv", "volts"), (b"time_s,volts,volts2",), short=200),
    Target("marks", _marks, lambda: [b"time_s,place\n0,hands off\n5,plug\n9,hands off\n"], (b"a" * 140_000, b'"')),
    Target("examine", _examined, _small_csv, short=12),
    Target("wheel", _wheel, lambda: [_WHEEL], _TOML, short=1200),
    Target("harness", _harness, lambda: [_HARNESS], _TOML, short=1200),
    Target("job", _job, lambda: [_JOB], (*_TOML, b"9" * 400, b"P0335"), short=1200),
    Target("kept_card", _kept_card, lambda: [_JOB], _TOML),
    Target("limits", _limits, _seeds_of_limits, (*_TOML, b"auto"), short=700),
    Target("setup", _setup, _seeds_of_setup, _TOML, short=900),
    Target("request", _request, _seeds_of_requests, (b'{"seen":true}', b"[" * 100_000, b"9" * 5000), short=900),
)


def named(name: str) -> Target:
    return next(target for target in TARGETS if target.name == name)


def nice() -> None:
    """Leave the computer to whoever sits at it."""
    if hasattr(os, "nice"):
        os.nice(15)
