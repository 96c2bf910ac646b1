"""Help and complaints of the command line, and the options that several commands share."""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import textwrap
from collections.abc import Callable, Sequence
from importlib import import_module
from typing import Any, NoReturn

Commands = Any
"""What argparse returns for adding commands; it has no public type."""


class _Help(argparse.RawDescriptionHelpFormatter):
    def __init__(self, prog: str) -> None:
        super().__init__(prog, max_help_position=26, width=min(shutil.get_terminal_size().columns, 100) - 2)

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        """Paragraphs are filled; one with an indented line in it stays as it stands."""
        parts = []
        for part in text.strip("\n").split("\n\n"):
            stands = any(line.startswith(" ") for line in part.splitlines())
            parts.append(part if stands else textwrap.fill(" ".join(part.split()), width))
        return "\n\n".join(parts)


class Parser(argparse.ArgumentParser):
    """An argument parser that complains in one line and never guesses a shortened option."""

    def __init__(self, **settings: Any) -> None:
        settings.setdefault("formatter_class", _Help)
        super().__init__(allow_abbrev=False, **settings)

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message.rstrip('.')}. See: {self.prog} --help\n")


def add_commands(top: Parser, names: Sequence[str], package: str = "toothwise.commands") -> None:
    """Let each command's module describe itself."""
    commands = top.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for name in names:
        import_module(f"{package}.{name}").add(commands)


def command(
    commands: Commands,
    name: str,
    run: Callable[[argparse.Namespace], int],
    brief: str,
    about: str,
    examples: str,
) -> Parser:
    """Add one command. `about` may have several paragraphs; `examples` is shown as it stands."""
    lines = "\n".join(f"  {line}" for line in examples.strip().splitlines())
    parser: Parser = commands.add_parser(
        name, help=brief, description=about.strip(), epilog=f"examples:\n{lines}\n", formatter_class=_Help
    )
    parser.set_defaults(run=run)
    return parser


def actions(
    parser: argparse.ArgumentParser, *options: Callable[[argparse.ArgumentParser], None]
) -> Callable[[str, str, Callable[..., int]], argparse.ArgumentParser]:
    """What adds an action to a command: its name, what it is for, and what does it. Each gets these options."""
    all_of_them = parser.add_subparsers(title="what to do", metavar="ACTION", required=True)

    def action(name: str, brief: str, do: Callable[..., int]) -> argparse.ArgumentParser:
        one: argparse.ArgumentParser = all_of_them.add_parser(
            name, help=brief, description=f"{brief[0].upper()}{brief[1:]}."
        )
        for add in options:
            add(one)
        one.set_defaults(do=do)
        return one

    return action


def add_book(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--book",
        metavar="PATH",
        default=os.environ.get("TOOTHWISE_BOOK"),
        help="the log book: a file or a database address (default: $TOOTHWISE_BOOK, else your own)",
    )


def add_wheel(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--wheel",
        metavar="WHEEL",
        default="auto",
        help="the crank wheel: 60-2, 36-1, 24, 6+1, ..., a wheel file ending in .toml, or auto (default)",
    )
    parser.add_argument("--cam-wheel", metavar="WHEEL", help="follow the cam channel tooth by tooth too, as this wheel")


def add_job(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--job", metavar="JOB.toml", help="the job card: complaint, codes, readings, references, wheel")


def add_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print the one object that a machine reads, nothing else")


def add_rig(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--rig",
        metavar="PORT",
        default="auto",
        help='the rig\'s serial port, "virtual" for the firmware without a board, or auto (default)',
    )


def add_view(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--plain", action="store_true", help="lines of text in place of the live screen")
    parser.add_argument("--ascii", action="store_true", help="draw with plain ASCII characters only")


def add_page(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--page",
        metavar="PORT",
        nargs="?",
        type=_port,
        const=0,
        help="show it in a browser too, on this computer alone (default port: 8730)",
    )
    parser.add_argument(
        "--lan",
        metavar="ADDRESS",
        nargs="?",
        const="",
        help="the page for phones in the workshop's network too; the address is shown, and as a QR code",
    )


def add_most(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--most", type=whole(1, 1_000_000), default=50, metavar="N", help="at most so many (default: 50)"
    )


def tell_more(args: argparse.Namespace, found: Sequence[object]) -> None:
    """After a list for people: whether there was more to be found than --most wants."""
    if len(found) > args.most:
        print("There are more: --most N", file=sys.stderr)


def whole(low: int, high: int) -> Callable[[str], int]:
    """An argument that is a whole number within these bounds."""

    def number(text: str) -> int:
        if text.isascii() and text.isdecimal() and len(text) <= len(str(high)) and low <= int(text) <= high:
            return int(text)
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number from {low:,} to {high:,}")

    return number


recording = whole(1, 10**9)
"""An argument that is a recording's number in the book."""


def _port(text: str) -> int:
    """An argument that is a port a user may open."""
    if text.isdecimal() and 1024 <= int(text) <= 65535:
        return int(text)
    raise argparse.ArgumentTypeError(f"{text!r} is not a port from 1024 to 65535")


def duration(unit: str) -> Callable[[str], float]:
    """An argument that is a duration above zero."""

    def number(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = 0.0
        if not 0 < value < 1e9:
            raise argparse.ArgumentTypeError(f"{text!r} is not a number of {unit} above 0")
        return value

    return number


seconds, hours = duration("seconds"), duration("hours")
