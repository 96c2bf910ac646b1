"""Text in big blocks: lines, fields and exact decimals by array operations, never row by row.

A block is a uint8 array of whole lines. All functions work on positions in it, so that a gigabyte file is read
at the same small memory as a short one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from toothwise.errors import FileTrouble

Bytes = NDArray[np.uint8]
Positions = NDArray[np.int64]

BLOCK = 1 << 21
"""Bytes a block: large enough that array operations pay, small enough to stay in the processor's cache."""

PICO = 10**12
LARGEST_WHOLE = 10**15
"""A number with more digits before the point than this is no time and no voltage."""
LONGEST_NUMBER = 40

NEWLINE, RETURN, SPACE, TAB, QUOTE, HASH, POINT, COMMA = (ord(c) for c in '\n\r \t"#.,')


@dataclass(frozen=True, slots=True)
class Block:
    """Whole lines of a file. `first_line` counts from 1; `complete` is False if the last line lacks its end."""

    data: Bytes
    first_line: int
    complete: bool = True


def blocks(path: Path, start: int = 0, first_line: int = 1, size: int = BLOCK) -> Iterator[Block]:
    """The file as blocks of whole lines, from a byte position on, at which line `first_line` begins.

    A mark at the start (byte order mark) is skipped; line ends may be LF, CRLF or CR alone.
    Raises FileTrouble where a single line is longer than a block.
    """
    line = first_line
    rest = b""
    with path.open("rb", buffering=0) as file:
        file.seek(start)
        first = start == 0
        while piece := file.read(size):
            if first and piece.startswith(b"\xef\xbb\xbf"):
                piece = piece[3:]
            first = False
            if b"\r" in piece and b"\n" not in piece[:65536]:
                piece = piece.replace(b"\r", b"\n")
            cut = piece.rfind(b"\n") + 1
            if not cut:
                rest += piece
                if len(rest) > 2 * size:
                    raise FileTrouble(
                        f"{path.name}, row {line}: the row is longer than {size // 1024} KB",
                        cause="a file with far too many columns, or not a text file",
                        step="Write one row an edge or sample, with a line end after each",
                    )
                continue
            whole = np.frombuffer(rest + piece[:cut], np.uint8)
            rest = piece[cut:]
            yield Block(whole, line)
            line += int(np.count_nonzero(whole == NEWLINE))
    if rest:
        yield Block(np.frombuffer(rest, np.uint8), line, complete=False)


@dataclass(frozen=True, slots=True, eq=False)
class Fields:
    """The fields of a block's rows.

    data: the block without quotes. lines: the file's line of each row. starts, ends: shape (rows, columns).
    good: False where a row has another number of fields (its positions then mean nothing).
    count: fields in each row.
    """

    data: Bytes
    lines: Positions
    starts: Positions
    ends: Positions
    good: NDArray[np.bool_]
    count: Positions

    def text(self, row: int, column: int) -> str:
        """One field as it stands, shortened for a message."""
        start, end = int(self.starts[row, column]), int(self.ends[row, column])
        return self.data[start : min(end, start + 40)].tobytes().decode("utf-8", "replace").strip()

    def whole_row(self, row: int) -> str:
        """A row as it stands, shortened for a message; also where its fields could not be told apart."""
        newlines = np.flatnonzero(self.data == NEWLINE)
        start = int(self.starts[row, 0])
        after = newlines[np.searchsorted(newlines, start) :]
        end = int(after[0]) if len(after) else len(self.data)
        return self.data[start : min(end, start + 40)].tobytes().decode("utf-8", "replace").strip()


