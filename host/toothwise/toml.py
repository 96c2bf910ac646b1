"""TOML as `tomllib` reads it, with one kind of error for whatever text comes in."""

from __future__ import annotations

import math
import tomllib
from typing import Any


def table(text: str | bytes) -> dict[str, Any]:
    """The tables of a file. Raises tomllib.TOMLDecodeError, or UnicodeDecodeError where bytes are no UTF-8.

    `tomllib` itself lets out the interpreter's own errors for thousands of brackets and for thousands of digits, and
    hands on whole numbers of any size, where TOML 1.0.0 ("Integer") asks for 64 bits or an error. Decimals that no
    float holds are refused, too: infinity is what says `inf`. A byte order mark, as some editors write it, is skipped.
    """
    if isinstance(text, bytes):
        text = text.decode().replace("\r\n", "\n")
    try:
        found = tomllib.loads(text.removeprefix("\ufeff"), parse_float=_float)
        if not _fits(found):
            raise tomllib.TOMLDecodeError("a whole number of more than 64 bits")
        return found
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError:
        raise tomllib.TOMLDecodeError("brackets within brackets, too many of them") from None
    except ValueError as error:
        raise tomllib.TOMLDecodeError(str(error).partition(":")[0]) from None


def _float(text: str) -> float:
    value = float(text)
    if math.isinf(value) and "inf" not in text:
        raise tomllib.TOMLDecodeError(f"{text[:40]} is too large a number")
    return value


def _fits(value: Any) -> bool:
    if isinstance(value, dict):
        return all(map(_fits, value.values()))
    if isinstance(value, list):
        return all(map(_fits, value))
    return not isinstance(value, int) or -(1 << 63) <= value < 1 << 63
