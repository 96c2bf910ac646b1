"""Puts what the tool itself prints into README.md: each command's help, and the wheels.

    python tests/readme.py            write it
    python tests/readme.py --check    say whether it is up to date, by the exit code

Between `<!-- help: watch -->` and `<!-- end -->` stands what `toothwise watch --help` prints on 100 columns.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import sys
import textwrap
from pathlib import Path
from unittest import mock

README = Path(__file__).resolve().parents[1] / "README.md"
_BLOCK = re.compile(r"(<!-- (help: [a-z ]+|wheels) -->\n)(.*?)(<!-- end -->\n)", re.S)


def printed_help(command: str) -> str:
    """What `--help` prints, the same on every machine and Python."""
    from toothwise.cli import main

    words = [word for word in command.split() if word != "toothwise"]
    out = io.StringIO()
    plain = {"COLUMNS": "100", "NO_COLOR": "1", "TERM": "dumb"}
    with mock.patch.dict(os.environ, plain), contextlib.redirect_stdout(out), contextlib.suppress(SystemExit):
        main([*words, "--help"])
    return out.getvalue()


def wheels() -> str:
    from toothwise.wheel import catalogue

    return textwrap.fill(", ".join(f"`{name}`" for name in catalogue.NAMES) + ".", 118, break_on_hyphens=False)


def renewed(text: str) -> str:
    """The README with every block as it should be."""

    def block(match: re.Match[str]) -> str:
        what = match[2]
        body = (
            wheels() if what == "wheels" else "```text\n" + printed_help(what.removeprefix("help: ")).rstrip() + "\n```"
        )
        return f"{match[1]}\n{body}\n\n{match[4]}"

    return _BLOCK.sub(block, text)


def main() -> int:
    text = README.read_text(encoding="utf-8")
    new = renewed(text)
    if "--check" in sys.argv:
        return int(new != text)
    README.write_text(new, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