def split(block: Block, separator: int, columns: int) -> Fields:
    """Rows and fields of a block; empty lines and lines that begin with # are left out.

    Where the comma does not separate fields it is a decimal comma, and is read as a point.
    """
    data = block.data
    if (data == QUOTE).any():
        data = data[data != QUOTE]
        if not len(data):
            data = np.array([NEWLINE], np.uint8)
    if separator != COMMA and (data == COMMA).any():
        data = np.where(data == COMMA, np.uint8(POINT), data)
    ends = np.flatnonzero(data == NEWLINE)
    if not block.complete:
        ends = np.append(ends, len(data))
    starts = np.empty_like(ends)
    starts[:1] = 0
    starts[1:] = ends[:-1] + 1
    lines = block.first_line + np.arange(len(ends), dtype=np.int64)
    has_return = (ends > starts) & (data[np.maximum(ends - 1, 0)] == RETURN)
    ends = ends - has_return
    used = ends > starts
    used &= data[np.minimum(starts, len(data) - 1)] != HASH
    if not used.all():
        starts, ends, lines = starts[used], ends[used], lines[used]

    separators = np.flatnonzero(data == separator)
    inner = columns - 1
    rows = len(starts)
    count = np.full(rows, columns, np.int64)
    regular = len(separators) == inner * rows
    if regular and inner:
        table = separators.reshape(rows, inner)
        regular = bool((table[:, 0] >= starts).all() and (table[:, -1] < ends).all())
    if regular:
        good = np.ones(rows, bool)
        inside = separators.reshape(rows, inner)
    else:
        first = np.searchsorted(separators, starts)
        count = np.searchsorted(separators, ends) - first + 1
        good = count == columns
        pick = np.where(good, first, 0)[:, None] + np.arange(inner)
        padded = separators if len(separators) else np.zeros(1, np.int64)
        inside = padded[np.minimum(pick, len(padded) - 1)]
    left = np.empty((rows, columns), np.int64)
    right = np.empty((rows, columns), np.int64)
    left[:, 0], right[:, -1] = starts, ends
    left[:, 1:], right[:, :-1] = inside + 1, inside
    if not good.all():
        left[~good] = starts[~good, None]
        right[~good] = starts[~good, None]
    return Fields(data, lines, left, right, good, count)


@dataclass(frozen=True, slots=True, eq=False)
class Numbers:
    """Decimals, exactly: value = whole + pico·10⁻¹², 0 ≤ pico < 10¹²; digits past the twelfth are rounded.

    good: False where the field is not a finite decimal number, or too large to be one.
    places: digits after the point in each field, as written.
    """

    whole: Positions
    pico: Positions
    good: NDArray[np.bool_]
    places: NDArray[np.int8]

    def floats(self) -> NDArray[np.float64]:
        return self.whole + self.pico * 1e-12


def numbers(data: Bytes, starts: Positions, ends: Positions) -> Numbers:
    """Parse decimal fields: sign, digits, a point, digits; `1.5e-3` too, more slowly."""
    starts, ends = _trim(data, starts, ends)
    size = len(starts)
    if not size:
        none = np.empty(0, np.int64)
        return Numbers(none, none, np.empty(0, bool), np.empty(0, np.int8))
    top = len(data) - 1
    head = data[np.minimum(starts, top)]
    negative = head == ord("-")
    begin = starts + (negative | (head == ord("+")))
    length = ends - begin
    longest = min(int(length.max(initial=0)), LONGEST_NUMBER)

    whole = np.zeros(size, np.int64)
    part = np.zeros(size, np.int64)
    places = np.zeros(size, np.int8)
    after = np.zeros(size, bool)
    digits = np.zeros(size, np.int8)
    good = (length > 0) & (length <= LONGEST_NUMBER)
    exponent = np.zeros(size, bool)
    round_up = np.zeros(size, bool)
    shortest = int(length.min(initial=0))
    for k in range(longest):
        char = data[np.minimum(begin + k, top)]
        digit = char - np.uint8(48)
        is_digit = digit < 10
        is_point = char == POINT
        if k >= shortest:
            live = length > k
            is_digit &= live
            is_point &= live
            other = live & ~is_digit & ~is_point
        else:
            other = ~(is_digit | is_point)
        if other.any():
            letter = other & ((char == ord("e")) | (char == ord("E")))
            exponent |= letter
            good &= ~other | letter
        digits += is_digit
        if not after.any():
            np.multiply(whole, 10, out=whole, where=is_digit)
            np.add(whole, digit, out=whole, where=is_digit)
        elif after.all():
            _add_place(part, places, round_up, digit, is_digit)
        else:
            before = is_digit & ~after
            np.multiply(whole, 10, out=whole, where=before)
            np.add(whole, digit, out=whole, where=before)
            _add_place(part, places, round_up, digit, is_digit & after)
        good &= ~(is_point & after)
        after |= is_point
        if k >= 15:
            too_large = whole >= LARGEST_WHOLE
            if too_large.any():
                good &= ~too_large
                whole[too_large] = 0
    good &= (digits > 0) & (whole < LARGEST_WHOLE)
    short = np.minimum(places, 12)
    part *= _POWERS[12 - short]
    part += round_up
    carry = part >= PICO
    if carry.any():
        whole += carry
        part -= carry * np.int64(PICO)
    if negative.any():
        flip = negative & (part > 0)
        whole = np.where(negative, -whole, whole) - flip
        part = np.where(flip, PICO - part, part)
    out = Numbers(whole, part, good, places)
    if exponent.any():
        _with_exponent(data, starts, ends, np.flatnonzero(exponent), out)
    return out


