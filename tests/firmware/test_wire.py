"""Frames: the examples of PROTOCOL.md, the decoder under damage, the tables that must agree."""

from __future__ import annotations

import ast
import re
import subprocess

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from toothwise.firmware import FOLDER, reasons, wire

from tests.firmware.worlds import micropython
from tests.parts import need

PROTOCOL = (FOLDER / "PROTOCOL.md").read_text()
VECTORS = re.findall(r"```vector\n(.*?)```", PROTOCOL, re.S)
_TYPES = PROTOCOL.split("## Types\n", 1)[1].split("\n### ", 1)[0]
TYPES = {int(number): name for number, name in re.findall(r"^\| (\d) \| (\w+) \|", _TYPES, re.M)}


def vector(text: str) -> tuple[bytes, dict[str, str]]:
    lines = text.strip().splitlines()
    frame = bytes.fromhex("".join(line for line in lines if "=" not in line))
    return frame, dict(line.split(" = ", 1) for line in lines if "=" in line)


@pytest.mark.parametrize("text", VECTORS)
def test_examples_of_the_contract(text: str) -> None:
    frame, said = vector(text)
    decoder = wire.Decoder()
    ((protocol, kind, sequence, payload),) = decoder.feed(frame)
    assert protocol == wire.PROTOCOL and decoder.garbage_bytes == 0
    name = TYPES[kind]
    expected = ast.literal_eval(said[f"{name} {sequence}"])
    read = payload.decode() if kind == wire.ANSWER else getattr(wire, f"read_{name}")(payload)
    assert read == expected
    if kind == wire.EDGES:
        _, flags, base, phase, _, words = read
        ticks = [(wire.widen(w, flags, base, phase), w & 1) for w in np.frombuffer(words, "<u4").tolist()]
        assert ticks == ast.literal_eval(said["ticks"])


def test_every_type_has_an_example() -> None:
    assert {wire.Decoder().feed(vector(text)[0])[0][1] for text in VECTORS} == set(TYPES)


def rows(heading: str) -> list[list[str]]:
    section = PROTOCOL.split(f"## {heading}\n", 1)[1].split("\n## ", 1)[0]
    found = [
        [cell.strip() for cell in line.strip("|").split(" | ")] for line in section.splitlines() if line.startswith("|")
    ]
    return [[cell.strip("` ") for cell in row] for row in found]


def test_reasons_stand_in_one_table() -> None:
    """Ids and names as in wire.py, hints as in reasons.py, every one of them."""
    table = [row for row in rows("Reasons") if row[0].isdigit()]
    assert {int(row[0]): row[1] for row in table} == wire.REASONS
    told = {row[1]: row[2].replace("\\", "") for row in table}
    assert {name: hint.replace("`", "") for name, hint in reasons.HINTS.items()} == {
        name: hint.replace("`", "") for name, hint in told.items()
    }
    for number, name in wire.REASONS.items():
        assert wire.reason_id(name) == number
    with pytest.raises(KeyError):
        wire.reason_id("no such reason")


def test_every_reason_the_firmware_uses_is_in_the_table() -> None:
    source = "".join(path.read_text() for path in FOLDER.glob("*.py") if path.name != "reasons.py")
    used = set(re.findall(r'reason_id\("(\w+)"\)', source)) | set(re.findall(r'Refused\("(\w+)"\)', source))
    used |= set(re.findall(r'error (\w+)"', source))
    assert used <= set(wire.REASONS.values()) and len(used) >= 9


def test_types_events_and_commands_stand_in_the_contract() -> None:
    assert list(TYPES) == list(range(1, 10)) and all(getattr(wire, name.upper()) == n for n, name in TYPES.items())
    events = PROTOCOL.split("### event (9)", 1)[1].split("\n## ", 1)[0]
    assert dict((int(n), name) for n, name in re.findall(r"^\| (\d) \| (\w+) \|", events, re.M)) == wire.EVENTS
    said = {row[0].split()[0] for row in rows("Commands") if row[0] != "line" and "-" not in row[0][:3]}
    listed = re.search(r"_ACTIONS = \{(.*?)\}", (FOLDER / "commands.py").read_text(), re.S)
    assert listed is not None
    assert said == set(re.findall(r'"([\w-]+)":', listed[1]))


@given(st.binary(max_size=300), st.integers(0, 2**32 - 1), st.integers(0, 255))
def test_a_frame_comes_back(payload: bytes, sequence: int, kind: int) -> None:
    decoder = wire.Decoder()
    frames = decoder.feed(wire.make_frame(kind, sequence, payload))
    assert frames == [(wire.PROTOCOL, kind, sequence & wire.SEQUENCE_MASK, payload)]


