"""`toothwise job`: the job card, the test plan, and the causes weighed on what is known."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toothwise.commands import parsing
from toothwise.errors import FileTrouble

if TYPE_CHECKING:
    from toothwise.causes.findings import Findings

_ABOUT = """
The job card of one vehicle or one bench lot: complaint, trouble codes, sensor, wheel, meter readings. From it
and from what recordings showed: which test to do next, and which cause is carried by evidence.

A card is a TOML file and may be written by hand as well.
"""

_EXAMPLES = """
toothwise job new van.toml                       answer question by question
toothwise job show van.toml                      the card, with what its codes mean
toothwise job plan van.toml                      what to test next, best first
toothwise job add-reading van.toml feed_v 4.97   a meter reading, checked as it is typed
toothwise examine 7 --job van.toml --json > seen.json
toothwise job causes van.toml seen.json          the causes, for and against
toothwise job reference van.toml well.json       compare later recordings with this one, of the engine when well
"""

_DEFER = "Evidence, not a verdict: the maker's service information comes first."


def add(commands: parsing.Commands) -> None:
    parser = parsing.command(commands, "job", run, "job card, test plan and causes", _ABOUT, _EXAMPLES)
    todo = parser.add_subparsers(title="what to do", metavar="DO", required=True, dest="do")
    for name, brief in (
        ("new", "make a card, question by question"),
        ("show", "show a card, with what its codes mean"),
        ("plan", "what to test next"),
        ("add-reading", "add a meter reading"),
        ("causes", "weigh the causes"),
        ("reference", "keep cam and wheel of a good recording, to compare later ones with"),
    ):
        one = todo.add_parser(name, help=brief, description=f"{brief[0].upper()}{brief[1:]}.")
        one.add_argument("card", metavar="JOB.toml", type=Path, help="the job card")
        if name == "add-reading":
            one.add_argument("reading", metavar="READING", help="which one, as in feed_v, resistance_ohm, measured_at")
            one.add_argument("value", metavar="VALUE", help="with or without its unit; OL for over-range")
        if name in ("plan", "causes", "reference"):
            one.add_argument(
                "seen",
                metavar="SEEN.json",
                nargs=None if name == "reference" else "?",
                type=Path,
                help='what "toothwise examine --json" printed',
            )
        if name in ("plan", "causes"):
            parsing.add_json(one)


def run(args: argparse.Namespace) -> int:
    do = {
        "new": _new, "show": _show, "plan": _plan, "add-reading": _add_reading, "causes": _causes,
        "reference": _reference,
    }  # fmt: skip
    return do[args.do](args)


def _new(args: argparse.Namespace) -> int:
    from toothwise.causes.job import save
    from toothwise.causes.prompt import guided

    if args.card.exists():
        raise FileTrouble(f"{args.card} is already there", step="give another name, or edit that file")
    save(guided(_ask, print), args.card)
    print(f"written: {args.card}")
    return 0


def _ask(question: str) -> str:
    """One line; the end of the input leaves the rest of the card empty."""
    try:
        return input(f"{question}: ")
    except EOFError:
        return ""


def _show(args: argparse.Namespace) -> int:
    from toothwise.causes import codes
    from toothwise.causes.job import load, to_dict

    job = load(args.card)
    for key, value in to_dict(job).items():
        if isinstance(value, dict):
            print(f"{key}:")
            for name, entry in value.items():
                print(f"  {name}: {_text(entry)}")
        else:
            print(f"{key}: {_text(value)}")
    for text in job.codes or ():
        code = codes.read(text)
        print(f"{code.code}  {code.text}: {code.means}.")
    return 0


def _text(value: Any) -> str:
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def _add_reading(args: argparse.Namespace) -> int:
    from dataclasses import replace

    from toothwise.causes import readings
    from toothwise.causes.job import from_dict, load, save, to_dict

    job = load(args.card)
    if args.reading == "measured_at":
        card = to_dict(job)
        card.setdefault("readings", {})["measured_at"] = args.value
        save(from_dict(card), args.card)
        print(f"measured_at: {args.value}")
        return 0
    if args.reading not in readings.READINGS:
        raise FileTrouble(
            f"there is no reading called {args.reading}",
            step=f"use one of: {', '.join((*readings.READINGS, 'measured_at'))}",
        )
    value = readings.parse(args.reading, args.value)
    save(replace(job, readings={**job.readings, args.reading: value}), args.card)
    print(f"{args.reading}: {value:g} {readings.READINGS[args.reading].unit}")
    return 0


def _plan(args: argparse.Namespace) -> int:
    from toothwise.causes.plan import next_words, plan
    from toothwise.causes.weigh import weigh

    findings = _findings(args)
    steps, leader = plan(findings), weigh(findings)[0]
    confirm = {}
    if leader.stands == "supported" and leader.cause != "unproven":
        confirm = {"cause": leader.cause, "do": next_words(leader, [leader], [], findings)}
    if args.json:
        found = [
            {
                "test": s.test.name, "do": s.test.do, "good": s.test.good, "minutes": s.test.minutes,
                "rig": s.test.rig, "bits": round(s.bits, 3), "decides": list(s.decides),
                "safety": list(s.test.safety),
            }
            for s in steps
        ]  # fmt: skip
        print(json.dumps({"schema": 1, "confirm": confirm or None, "plan": found}, allow_nan=False))
        return 0
    if confirm:
        print(f"Supported: {leader.text}. To confirm it: {confirm['do']}")
    if not steps:
        print("No other test would tell much more.")
    cautions: dict[str, None] = {}
    for number, step in enumerate(steps, 1):
        by = "the rig" if step.test.rig else "by hand"
        print(f"{number:2}. {step.test.do}  ({step.test.minutes:g} min, {by})")
        print(f"    good: {step.test.good}")
        if step.decides:
            print(f"    tells about: {'; '.join(step.decides)}")
        cautions.update(dict.fromkeys(step.test.safety))
    for caution in cautions:
        print(f"Caution. {caution}")
    print(_DEFER)
    return 0


def _causes(args: argparse.Namespace) -> int:
    from toothwise.causes.weigh import causes

    found = causes(_findings(args))
    if args.json:
        print(json.dumps({"schema": 1, "causes": found}, allow_nan=False))
    else:
        for entry in found:
            print(f"{entry['stands']:12} {100 * entry['weight']:5.1f} %  {entry['text']}")
            if entry["stands"] in ("supported", "possible"):
                for sign, key in (("+", "for"), ("-", "against")):
                    for words in entry[key]:
                        print(f"             {sign} {words}")
                print(f"             next: {entry['next']}")
        print(_DEFER)
    faults = [e for e in found if e["stands"] == "supported" and e["fault"]]
    return 1 if faults else 0


def _findings(args: argparse.Namespace) -> Findings:
    from toothwise.causes.findings import Findings, from_json
    from toothwise.causes.job import load
    from toothwise.commands.told import examination

    job = load(args.card)
    return Findings(job=job) if args.seen is None else from_json(examination(args.seen), job)


def _reference(args: argparse.Namespace) -> int:
    from toothwise.causes.job import from_dict, load, save, to_dict
    from toothwise.causes.known_good import with_reference
    from toothwise.commands.told import examination

    job = with_reference(load(args.card), examination(args.seen))
    save(from_dict(to_dict(job)), args.card)  # a card is only written as it could be read again
    kept = job.reference
    parts = {
        "cam edges": len(kept.cam_edges_deg),
        "tooth errors": len(kept.tooth_error_deg),
        "slowest angle": int(kept.slowest_deg is not None),
    }
    print(f"kept as reference: {', '.join(f'{n} {what}' for what, n in parts.items() if n)}")
    return 0
