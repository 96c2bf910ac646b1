"""The capture program, as the firmware holds it, cycle by cycle on rp2040-pio-emulator.

No postponed annotations in this file: the emulator reads those of the line functions it is given.
"""

import re
from collections.abc import Iterator

import pytest

pioemu = pytest.importorskip("pioemu")  # in the test extra; CI promises it through TOOTHWISE_REQUIRE below

from hypothesis import given, settings  # noqa: E402
from hypothesis import strategies as st  # noqa: E402
from toothwise.firmware import FOLDER, wire  # noqa: E402

from tests.firmware.bareboard import program, words_of  # noqa: E402

CAPTURE = program("capture_pio", "capture_program")
PATTERN = program("pattern_pio", "pattern_program")
TOP = 0xFFFFFFFF


def capture(
    edges: list[tuple[int, int]], cycles: int, *, level: int = 0, x: int = TOP, pin: int = 2
) -> list[tuple[int, int]]:
    """(cycle, word) of every word pushed; the machine begins in the loop of the line's level, as on the board."""
    levels = {}
    now = level
    changes = dict(edges)
    for cycle in range(cycles + 1):
        now = changes.get(cycle, now)
        levels[cycle] = now << pin

    def line(clock: int) -> int:
        return levels[min(clock, cycles)]

    start = CAPTURE.labels["high" if level else "low"]
    state = pioemu.State(program_counter=start, x_register=x, y_register=1)
    found = []
    for _, after in pioemu.emulate(
        CAPTURE.words,
        stop_when=lambda _, s: s.clock >= cycles,
        initial_state=state,
        input_source=line,
        auto_push=CAPTURE.setup["autopush"],
        push_threshold=CAPTURE.setup["push_thresh"],
        shift_isr_right=CAPTURE.setup["in_shiftdir"] == 1,
        jmp_pin=pin,
        wrap_target=CAPTURE.wrap_target,
        wrap_top=CAPTURE.wrap_top,
    ):
        while after.receive_fifo:
            found.append((after.clock, after.receive_fifo.popleft()))
    return found


def ticks(words: list[tuple[int, int]], x: int = TOP) -> list[tuple[int, int]]:
    """(tick, level) with tick 0 at the start, by the firmware's own widening."""
    phase = ~x & wire.TIME_MASK
    return [(wire.widen(w, wire.COUNTS_DOWN, 0, phase), w & 1) for _, w in words]


def test_size_and_places() -> None:
    # Four machines share one program of the block's 32 words; the firmware jumps into it by number.
    assert len(CAPTURE.words) <= 32 - len(PATTERN.words)
    source = (FOLDER / "capture_pio.py").read_text()
    for name in ("high", "low"):
        found = re.search(rf"_POLL_{name.upper()} = (\d+)", source)
        assert found is not None and int(found[1]) == CAPTURE.labels[name]