@settings(max_examples=60)
@given(
    st.lists(st.one_of(st.binary(max_size=40), st.just(wire.MAGIC), st.integers(0, 5)), max_size=12),
    st.lists(st.integers(1, 30), max_size=60),
)
def test_garbage_between_frames(parts: list[bytes | int], cuts: list[int]) -> None:
    """Whatever lies between, whole frames come out, and however the bytes are cut, the same ones."""
    frames = [wire.make_frame(wire.ANSWER, n, b"frame %d" % n) for n in range(6)]
    data = b"".join(frames[part] if isinstance(part, int) else part for part in parts)
    whole = wire.Decoder()
    expected = whole.feed(data)
    cut = wire.Decoder()
    found = []
    at = 0
    for size in [*cuts, len(data)]:
        found += cut.feed(data[at : at + size])
        at += size
    bytewise = wire.Decoder()
    single = [frame for byte in data for frame in bytewise.feed(bytes([byte]))]
    assert found == expected == single
    assert (cut.garbage_bytes, cut.bad_crc) == (whole.garbage_bytes, whole.bad_crc)
    sent = [part for part in parts if isinstance(part, int)]
    if all(isinstance(part, int) or wire.MAGIC[0] not in part for part in parts):
        assert [f[2] for f in expected] == sent  # noise without a magic's first byte hides nothing


@pytest.mark.parametrize("cut", range(1, 40))
def test_frame_behind_a_cut_one_is_found(cut: int) -> None:
    frame = wire.make_frame(wire.ANSWER, 1, b"0123456789" * 3)
    decoder = wire.Decoder()
    found = decoder.feed(frame[:-cut] + frame + wire.make_frame(wire.ANSWER, 2, b"x"))
    # A cut-off tail may be completed by the next frame's first bytes only if the CRC agrees, which it does not.
    found += decoder.feed(wire.make_frame(wire.ANSWER, 3, bytes(wire.MOST_PAYLOAD)))
    assert [f[2] for f in found] == [1, 2, 3]


def test_header_that_claims_too_much_is_not_waited_for() -> None:
    """A right-looking header with a length no frame has must not hold up the frames behind it."""
    header = wire.make_frame(wire.ANSWER, 1, b"")[:4] + (60_000).to_bytes(2, "little")
    header += (60_000 ^ 0xFFFF).to_bytes(2, "little")
    found = wire.Decoder().feed(header + wire.make_frame(wire.ANSWER, 2, b"x"))
    assert [f[2] for f in found] == [2]


def test_every_single_bit_error_is_noticed() -> None:
    frame = wire.make_frame(wire.BLIND, 1, wire.pack_blind(0, 1, 5, 9, 2))
    for bit in range(8 * len(frame)):
        damaged = bytearray(frame)
        damaged[bit // 8] ^= 1 << bit % 8
        assert wire.Decoder().feed(bytes(damaged)) == []


def test_payload_too_long_is_refused() -> None:
    with pytest.raises(ValueError):
        wire.make_frame(wire.ANSWER, 0, bytes(wire.MOST_PAYLOAD + 1))


def test_edges_frame_whose_count_lies() -> None:
    payload = wire.pack_edges(0, 0, bytes(12))
    with pytest.raises(ValueError):
        wire.read_edges(payload[:-4])


@given(st.integers(0, 2**60), st.integers(-(2**24), 2**31 - 2**24 - 1), st.integers(0, 2**31 - 1), st.booleans())
def test_widening(base: int, ahead: int, phase: int, down: bool) -> None:
    """Right for every edge from a slack before its base to almost a wrap after it."""
    time = (phase + ahead) & wire.TIME_MASK
    word = (time ^ (wire.TIME_MASK if down else 0)) << 1 | 1
    assert wire.widen(word, wire.COUNTS_DOWN if down else 0, base, phase) == base + ahead


@pytest.mark.parametrize(("before", "now", "step"), [(5, 6, 1), (5, 9, 4), (wire.SEQUENCE_MASK, 0, 1), (3, 3, 0)])
def test_sequence_step(before: int, now: int, step: int) -> None:
    assert wire.sequence_step(before, now) == step


def test_same_bytes_on_micropython() -> None:
    """The board's interpreter makes and reads the very frames that CPython does."""
    need("the MicroPython unix port", micropython() is not None)
    script = """
import wire
f = wire.make_frame(wire.HEARTBEAT, 77, wire.pack_heartbeat(1 << 40, 1 << 33, 9, 5, 1, [1 << 40, 3, 4, 5]))
d = wire.Decoder()
out = []
for b in b"\\xf7T\\xf7" + f:
    out += d.feed(bytes([b]))
print(f.hex()); print(wire.read_heartbeat(out[0][3])); print(d.garbage_bytes)
"""
    path = {"MICROPYPATH": str(FOLDER)}
    run = subprocess.run([str(micropython()), "-c", script], capture_output=True, text=True, check=True, env=path)
    made, read, garbage = run.stdout.splitlines()
    frame = wire.make_frame(wire.HEARTBEAT, 77, wire.pack_heartbeat(1 << 40, 1 << 33, 9, 5, 1, [1 << 40, 3, 4, 5]))
    assert bytes.fromhex(made) == frame
    assert ast.literal_eval(read) == wire.read_heartbeat(wire.Decoder().feed(frame)[0][3])
    assert garbage == "3"