_POWERS = 10 ** np.arange(13, dtype=np.int64)


def _add_place(
    part: Positions, places: NDArray[np.int8], round_up: NDArray[np.bool_], digit: Bytes, here: NDArray[np.bool_]
) -> None:
    """One more digit after the point; the thirteenth only rounds."""
    if int(places.max()) < 12:
        np.multiply(part, 10, out=part, where=here)
        np.add(part, digit, out=part, where=here)
    else:
        fits = here & (places < 12)
        np.multiply(part, 10, out=part, where=fits)
        np.add(part, digit, out=part, where=fits)
        round_up |= here & (places == 12) & (digit >= 5)
    places += here


def _with_exponent(data: Bytes, starts: Positions, ends: Positions, rows: Positions, out: Numbers) -> None:
    """Fields such as 1.5e-3, one by one but exactly."""
    for row in rows.tolist():
        raw = data[starts[row] : ends[row]].tobytes()
        try:
            value = Decimal(raw.decode("ascii"))
            exponent = value.as_tuple().exponent
            if not isinstance(exponent, int) or (value and value.adjusted() > 15):
                raise InvalidOperation
            units = int((value.scaleb(12)).to_integral_value()) if value.adjusted() > -20 else 0
        except (ArithmeticError, ValueError):
            out.good[row] = False
            continue
        out.whole[row], out.pico[row] = divmod(units, PICO)
        out.places[row] = max(0, min(-exponent, 100))
        out.good[row] = abs(units) < LARGEST_WHOLE * PICO


def _trim(data: Bytes, starts: Positions, ends: Positions) -> tuple[Positions, Positions]:
    """Leave out spaces and tabs on both sides."""
    top = len(data) - 1
    while True:
        left = data[np.minimum(starts, top)]
        blank = (starts < ends) & ((left == SPACE) | (left == TAB))
        if not blank.any():
            break
        starts = starts + blank
    while True:
        right = data[np.maximum(ends - 1, 0)]
        blank = (starts < ends) & ((right == SPACE) | (right == TAB))
        if not blank.any():
            return starts, ends
        ends = ends - blank


def keys(data: Bytes, starts: Positions, ends: Positions) -> NDArray[np.uint64]:
    """A 64-bit key of each short text, the same for equal texts; spaces around it do not count."""
    if not len(data):
        data = np.array([SPACE], np.uint8)
    starts, ends = _trim(data, starts, ends)
    length = ends - starts
    top = len(data) - 1
    key = length.astype(np.uint64)
    shortest = int(length.min(initial=0))
    for k in range(min(int(length.max(initial=0)), 64)):
        char = data[np.minimum(starts + k, top)]
        if k < shortest:
            key = key * np.uint64(0x100000001B3) ^ char
        else:
            key = np.where(length > k, key * np.uint64(0x100000001B3) ^ char, key)
    return key
