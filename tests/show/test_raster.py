"""The revolution raster: cells where they belong, rows that keep up with the wheel, drawn in both alphabets."""

from __future__ import annotations

import io

import numpy as np
import pytest
from toothwise.records import BLIND, EXTRA, MISSING, SEEN, Event
from toothwise.show.raster import ROWS_A_SECOND, Raster
from toothwise.show.rasterlines import LABEL, RasterLines
from toothwise.show.screen import Look, Screen
from toothwise.track.teeth import Teeth
from toothwise.wheel import catalogue

W60 = catalogue.wheel("60-2")
W12 = catalogue.wheel("12-1")


def teeth(wheel_teeth: int, first: int, count: int, leave_out: tuple[int, ...] = ()) -> Teeth:
    """`count` teeth from number `first` on, counted through; a tick is a tooth."""
    place = np.array([p for p in range(first, first + count) if p not in leave_out], np.int64)
    revolution, tooth = np.divmod(place, wheel_teeth)
    return Teeth(place * 10, place * 10 + 4, (tooth + 1).astype(np.int32), revolution, np.zeros(len(place), np.int32))


def missing(revolution: int, tooth: int, count: int = 1) -> Event:
    return Event("missing", "crank", 0, 0, revolution, tooth, 0.0, count, 0)


def test_a_missing_tooth_and_an_extra_edge_stand_in_their_cells() -> None:
    raster = Raster(W60)
    raster.add(teeth(58, 0, 116, (16, 70)), [missing(0, 17), missing(1, 13), Event("extra", "crank", 0, 0, 1, 58)])
    first, second = raster.rows
    assert first.cells[16] == MISSING
    assert second.cells[12] == MISSING
    assert second.cells[57] == SEEN | EXTRA
    assert first.cells[:16].tolist() == [SEEN] * 16
    assert first.cells[58:].tolist() == [0, 0], "no tooth ever stands in the gap"


def test_a_run_of_missing_teeth_goes_on_in_the_next_row() -> None:
    raster = Raster(W12)
    raster.add(teeth(11, 0, 33, tuple(range(9, 24))), [missing(0, 10, 15)])
    assert [(row.cells[:11] == MISSING).sum() for row in raster.rows] == [2, 11, 2]


def test_blind_cells_lie_between_the_last_tooth_before_and_the_first_after() -> None:
    raster = Raster(W12)
    raster.add(None, [Event("blind", "all", 45, 95)])
    raster.add(teeth(11, 0, 5), [])
    raster.add(teeth(11, 10, 4), [])
    cells = raster.rows[0].cells[:11].tolist()
    assert cells == [SEEN] * 5 + [BLIND] * 5 + [SEEN]


@pytest.mark.parametrize("rpm", [60, 200, 900, 3000, 6500, 9000])
def test_rows_never_come_faster_than_the_eye_can_follow(rpm: float) -> None:
    raster = Raster(W60)
    raster.pace(rpm)
    assert rpm / 60 / raster.span <= ROWS_A_SECOND
    assert raster.span == 1 or rpm / 60 / raster.span > ROWS_A_SECOND / 3, "nor are they lumped without need"


def test_a_speed_that_wavers_at_a_border_does_not_change_the_rows() -> None:
    raster = Raster(W60)
    spans = set()
    for rpm in [481, 479, 481, 475, 485] * 5:
        raster.pace(rpm)
        spans.add(raster.span)
    assert spans == {2}


def test_a_row_of_several_revolutions_shows_the_worst_of_them() -> None:
    raster = Raster(W12)
    raster.pace(3000)
    raster.add(teeth(11, 0, 11 * raster.span * 3), [missing(raster.span + 2, 4)])
    assert [row.first for row in raster.rows] == [0, raster.span, 2 * raster.span]
    assert raster.rows[1].cells[3] & MISSING


def test_a_leap_of_the_revolution_count_does_not_fill_the_memory() -> None:
    raster = Raster(W12, depth=16)
    raster.add(teeth(11, 0, 22), [])
    raster.add(teeth(11, 11 * 10**9, 22), [missing(3, 1)])
    assert len(raster.rows) <= 16
    assert raster.rows[-1].first == 10**9 + 1


class Terminal(io.StringIO):
    encoding = "utf-8"  # type: ignore[assignment]

    def isatty(self) -> bool:
        return True

    def fileno(self) -> int:
        raise OSError


def drawn(raster: Raster, *, unicode: bool, height: int = 10, width: int = 80) -> list[str]:
    stream = Terminal()
    look = Look(stream)
    look.colour = False
    lines = RasterLines(raster, Screen(stream, look), unicode=unicode).lines(width, height)
    return [line[LABEL:] for line in lines]


def test_two_revolutions_share_a_line_and_no_sign_is_colour_alone() -> None:
    raster = Raster(W60)
    raster.add(
        teeth(58, 0, 58 * 4, (16, 16 + 58, 16 + 174)),
        [missing(0, 17), missing(1, 17), missing(3, 17), Event("extra", "crank", 0, 0, 2, 3)],
    )
    first, second = drawn(raster, unicode=True)
    assert first == ":" * 16 + "█" + ":" * 41 + "  "
    assert second == "::╹" + ":" * 13 + "▄" + ":" * 41 + "  "
    assert drawn(raster, unicode=False) == [
        "." * 16 + "#" + "." * 41 + "  ",
        "." * 16 + "#" + "." * 41 + "  ",
        "..+" + "." * 55 + "  ",
        "." * 16 + "#" + "." * 41 + "  ",
    ]


def test_every_pair_of_states_has_a_sign_that_tells_its_worst() -> None:
    from toothwise.show import rasterlines

    assert len(rasterlines._TWO) == 25
    worst = {sign: max(pair) for pair, sign in rasterlines._TWO.items()}
    for pair, sign in rasterlines._TWO.items():
        if max(pair) > SEEN:
            assert max(pair) == worst[sign], f"{sign} stands for two things"


def test_wheels_of_any_size_fit_the_line() -> None:
    for name in ("360", "1440", "2", "half-moon", "36-2-2-2", "4+1"):
        wheel = catalogue.wheel(name)
        raster = Raster(wheel)
        raster.add(teeth(wheel.teeth, 0, wheel.teeth * 2), [])
        for unicode in (True, False):
            assert all(0 < len(line) <= 80 - LABEL for line in drawn(raster, unicode=unicode))