@pytest.mark.parametrize("at", range(100, 116))
@pytest.mark.parametrize("level", [0, 1])
def test_edge_at_every_phase(at: int, level: int) -> None:
    """A poll is every second cycle; an edge is stamped with the tick of the first poll that can see it."""
    words = capture([(at, 1 - level), (at + 1000, level)], 2000, level=level)
    assert ticks(words) == [((at + 1) // 2, 1 - level), ((at + 1001) // 2, level)]


@pytest.mark.parametrize("gap", range(2, 30))
@pytest.mark.parametrize("phase", [0, 1])
def test_pulse_of_two_cycles_and_more(gap: int, phase: int) -> None:
    """Every pulse is seen, and is at most three ticks long when shorter than the path taken at an edge."""
    start = 200 + phase
    words = capture([(start, 1), (start + gap, 0), (start + 400, 1)], 900)
    (up, one), (down, zero), (again, _) = ticks(words)
    assert (one, zero) == (1, 0)
    assert up == (start + 1) // 2
    first = 2 * up
    expected = max(first + 6, start + gap)
    assert down == (expected + (expected - first) % 2) // 2
    assert again == (start + 401) // 2  # nothing before shifts anything after


def test_train_as_fast_as_the_path() -> None:
    """Edges six cycles apart are all seen, each at its own tick."""
    edges = [(100 + 6 * n, (n + 1) % 2) for n in range(100)]
    assert ticks(capture(edges, 1000)) == [(50 + 3 * n, (n + 1) % 2) for n in range(100)]


@pytest.mark.parametrize("x", [7, 8, 9, 10, 11, 12, 50, 51])
@pytest.mark.parametrize("offset", range(-8, 9))
@pytest.mark.parametrize("level", [0, 1])
def test_wrap_costs_nothing(x: int, offset: int, level: int) -> None:
    """X runs through zero with an edge at every phase around it, and keeps time to the cycle."""
    at = max(2 * x + offset, 1)
    edges = [(at, 1 - level), (at + 40, level), (at + 81, 1 - level)]
    expected = [((cycle + 1) // 2, to) for cycle, to in edges]
    assert ticks(capture(edges, at + 200, level=level, x=x), x) == expected


def test_four_machines_on_one_clock() -> None:
    """The same edge on four pins gives four equal words; skewed ones differ by exactly their skew."""
    for skew in ((0, 0, 0, 0), (0, 2, 4, 6), (0, 1, 2, 3)):
        words = [ticks(capture([(300 + s, 1), (900 + s, 0)], 1200, pin=2 + n)) for n, s in enumerate(skew)]
        for found, s in zip(words, skew, strict=True):
            assert found == [((301 + s) // 2, 1), ((901 + s) // 2, 0)]


@st.composite
def lines(draw: st.DrawFn) -> tuple[int, list[tuple[int, int]]]:
    level = draw(st.integers(0, 1))
    gaps = draw(st.lists(st.one_of(st.integers(1, 14), st.integers(15, 90)), min_size=1, max_size=25))
    at = 0
    edges = []
    now = level
    for gap in gaps:
        at += gap
        now = 1 - now
        edges.append((at, now))
    return level, edges


@settings(max_examples=60, deadline=None)
@given(lines(), st.sampled_from([TOP, 0, 1, 17, 40]))
def test_rule_of_the_plain_model(case: tuple[int, list[tuple[int, int]]], x: int) -> None:
    """What the board model of the other tests does is what the program does, word for word."""
    level, edges = case
    until = edges[-1][0] + 20
    expected, _, _ = words_of(edges, level, until, x)
    assert [w for _, w in capture(edges, until + 12, level=level, x=x)] == [w for _, w in expected]


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(st.integers(2, 60), st.integers(0, 1)), min_size=1, max_size=20))
def test_pattern_program_keeps_time(steps: list[tuple[int, int]]) -> None:
    """Each word's level lasts two cycles a tick, exactly: the table as the firmware makes it."""
    words = [(2 * wanted - 3) << 1 | level for wanted, level in steps]
    found = list(play(words))
    expected = []
    at = found[0][0]
    for wanted, level in steps:
        expected.append((at, level))
        at += 2 * wanted
    assert found == expected


def play(words: list[int]) -> Iterator[tuple[int, int]]:
    """(cycle, level) of every OUT to the pin."""
    left = list(words)
    state = pioemu.State(pin_directions=1)
    state.transmit_fifo.extend(left[:4])
    del left[:4]
    out_pins = PATTERN.words.index(0x6001)
    total = sum((w >> 1) + 3 for w in words) + 20
    for before, after in pioemu.emulate(
        PATTERN.words,
        stop_when=lambda _, s: s.clock >= total,
        initial_state=state,
        auto_pull=PATTERN.setup["autopull"],
        pull_threshold=PATTERN.setup["pull_thresh"],
        shift_osr_right=PATTERN.setup["out_shiftdir"] == 1,
        out_count=1,
        wrap_target=PATTERN.wrap_target,
        wrap_top=PATTERN.wrap_top,
    ):
        while left and len(after.transmit_fifo) < 4:
            after.transmit_fifo.append(left.pop(0))
        if before.program_counter == out_pins and after.program_counter != out_pins:
            yield after.clock, after.pin_values & 1
