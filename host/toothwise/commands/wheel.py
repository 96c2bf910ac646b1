"""`toothwise wheel`: the wheels it knows, and a wheel learnt from a good recording."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toothwise.commands import parsing
from toothwise.errors import FileTrouble

if TYPE_CHECKING:
    from toothwise.book import Book
    from toothwise.examine import Result
    from toothwise.wheel.learnt import LearntWheel
    from toothwise.wheel.pattern import Wheel

_ABOUT = """
The wheels toothwise knows by name, and wheels learnt from recordings.

Learning takes a recording of a good signal, a minute of idle or more, and says how far each tooth stands from its
place, with the uncertainty. The book keeps it under a name of yours; --into writes it on a job card, where later
examinations use it.
"""

_EXAMPLES = """
toothwise wheel list                                       all names, and what was learnt
toothwise wheel show 36-2-2-2                              where its teeth stand
toothwise wheel learn 7 --wheel 60-2 --name "blue van"     from recording 7 of the book
toothwise wheel learn idle.csv --name press --into press.toml
toothwise wheel show "blue van"                            each tooth's error
"""


def add(commands: parsing.Commands) -> None:
    parser = parsing.command(commands, "wheel", run, "wheels by name, and learning one", _ABOUT, _EXAMPLES)
    action = parsing.actions(parser, parsing.add_json, parsing.add_book)
    action("list", "list the wheels known by name, and those learnt", _list)
    action("show", "show one wheel", _show).add_argument("name", metavar="WHEEL", help="its name, or a wheel file")
    learn = action("learn", "learn each tooth's error from a good recording", _learn)
    learn.add_argument("target", metavar="TARGET", help="a file, or the number of a recording in the book")
    learn.add_argument(
        "--wheel", metavar="WHEEL", default="auto", help="the crank wheel it should be, or auto (default)"
    )
    learn.add_argument("--name", metavar="NAME", required=True, help="what the book keeps it as")
    learn.add_argument("--into", metavar="JOB.toml", type=Path, help="write the errors on this job card, too")


def run(args: argparse.Namespace) -> int:
    code: int = args.do(args)
    return code


def _list(args: argparse.Namespace) -> int:
    from toothwise.book import Book
    from toothwise.show.table import table
    from toothwise.wheel import catalogue

    known = [catalogue.wheel(name) for name in catalogue.NAMES]
    with Book.open(args.book) as book:
        learnt = {name: _kept(book, name) for name in book.wheels()}
    if args.json:
        whole = {"known": [_pattern(w) for w in known], "learnt": {n: x.as_dict() for n, x in learnt.items() if x}}
        print(json.dumps(whole, allow_nan=False))
        return 0
    rows = [["wheel", "teeth", "pitch", "gaps"]]
    rows += [[w.name, str(w.teeth), _pitch(w), _gaps(w)] for w in known]
    print("\n".join(table(rows, right={1, 2})))
    print("Any other N-M, N and N+1 is understood, too, and a wheel file ending in .toml.")
    if learnt:
        rows = [["learnt", "wheel", "revolutions", "largest error"]]
        for name, wheel in learnt.items():
            assert wheel is not None
            tooth, error = wheel.largest
            rows.append([name, wheel.wheel, f"{wheel.revolutions:,}", f"tooth {tooth}: {error:+.3f}°"])
        print("\n" + "\n".join(table(rows, right={2})))
    return 0


def _kept(book: Book, name: str) -> LearntWheel | None:
    from toothwise.wheel.learnt import from_dict

    body = book.wheel(name)
    return None if body is None else from_dict(name, body)


def _pattern(wheel: Wheel) -> dict[str, Any]:
    return {
        "name": wheel.name,
        "teeth": wheel.teeth,
        "slots": wheel.slots,
        "turn_deg": wheel.turn_deg,
        "gaps": wheel.gaps,
        "angles_deg": [round(a, 6) for a in wheel.angles_deg],
        "widths_deg": None if wheel.widths_deg is None else list(wheel.widths_deg),
    }


def _pitch(wheel: Wheel) -> str:
    return f"{wheel.pitch_deg:g}°" if wheel.gaps or wheel.symmetry == 1 else "uneven"


def _gaps(wheel: Wheel) -> str:
    return " ".join(f"{gap[0]}" if len(gap) == 1 else f"{gap[0]}–{gap[-1]}" for gap in wheel.gaps) or "none"


def _show(args: argparse.Namespace) -> int:
    from toothwise.book import Book
    from toothwise.show import words
    from toothwise.show.table import table
    from toothwise.wheel import catalogue

    with Book.open(args.book) as book:
        learnt = _kept(book, args.name)
    if learnt is not None:
        if args.json:
            print(json.dumps({"name": args.name, **learnt.as_dict()}, allow_nan=False))
        else:
            print("\n".join(_learnt_lines(args.name, learnt)))
        return 0
    wheel = catalogue.wheel(args.name)
    if args.json:
        print(json.dumps(_pattern(wheel), allow_nan=False))
        return 0
    print(f"{words.clean(wheel.name)}: {words.count(wheel.teeth, 'tooth', 'teeth')} a turn of {wheel.turn_deg:g}°")
    if wheel.gaps:
        print(f"empty slots of {wheel.slots}: {_gaps(wheel)}")
    widths = wheel.widths_deg or (None,) * wheel.teeth
    rows = [["tooth", "at", "to the next", "width"]]
    for i, (angle, step, width) in enumerate(zip(wheel.angles_deg, wheel.steps_deg.tolist(), widths, strict=True)):
        rows.append([str(i + 1), f"{angle:.2f}°", f"{step:.2f}°", "any" if width is None else f"{width:g}°"])
    print("\n".join(table(rows, right={0, 1, 2, 3})))
    return 0


def _learnt_lines(name: str, learnt: LearntWheel) -> list[str]:
    from toothwise.show import words
    from toothwise.show.table import table

    runout = [f"{size:.3f}° {often} a turn" for size, often in zip(learnt.runout_deg, ("once", "twice"), strict=True)
              if size is not None]  # fmt: skip
    lines = [
        f"{words.clean(name)}: {words.clean(learnt.wheel)}, learnt from {learnt.revolutions:,} revolutions of "
        f"{words.clean(learnt.origin)}"
    ]
    if runout:
        lines.append(f"runout: {', '.join(runout)}")
    rows = [["tooth", "error", "uncertainty"]]
    pairs = zip(learnt.error_deg, learnt.uncertainty_deg, strict=True)
    rows += [[str(i + 1), f"{e:+.3f}°", f"{u:.3f}°"] for i, (e, u) in enumerate(pairs)]
    return lines + table(rows, right={0, 1, 2})


def _learn(args: argparse.Namespace) -> int:
    from toothwise.book import Book
    from toothwise.causes import job as cards
    from toothwise.commands.sources import recording_of, wheel_named
    from toothwise.examine import examine
    from toothwise.examine.explain import measures_for
    from toothwise.show.progress import Progress

    card = None if args.into is None else cards.load(args.into)
    otherwise = "" if card is None else card.sensor.wheel
    wheel = wheel_named(args.wheel, otherwise)
    with recording_of(args.target, args.book) as (recording, _), Progress() as progress:
        result = examine(
            recording,
            wheel,
            checks=measures_for(cards.Job()),
            progress=lambda e: progress.at(f"learning: {e.tally().edges:,} edges"),
        )
    learnt = _learnt(result, args.target)
    with Book.open(args.book) as book:
        book.keep_wheel(args.name, learnt.as_dict())
    if card is not None:
        reference = replace(card.reference, tooth_error_deg=tuple(round(e, 5) for e in learnt.error_deg))
        sensor = replace(card.sensor, wheel=card.sensor.wheel or learnt.wheel)
        cards.save(replace(card, reference=reference, sensor=sensor), args.into)
    if args.json:
        print(json.dumps({"name": args.name, **learnt.as_dict()}, allow_nan=False))
    else:
        print("\n".join(_learnt_lines(args.name, learnt)))
    return 0


def _learnt(result: Result, target: str) -> LearntWheel:
    """What a result's measures say of the wheel. Raises FileTrouble where the recording is not fit to learn from."""
    from toothwise.records import TOOTH_KINDS
    from toothwise.wheel.learnt import LearntWheel

    if result.wheel is None:
        raise FileTrouble(
            f"the wheel cannot be made out from {target}",
            cause=f"it could be {', '.join(result.candidates)}" if result.candidates else "no known wheel fits it",
            step="name it with --wheel",
        )
    faults = [event for event in result.events if event.kind in TOOTH_KINDS]
    if faults:
        raise FileTrouble(
            f"{target} is no good recording to learn a wheel from: {len(faults)} findings",
            step=f"see them with toothwise examine {target}, and learn from a recording without any",
        )
    errors = [m for m in result.measures if m.name == "tooth_error"]
    if not errors:
        raise FileTrouble(
            f"{target} does not tell the teeth of {result.wheel.name} from the engine",
            cause="too few whole engine cycles at a settled speed, or a wheel of fewer than 6 teeth",
            step="record a minute of idle",
        )
    runout = {m.name: float(m.value) for m in result.measures if m.name in ("runout_1", "runout_2")}
    return LearntWheel(
        result.wheel.name,
        tuple(round(float(m.value), 6) for m in errors),
        tuple(round(float(m.uncertainty or 0.0), 6) for m in errors),
        (runout.get("runout_1"), runout.get("runout_2")),
        result.revolutions,
        f"recording {target}" if target.isdigit() else Path(target).name,
    )
