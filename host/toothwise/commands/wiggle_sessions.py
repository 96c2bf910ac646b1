"""Live sessions of `toothwise wiggle`: the guided test with its resumption, and the long watch."""

from __future__ import annotations

import argparse
import contextlib
import math
import sys
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

from toothwise.commands.cards import job_number, wheel_of
from toothwise.commands.paging import opened
from toothwise.commands.sources import wheel_named
from toothwise.commands.stopping import Stopping
from toothwise.commands.wiggle import conductor_names, tell, tell_soak
from toothwise.commands.wiggle_live import LiveTest
from toothwise.errors import BookTrouble, FileTrouble, RigTrouble, Trouble
from toothwise.wiggle import Mark, Seen, Watching, judge, look
from toothwise.wiggle.disturbance import Disturbance
from toothwise.wiggle.guide import Guide, steps
from toothwise.wiggle.harness import GENERAL, Harness, load
from toothwise.wiggle.ntc import Thermistor

if TYPE_CHECKING:
    from toothwise.book import Book
    from toothwise.book.stored import StoredRecording
    from toothwise.link import Rig
    from toothwise.wheel.pattern import Wheel


def guided(args: argparse.Namespace) -> int:
    """Lead through the places, then judge them."""
    from toothwise.book import Book
    from toothwise.link import open_rig

    harness = load(args.map) if args.map is not None else GENERAL
    with Book.open(args.book) as book, open_rig(args.rig) as rig:
        return guided_on(args, book, rig, harness)


def guided_on(args: argparse.Namespace, book: Book, rig: Rig, harness: Harness) -> int:
    """The same on an open rig: `demo` brings its own."""
    wheel, cam_wheel = wheel_of(args), wheel_named(args.cam_wheel)
    earlier = [] if args.resume is None else parts_of(book, args.resume, wheel, cam_wheel)
    done = {place.name: place.wiggles for place in judge(earlier).places} if earlier else {}
    guide = Guide(steps(harness, done), rig.clock.tick_ns * 1e-9, by_hand=args.by_hand)
    live, number = _live(args, book, rig, wheel, cam_wheel, guide=guide, title=harness.name)
    judged = judge([*earlier, live.watching.seen(guide.marks)])
    _keep(live, {"wiggle": judged.as_json()})
    print(f"kept as recording {number} in {book.where}", file=sys.stderr)
    code = tell(judged, args, book)
    if not guide.over:
        print(f"Not all places were moved. To go on: toothwise wiggle --resume {number}", file=sys.stderr)
    return _ended(live, code)


def long_watch(args: argparse.Namespace) -> int:
    """Hours of watching without places."""
    from toothwise.book import Book
    from toothwise.link import open_rig

    wheel, cam_wheel = wheel_of(args), wheel_named(args.cam_wheel)
    thermistor = _thermistor(args.thermistor)
    seconds = None if args.hours is None else args.hours * 3600.0
    with Book.open(args.book) as book, open_rig(args.rig) as rig:
        live, number = _live(
            args, book, rig, wheel, cam_wheel, guide=None, title="soak", seconds=seconds, thermistor=thermistor
        )
        _keep(live, {})
        print(f"kept as recording {number} in {book.where}", file=sys.stderr)
        code = tell_soak(args, live.watching.seen([]), live.temperatures)
    return _ended(live, code)


def _live(
    args: argparse.Namespace,
    book: Book,
    rig: Rig,
    wheel: Wheel | None,
    cam_wheel: Wheel | None,
    *,
    guide: Guide | None,
    title: str,
    **more: Any,
) -> tuple[LiveTest, int]:
    """Watch and record until it is over; the watch is finished, the recording is not."""
    names = conductor_names(args.conductors) if args.mode == "continuity" else {}
    channels = _channels(rig, args, names)
    settings = {
        "wheel": args.wheel,
        "cam_wheel": args.cam_wheel,
        "wiggle": {"mode": args.mode, "map": title, "names": names, "continues": args.resume},
    }
    with ExitStack() as stack:
        page = opened(stack, args)
        stopping = stack.enter_context(Stopping())
        recorder = book.start_recording(rig.clock, channels, rig.source, job_number(book, args.job), settings)
        watching = Watching(
            rig.clock, channels, mode=args.mode, wheel=wheel, cam_wheel=cam_wheel, source=rig.source, names=names
        )
        live = LiveTest(rig, recorder, watching, guide=guide, **more)
        where = "virtual rig" if args.rig == "virtual" else f"rig on {rig.port}"
        live.run(args, stack, stopping, title=f"{title}   {where}   recording {recorder.id}", page=page)
        stopping.finishing()
        watching.finish()
    with contextlib.suppress(Trouble):
        rig.command("watch turning")
    return live, recorder.id


