"""`toothwise wiggle`: which place of a harness lets go when it is moved."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

from toothwise.commands import parsing

if TYPE_CHECKING:
    from collections.abc import Mapping

    from toothwise.book import Book
    from toothwise.wiggle import Judged, Seen

_ABOUT = """
Find the place of a harness that lets go when it is moved. Leads through the places one by one, from the sensor to the
control unit; hands off comes first. Each place gets its wiggles by time alone, and the space bar or the rig's mark
button goes on sooner. Every event is sounded, and belongs to the place that was being moved.

Three ways to watch: turning (the engine runs or cranks), rest (key on, nothing turning), continuity (the harness
unplugged at both ends, the rig feeds its conductors). The first two are told from the signal.

Bend each place 30 to 45 degrees both ways, pull no harder than 10 to 20 N a wire; back-probe from the seal side, never
pierce a wire. Leads, sleeves and hands stay clear of belts, fan and hot parts; the fan may start by itself. For
cranking, fuel and ignition are disabled the maker's way, at most 10 s on and 60 s rest. Keep off orange cables, and
never probe yellow circuits. Record before unplugging: plugging in again can hide the fault.
"""

_EXAMPLES = """
toothwise wiggle                                        lead me through the places
toothwise wiggle --map harness.toml --by-hand           my own places; each step waits for the mark button
toothwise wiggle --mode continuity --conductors signal,ground
toothwise wiggle --page --lan                           the place, the countdown and big buttons on a phone
toothwise wiggle --resume 7                             go on with the test that broke off
toothwise wiggle --before 7                             the same again after the repair, both side by side
toothwise wiggle --soak --hours 6                       events in time, and against the temperature
toothwise wiggle --from edges.csv --marks marks.csv     a recording, and what was held when
toothwise wiggle --from 7                               recording 7 of the book, with its own marks
"""


def add(commands: parsing.Commands) -> None:
    parser = parsing.command(commands, "wiggle", run, "find the place of a harness that lets go", _ABOUT, _EXAMPLES)
    parsing.add_rig(parser)
    parsing.add_wheel(parser)
    parsing.add_job(parser)
    parser.add_argument(
        "--mode",
        choices=("turning", "rest", "continuity"),
        help="how the harness is watched (default: by what the signal does)",
    )
    parser.add_argument("--map", metavar="MAP.toml", help="the harness map (default: a general one)")
    parser.add_argument("--by-hand", action="store_true", help="go on by key or mark button alone, not by time")
    parser.add_argument(
        "--conductors",
        metavar="NAMES",
        default="",
        help="continuity: the conductors on the rig's crank, cam and feed inputs, in that order: signal,ground",
    )
    parser.add_argument("--resume", type=parsing.recording, metavar="N", help="go on with the test of recording N")
    parser.add_argument(
        "--before", metavar="TARGET", help="compare with an earlier test: a recording, or its JSON file"
    )
    parser.add_argument(
        "--front-end",
        choices=("hall", "feed", "current", "reluctance", "none"),
        help="what the clip leads to, so that the result says what its filter hides",
    )
    parser.add_argument("--sensor-volts", type=float, default=5.0, metavar="X", help="its voltage (default: 5)")
    parser.add_argument("--mute", action="store_true", help="no sounds; the rig's lamp still answers")
    _add_soak(parser)
    parser.add_argument("--from", dest="target", metavar="TARGET", help="a file, or a recording's number in the book")
    parser.add_argument("--marks", metavar="MARKS.csv", help="time_s,place: from when on the hands were where")
    parsing.add_view(parser)
    parsing.add_page(parser)
    parsing.add_json(parser)
    parsing.add_book(parser)


def _add_soak(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--soak", action="store_true", help="a long watch without places: heat, cold, a drive")
    parser.add_argument("--hours", type=parsing.hours, metavar="H", help="end after so long (default: at Ctrl-C)")
    parser.add_argument("--temperatures", metavar="T.csv", help="soak of a file: time_s,celsius")
    parser.add_argument(
        "--thermistor",
        metavar="R25,B,SERIES",
        default="10000,3950,10000",
        help="the one on the rig's analogue input: ohms at 25 °C, B in K, ohms to the supply (default: %(default)s)",
    )


def run(args: argparse.Namespace) -> int:
    if args.target is not None:
        return _from_recording(args)
    from toothwise.commands.wiggle_sessions import guided, long_watch

    return long_watch(args) if args.soak else guided(args)


def _from_recording(args: argparse.Namespace) -> int:
    from toothwise.commands.cards import wheel_of
    from toothwise.commands.sources import recording_of, wheel_named
    from toothwise.show.progress import Progress
    from toothwise.wiggle import judge, look

    wheel, cam_wheel = wheel_of(args), wheel_named(args.cam_wheel)
    with recording_of(args.target, args.book) as (recording, book), Progress() as progress:

        def say(tick: int) -> None:
            progress.at(f"looking: {recording.clock.span_s(tick):,.1f} s of signal")

        if book is not None and not args.soak and args.marks is None:
            from toothwise.commands.wiggle_sessions import parts_of

            return tell(judge(parts_of(book, int(args.target), wheel, cam_wheel)), args, book)
        marks = [] if args.soak else _marks(args, recording.clock)
        seen = look(
            recording,
            marks,
            mode=args.mode,
            wheel=wheel,
            cam_wheel=cam_wheel,
            names=conductor_names(args.conductors),
            open_ended=book is None,
            progress=say,
        )
    if args.soak:
        return _tell_soak_of(args, seen, book)
    return tell(judge([seen]), args)


def _marks(args: argparse.Namespace, clock: Any) -> Any:
    from toothwise.errors import FileTrouble
    from toothwise.wiggle import read_marks

    if args.marks is None:
        raise FileTrouble(
            "There are no marks: nobody knows what was moved when", step="Give them with --marks, as time_s,place"
        )
    return read_marks(args.marks, clock)


def conductor_names(text: str) -> dict[str, str]:
    """Names of conductors by the rig's channel, in the channels' order."""
    from toothwise.edges.signal import CHANNELS

    names = [name.strip() for name in text.split(",") if name.strip()]
    return dict(zip(CHANNELS, names, strict=False))


def _tell_soak_of(args: argparse.Namespace, seen: Seen, book: Book | None) -> int:
    from toothwise.wiggle.soak import marked_temperatures, read_temperatures

    if args.temperatures is not None:
        readings = read_temperatures(args.temperatures)
    elif book is not None:
        stored = book.recording(int(args.target))
        readings = marked_temperatures(stored.marks(), stored.clock)
    else:
        readings = []
    return tell_soak(args, seen, readings)


def tell_soak(args: argparse.Namespace, seen: Seen, readings: Any) -> int:
    """Print what came of a long watch; the exit code that goes with it."""
    from toothwise.wiggle.soak import soak

    whole = soak(seen, readings)
    if args.json:
        print(json.dumps(whole, allow_nan=False))
    else:
        from toothwise.show.screen import Look
        from toothwise.show.soak import soak_lines

        print("\n".join(soak_lines(whole, Look(sys.stdout))))
    return int(bool(whole["events"]))


def tell(judged: Judged, args: argparse.Namespace, book: Book | None = None) -> int:
    """Print what came of it; the exit code that goes with it."""
    whole = judged.as_json()
    whole["front_end"] = _front_end(args)
    if args.before is not None:
        from toothwise.wiggle.compare import compare

        whole["before"] = compare(_earlier(args, book), whole)
    if args.json:
        print(json.dumps(whole, allow_nan=False))
    else:
        from toothwise.show.screen import Look
        from toothwise.show.wiggle import summary

        print("\n".join(summary(whole, Look(sys.stdout))))
    return int(judged.found)


def _front_end(args: argparse.Namespace) -> dict[str, Any] | None:
    if args.front_end is None:
        return None
    from toothwise.wiring.standard import shortest_interruption

    hides = shortest_interruption(args.front_end, args.sensor_volts)
    name = f"{args.front_end} {args.sensor_volts:g} V" if args.front_end in ("hall", "feed") else args.front_end
    if hides is None:
        return {"name": name, "usual_s": None, "sure_s": None, "capture_s": None}
    return {"name": name, "usual_s": hides.usual_s, "sure_s": hides.sure_s, "capture_s": hides.capture_s}


def _earlier(args: argparse.Namespace, book: Book | None) -> Mapping[str, Any]:
    """An earlier test's result, by its recording's number or as a file that --json wrote."""
    from pathlib import Path

    from toothwise.commands.sources import book_number
    from toothwise.commands.told import wiggle_test
    from toothwise.errors import BookTrouble

    number = book_number(args.before)
    if number is None:
        return wiggle_test(Path(args.before))
    if book is None:
        from toothwise.book import Book as Opened

        with Opened.open(args.book) as opened:
            result = opened.recording(number).result
    else:
        result = book.recording(number).result
    if result is None or "wiggle" not in result:
        raise BookTrouble(
            f"Recording {number} is no finished wiggle test", step="toothwise book list shows what there is"
        )
    found: Mapping[str, Any] = result["wiggle"]
    return found
