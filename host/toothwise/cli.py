"""The command line: one line for an expected failure, one exit code for each ending.

Heavy imports happen inside the command that needs them, so that `toothwise --help` starts at once.
"""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Sequence
from typing import NoReturn

from toothwise import __version__, threads
from toothwise.commands import COMMANDS
from toothwise.commands.parsing import Parser, add_commands
from toothwise.errors import Trouble

_ABOUT = "Clip a dev board to a crank or cam sensor, and know which tooth, wire or part is at fault."

_MORE = """\
first steps:
  toothwise demo                    see it work, without a board
  toothwise rig list                find the rig on this computer
  toothwise watch --wheel 60-2      watch a sensor live; everything is kept
  toothwise examine 7               look again at recording 7 of the book
  toothwise examine edges.csv       or at a file

exit codes, the same for every command:
  0    done, nothing wrong found
  1    done, and something was found
  2    the command was not understood
  3    a file or a setting cannot be read
  4    the rig: none found, lost, busy, or not answering
  5    the book cannot be opened or written
  6    firmware and host do not match
  130  stopped by Ctrl-C (what was recorded is kept)

"toothwise COMMAND --help" tells more of a command. What toothwise finds is evidence, not a verdict:
the maker's service information comes first.
"""


def parser() -> Parser:
    """The whole command line."""
    top = Parser(prog="toothwise", description=_ABOUT, epilog=_MORE)
    top.add_argument("--version", action="version", version=f"toothwise {__version__}")
    add_commands(top, COMMANDS)
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code."""
    if not sys.warnoptions:
        warnings.simplefilter("ignore")  # Python's own remarks are for developers: python -W default -m toothwise
    try:
        args = parser().parse_args(arguments)
        code: int = args.run(args)
        sys.stdout.flush()
        return code
    except Trouble as trouble:
        _say(f"toothwise: {trouble}")
        return trouble.exit_code
    except KeyboardInterrupt:
        _say("toothwise: stopped.")
        return 130
    except BrokenPipeError:
        # Whoever read the output has enough. Without this, Python would complain once more while ending.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _say(line: str) -> None:
    print("".join(c if c.isprintable() else " " for c in line), file=sys.stderr)


def run() -> NoReturn:
    """The way in for the installed command, and for `python -m toothwise`."""
    threads.one_each()
    sys.exit(main())
