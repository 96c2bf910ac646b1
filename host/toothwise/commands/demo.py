"""`toothwise demo`: the whole chain without a board, on a made engine with a faulty harness."""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from toothwise.commands import parsing

if TYPE_CHECKING:
    from toothwise.book import Book
    from toothwise.model.made import Made

_ABOUT = """
See toothwise at work without a board: a made four-cylinder engine with a faulty sensor harness starts and
idles on the virtual rig, which runs the board's own firmware. First the live view, then what was found.
It takes half a minute, asks nothing and keeps nothing unless told to. Exit code 0 when the chain worked.
"""

_EXAMPLES = """
toothwise demo              on a terminal: the live view
toothwise demo --plain      lines of text instead
toothwise demo --json       the result as one object
toothwise demo --wiggle     a guided wiggle test, a minute long
toothwise demo --keep demo.sqlite    then: toothwise report 1 --book demo.sqlite
"""

STORY = """
The car and its fault are made up: on the Brindle 1.4 of Quarry Bank Garage the signal wire opens at the
sensor's connector while the harness is moved, from 8 to 10 s and again at 14 s; at 18 s the feed sags.
A fault of a wheel's tooth would stand at one tooth in every revolution. This one keeps to no tooth.
"""
HANDLED_S = ((8.0, 10.0), (14.0, 15.0))
SAG_S = ((18.0, 18.06),)
SEED = 20


def add(commands: parsing.Commands) -> None:
    parser = parsing.command(commands, "demo", run, "see it work, without a board", _ABOUT, _EXAMPLES)
    parsing.add_view(parser)
    parsing.add_page(parser)
    parsing.add_json(parser)
    parser.add_argument("--wiggle", action="store_true", help="a guided wiggle test instead")
    parser.add_argument("--keep", metavar="BOOK", help="keep the recording in this book, to try the other commands on")
    parser.set_defaults(rig="virtual", wheel="60-2", cam_wheel=None, job=None)
    # What `wiggle` asks for and a demo leaves as it is.
    parser.set_defaults(mode=None, by_hand=False, conductors="", resume=None, mute=False, before=None, front_end=None)


def made() -> Made:
    """The demo's recording, the same every time, and the truth about it."""
    import numpy as np

    from toothwise.model import drive
    from toothwise.model.engine import healthy
    from toothwise.model.faults import Chatter, FeedSag
    from toothwise.model.made import Scenario, make
    from toothwise.model.wheel import MadeWheel
    from toothwise.wheel import catalogue

    rng = np.random.default_rng(SEED)
    course = [
        *drive.start(crank_s=2.0, idle_s=12.0),
        drive.Phase("fire", 2.0, 2200.0),
        drive.Phase("fire", 3.0, 850.0),
    ]
    scenario = Scenario(
        MadeWheel(catalogue.wheel("60-2")),
        drive.run(healthy(4), course, rng),
        faults=(Chatter(HANDLED_S, per_s=3.0), FeedSag(SAG_S)),
        feed=True,
    )
    return make(scenario, rng)


@contextmanager
def demo_book(keep: str | None) -> Iterator[Book]:
    """The book that the user named, else one that is thrown away afterwards."""
    from toothwise.book import Book

    with ExitStack() as stack:
        if keep is None:
            folder = tempfile.TemporaryDirectory(prefix="toothwise-demo-", ignore_cleanup_errors=True)
            keep = str(Path(stack.enter_context(folder)) / "demo.sqlite")
        yield stack.enter_context(Book.open(keep))


def run(args: argparse.Namespace) -> int:
    if args.wiggle:
        from toothwise.commands import demo_wiggle

        return demo_wiggle.run(args)
    from toothwise.commands.examine import tell
    from toothwise.commands.session import session, told
    from toothwise.link import open_rig
    from toothwise.wheel import catalogue

    recording = made().recording
    with (
        demo_book(args.keep) as book,
        open_rig("virtual", edges=recording.batches(), tick_hz=round(1e9 / recording.clock.tick_ns)) as rig,
    ):
        outcome = session(args, rig, book, name="demo", wheel=catalogue.wheel(args.wheel))
    tell(outcome.result, as_json=args.json)
    if not args.json:
        print(STORY.rstrip())
        print(
            "\nWith a board: toothwise rig list, then toothwise watch. The README has the wiring.",
            file=sys.stderr,
        )
    return told(outcome, 0)
