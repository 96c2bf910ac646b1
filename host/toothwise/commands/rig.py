"""`toothwise rig`: finding rigs, putting the firmware on a board, checking rig and cable."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

from toothwise.commands import parsing

if TYPE_CHECKING:
    from toothwise.link import RigInfo

_ABOUT = """
The rig: a MicroPython board with toothwise's firmware, on a USB cable.
"""

_EXAMPLES = """
toothwise rig list                    every rig on this computer
toothwise rig install /dev/ttyACM0    put the firmware on a board with MicroPython
toothwise rig check                   jumper the pattern pin to the crank pin first
toothwise rig check --rig virtual     the same without a board
"""


def add(commands: parsing.Commands) -> None:
    parser = parsing.command(commands, "rig", run, "find a rig, put the firmware on it, check it", _ABOUT, _EXAMPLES)
    action = parsing.actions(parser, parsing.add_json)
    action("list", "list every rig that answers", _list)
    install = action("install", "copy the firmware to a board that runs MicroPython", _install)
    install.add_argument("port", metavar="PORT", help="the board's serial port")
    check = action("check", "play a known pattern through a jumper and find every edge again", _check)
    parsing.add_rig(check)
    parsing.add_book(check)


def run(args: argparse.Namespace) -> int:
    code: int = args.do(args)
    return code


def _list(args: argparse.Namespace) -> int:
    from toothwise.link import find_rigs, no_rig
    from toothwise.show.progress import Progress

    with Progress() as progress:
        progress.at("listening to every port for three seconds")
        rigs = find_rigs()
    if args.json:
        print(json.dumps([_facts(info) for info in rigs]))
    elif rigs:
        from toothwise.show.table import table

        rows = [
            [info.port, info.hello.board, info.hello.firmware, f"{info.hello.clock.tick_ns:g} ns",
             ", ".join(info.hello.channels)]
            for info in rigs
        ]  # fmt: skip
        print("\n".join(table([["port", "board", "firmware", "tick", "channels"], *rows])))
    if not rigs:
        raise no_rig()
    for info in rigs:
        if info.trouble is not None:
            print(f"toothwise: {info.trouble}", file=sys.stderr)
    return 0


def _facts(info: RigInfo) -> dict[str, Any]:
    usable = info.trouble is None
    return {"port": info.port, "usable": usable, "tick_ns": info.hello.clock.tick_ns, **info.hello.facts}


def _install(args: argparse.Namespace) -> int:
    from toothwise.link import install
    from toothwise.show.progress import Progress

    with Progress() as progress:
        done = install(args.port, progress.at)
    hello = done.hello
    if args.json:
        print(json.dumps({"port": done.port, "files": list(done.files), **hello.facts}))
    else:
        print(f"Firmware {hello.firmware} is on the {hello.board} on {done.port}, and answers.")
        print("Next: jumper the pattern pin to the crank pin, and run: toothwise rig check")
    return 0


def _check(args: argparse.Namespace) -> int:
    from toothwise.link import check, open_rig
    from toothwise.show.progress import Progress

    with open_rig(args.rig) as rig:
        with Progress() as progress:
            report = check(rig, progress.at)
        _keep(args, report.as_json())
        if args.json:
            print(json.dumps(report.as_json()))
        else:
            from toothwise.show.selfcheck import report_lines

            print("\n".join(report_lines(report.as_json())))
    return 0 if report.passed else 1


def check_key(board: str) -> str:
    """What the book keeps the last self-check of such a board under."""
    return f"rig check: {board}"


def _keep(args: argparse.Namespace, report: dict[str, Any]) -> None:
    """For reports to come. The check itself needs no book: without one, a line says that it is not kept."""
    from toothwise.book import Book
    from toothwise.book.times import now_utc
    from toothwise.errors import BookTrouble

    try:
        with Book.open(args.book) as book:
            book.set_setting(check_key(report["board"]), {"utc": now_utc(), "report": report})
    except BookTrouble as trouble:
        print(f"toothwise: the check is not kept for reports. {trouble}", file=sys.stderr)
