"""`toothwise wiring`: design, draw and simulate front ends. Nothing heavy is imported until one of them runs."""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from toothwise.wiring.campaign import Check
    from toothwise.wiring.front import FrontEnd

KINDS = ("hall", "reluctance", "current", "feed")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The three actions and their options."""
    actions = parser.add_subparsers(title="what to do", metavar="ACTION", required=True)
    brief = "choose a front end's parts and compute what it does"
    design = actions.add_parser("design", help=brief, description=f"{brief[0].upper()}{brief[1:]}.")
    _add_wishes(design)
    design.add_argument("--json", action="store_true", help="print the one object that a machine reads, nothing else")
    design.add_argument("--svg", metavar="FILE", type=Path, help="write the drawing too")
    design.add_argument("--netlist", metavar="FILE", type=Path, help="write the netlist for a SPICE simulator too")
    design.set_defaults(do=_design)
    brief = "make the drawings and the tables of a wiring folder anew"
    draw = actions.add_parser("draw", help=brief, description=f"{brief[0].upper()}{brief[1:]}.")
    draw.add_argument("folder", metavar="FOLDER", type=Path, help="where the pages are; drawings go beside them")
    draw.set_defaults(do=_draw)
    brief = "run a front end in ngspice: thresholds, delays, teeth, and the pulses of the standards"
    simulate = actions.add_parser("simulate", help=brief, description=f"{brief[0].upper()}{brief[1:]}.")
    _add_wishes(simulate, default="all")
    simulate.add_argument(
        "--runs", type=int, default=200, metavar="N", help="random draws over tolerance (default: 200)"
    )
    simulate.add_argument("--seed", type=int, default=1, metavar="N", help="of the random draws (default: 1)")
    simulate.add_argument("--json", action="store_true", help="print one object, nothing else")
    simulate.set_defaults(do=_simulate)


def _add_wishes(parser: argparse.ArgumentParser, default: str = "") -> None:
    if default:
        parser.add_argument(
            "kind",
            choices=(*KINDS, default),
            nargs="?",
            default=default,
            help="which front end (default: the whole set shown in wiring/)",
        )
    else:
        parser.add_argument("kind", choices=KINDS, help="which front end")

    def number(flag: str, help: str, default: float | None = None) -> None:
        parser.add_argument(flag, type=float, metavar="X", default=default, help=help)

    number("--sensor-volts", "hall, feed: the wire's voltage (default: 5)", 5.0)
    parser.add_argument("--wheel", default="60-2", help="the wheel (default: 60-2)")
    number("--top-rpm", "the wheel's top speed (default: 8000)", 8000.0)
    parser.add_argument(
        "--variant",
        choices=("tap", "bench"),
        help="hall, current: tap a live circuit, or feed a sensor that is alone on the bench",
    )
    number("--filter-us", "time constant of the input filter (default: 1, feed: 10)")
    number("--series-ohms", "the first resistor, if the usual one does not suit")
    number("--comparator-delay-us", "the comparator's longest delay (default: 1)", 1.0)
    number("--peak-volts", "reluctance: the weakest peak (default: 0.15)", 0.15)
    number("--at-rpm", "reluctance: the speed of that peak (default: 30)", 30.0)
    number("--most-volts", "reluctance: the highest peak (default: 100)", 100.0)
    number("--low-ma", "current: the lower current (default: 7)", 7.0)
    number("--high-ma", "current: the higher current (default: 14)", 14.0)
    number("--shunt-ohms", "current: the resistor (default: 100)", 100.0)
    number("--low-volts", "feed: below this it is low (default: 80 %% of the voltage)")


def run(args: argparse.Namespace) -> int:
    """Run the chosen action; the exit code. Raises Trouble for a design that would break something."""
    code: int = args.do(args)
    return code


def front_end(args: argparse.Namespace) -> FrontEnd:
    """The front end that the options ask for."""
    from toothwise.errors import Trouble
    from toothwise.wiring import current, feed, hall, reluctance
    from toothwise.wiring.front import Turning
    from toothwise.wiring.models import Comparator

    if not 0.01 <= args.comparator_delay_us <= 20:
        raise Trouble(f"--comparator-delay-us {args.comparator_delay_us:g} is not a comparator's", step="0.01 to 20")
    if args.filter_us is not None and not 0.05 <= args.filter_us <= 1000:
        raise Trouble(f"--filter-us {args.filter_us:g} is out of reach of these parts", step="0.05 to 1000")
    if args.series_ohms is not None and not 10 <= args.series_ohms <= 1e6:
        raise Trouble(f"--series-ohms {args.series_ohms:g} is no series resistor", step="10 to 1000000")
    delay_s = args.comparator_delay_us * 1e-6
    comparator = Comparator(delay_min_s=0.1 * delay_s, delay_max_s=delay_s)
    if args.kind == "feed":
        return feed.design(
            args.sensor_volts, low_volts=args.low_volts, filter_us=args.filter_us or feed.FILTER_US,
            series_ohm=args.series_ohms, comparator=comparator,
        )  # fmt: skip
    turning = Turning.of(args.wheel, args.top_rpm)
    filter_us = args.filter_us or 1.0
    if args.kind == "hall":
        return hall.design(
            args.sensor_volts, turning, variant=args.variant or "tap", filter_us=filter_us,
            series_ohm=args.series_ohms, comparator=comparator,
        )  # fmt: skip
    if args.kind == "current":
        return current.design(
            turning, low_ma=args.low_ma, high_ma=args.high_ma, shunt_ohm=args.shunt_ohms,
            variant=args.variant or "bench", filter_us=filter_us, series_ohm=args.series_ohms, comparator=comparator,
        )  # fmt: skip
    return reluctance.design(
        turning, peak_volts=args.peak_volts, at_rpm=args.at_rpm, most_volts=args.most_volts, filter_us=filter_us,
        series_ohm=args.series_ohms, comparator=comparator,
    )  # fmt: skip


def _design(args: argparse.Namespace) -> int:
    from toothwise.wiring.readings import readings

    front = front_end(args)
    if args.netlist:
        from toothwise.wiring.netlist import netlist, step
        from toothwise.wiring.spread import nominals

        _write(args.netlist, netlist(front, step(front), [nominals(front.spreads)]).encode())
    if args.svg:
        from toothwise.wiring.drawings import drawing
        from toothwise.wiring.pages import pin_for

        _write(args.svg, drawing(front, pin_for(front)))
    if args.json:
        steps = [asdict(reading) for reading in readings(front)]
        print(json.dumps({**front.as_json(), "readings": steps}, allow_nan=False))
        return 0
    print(f"{front.title}\n\nparts")
    for part in front.parts:
        print(f"  {part.ref:<9} {' '.join(filter(None, (part.what, part.value))):<36} {part.rating}")
    print("\nwhat it does: nominal (and the worst case over parts, -20 to 60 °C and supply)")
    for figure in front.figures:
        print(f"  {figure.text}: {figure.line()}")
    print("\ncheck with a meter, before it meets a vehicle")
    for number, reading in enumerate(readings(front), start=1):
        print(f"  {number}. {reading.do} Between {reading.meter}: {reading.shows}.")
    print("\nnot for")
    for what in front.not_for:
        print(f"  {what}")
    return 0


def _draw(args: argparse.Namespace) -> int:
    from toothwise.errors import FileTrouble
    from toothwise.wiring.pages import files

    if not args.folder.is_dir():
        raise FileTrouble(f"{args.folder} is not a folder", step="make it first, or give the repository's wiring/")
    for path, content in files(args.folder).items():
        if not path.exists() or path.read_bytes() != content:
            _write(path, content)
            print(f"written: {path}")
    return 0


def _simulate(args: argparse.Namespace) -> int:
    from toothwise.errors import Trouble
    from toothwise.wiring import standard
    from toothwise.wiring.campaign import campaign

    if args.runs < 0:
        raise Trouble(f"--runs {args.runs} is not a number of runs", step="0 simulates the nominal parts alone")
    fronts = [standard.design(name) for name in standard.NAMES] if args.kind == "all" else [front_end(args)]
    checks: list[Check] = []
    for front in fronts:
        made = campaign(front, args.runs, args.seed)
        checks += made
        if not args.json:
            print(front.title)
            for check in made:
                verdict = "kept" if check.kept else "BROKEN"
                print(f"  {verdict:<6} {check.name}: worst {check.worst:.3g} of {check.limit:g} {check.unit}"
                      f" in {check.runs} runs")  # fmt: skip
    broken = [check for check in checks if not check.kept]
    if args.json:
        rows = [{**asdict(check), "worst": None if math.isnan(check.worst) else check.worst} for check in checks]
        print(json.dumps({"schema": 1, "checks": rows}, allow_nan=False))
    else:
        print(f"{len(checks)} checks, {len(broken)} broken")
    return 1 if broken else 0


def _write(path: Path, content: bytes) -> None:
    from toothwise.errors import FileTrouble

    try:
        path.write_bytes(content)
    except OSError as error:
        raise FileTrouble(f"cannot write {path}", cause=error.strerror or "", step="choose another place") from error