def _channels(rig: Rig, args: argparse.Namespace, names: dict[str, str]) -> tuple[str, ...]:
    """The rig's channels that have a pin; of a continuity test those of its conductors. Sets the rig's watch."""
    if args.mode != "continuity":
        pins = {told.get("name"): told.get("pin") for told in rig.hello.facts["channels"]}
        wired = tuple(name for name in rig.channels if pins.get(name) is not None)
        return wired or rig.channels  # a rig without a board has no pins at all
    most = int(rig.hello.facts.get("conductors", 0))
    if not names or len(names) > most:
        raise RigTrouble(
            f"The rig on {rig.port} can feed {most} conductors, and {len(names)} are named",
            cause="" if most else "It has no pins for continuity",
            step="Name them with --conductors signal,ground" if most else "Use a board with conductor pins (see pins)",
        )
    rig.command(f"watch continuity {len(names)}")
    return tuple(names)


def _keep(live: LiveTest, more: dict[str, Any]) -> None:
    """The examination that ran along, with what the test came to, into the book."""
    result = live.watching.result
    assert result is not None
    whole = result.as_json()
    whole["events"] += [short.as_json(live.rig.clock) for short in live.shorts]
    try:
        live.recorder.finish(whole | more)
    except Trouble as trouble:
        live.broke = live.broke or trouble


def _ended(live: LiveTest, code: int) -> int:
    """A trouble's exit code comes first, then Ctrl-C's, then the findings'."""
    if isinstance(live.broke, Trouble):
        raise live.broke
    return 130 if live.ended or live.broke is not None else code


def parts_of(book: Book, number: int, wheel: Wheel | None, cam_wheel: Wheel | None) -> list[Seen]:
    """All recordings of one wiggle test up to this one, looked at. Raises BookTrouble for one without marks."""
    stored = book.recording(number)
    told = stored.settings.get("wiggle") or {}
    marks = [Mark(tick, place) for tick, place in stored.marks()]
    if not marks:
        raise BookTrouble(
            f"Recording {number} has no marks: nobody knows what was moved when",
            step="Give them with --marks MARKS.csv, as time_s,place",
        )
    continues = told.get("continues")
    earlier = parts_of(book, continues, wheel, cam_wheel) if continues and continues < number else []
    seen = look(
        stored,
        marks,
        mode=told.get("mode"),
        wheel=wheel or wheel_named(stored.settings.get("wheel")),
        cam_wheel=cam_wheel or wheel_named(stored.settings.get("cam_wheel")),
        names=told.get("names"),
        noted=_shorts(stored),
    )
    if earlier and earlier[0].mode != seen.mode:
        raise BookTrouble(
            f"Recordings {continues} and {number} were watched in different ways: {earlier[0].mode} and {seen.mode}",
            step="Judge each by itself, or take the test anew",
        )
    return [*earlier, seen]


def _shorts(stored: StoredRecording) -> list[Disturbance]:
    """Shorts between conductors, as the rig found them."""
    found = []
    for row in stored.events():
        names = row["more"].get("short")
        if names:
            start, end = row["tick"], row["end_tick"]
            found.append(Disturbance("short", "+".join(names), start, end, end - start, end - start))
    return found


def _thermistor(text: str) -> Thermistor:
    try:
        values = [float(part) for part in text.split(",")]
        r25, beta, series = values
    except ValueError:
        values = []
    if len(values) != 3 or not all(math.isfinite(value) and value > 0 for value in values):
        raise FileTrouble(f"--thermistor {text} is not three numbers above 0", step="Write it as 10000,3950,10000")
    return Thermistor(r25, beta, series)
