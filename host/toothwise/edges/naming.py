"""Which of a file's channels is which of ours."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from toothwise.edges.signal import CHANNELS
from toothwise.errors import FileTrouble


def our_channel(name: str, given: Mapping[str, str]) -> str | None:
    """The channel a file's name stands for: as given, else by its own name; None for a foreign one."""
    if name in given:
        return given[name]
    plain = name.strip().lower()
    return plain if plain in CHANNELS else None


def check_given(given: Mapping[str, str]) -> None:
    """Raises FileTrouble where a name is to stand for a channel that does not exist."""
    for theirs, ours in given.items():
        if ours not in CHANNELS:
            raise FileTrouble(
                f"there is no channel called {ours!r}",
                cause=f"the file's channel {theirs!r} was to be read as one",
                step=f"Use one of {', '.join(CHANNELS)}",
            )


def choose(file: str, found: Iterable[str], given: Mapping[str, str]) -> dict[str, str]:
    """File's name → ours, for the channels that are read; a file's only channel is the crank.

    Raises FileTrouble where none of several is known, or two stand for one.
    """
    check_given(given)
    names = list(dict.fromkeys(found))
    chosen = {name: ours for name in names if (ours := our_channel(name, given)) is not None}
    if not chosen and len(names) == 1:
        return {names[0]: "crank"}
    if not chosen:
        listed = ", ".join(names[:12]) + (" …" if len(names) > 12 else "")
        raise FileTrouble(
            f"{file}: none of its channels is called {', '.join(CHANNELS)}",
            cause=f"it has {listed}" if names else "it names no channel",
            step="Say which is which, for example crank=" + (names[0] if names else "NAME"),
        )
    twice = [ours for ours in CHANNELS if sum(c == ours for c in chosen.values()) > 1]
    if twice:
        raise FileTrouble(
            f"{file}: more than one channel stands for {twice[0]}",
            cause=", ".join(theirs for theirs, ours in chosen.items() if ours == twice[0]),
            step="Name one channel of the file for each of ours",
        )
    return chosen
