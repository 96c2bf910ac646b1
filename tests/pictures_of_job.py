"""Makes README's pictures of a job: what `book` prints, as SVG, and the printed report, as PNG, under host/docs/.

    python -m tests.pictures_of_job            write them
    python -m tests.pictures_of_job --check    say whether the SVG is up to date, by the exit code

The report is drawn by Chromium, and differs from machine to machine by its letters; without Chromium it stays as it is.
"""

from __future__ import annotations

import contextlib
import io
import shutil
import subprocess
import sys
import tempfile
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest import mock

import numpy as np
from toothwise.cli import main as toothwise
from toothwise.commands import demo
from toothwise.edges.files import write_recording
from toothwise.edges.signal import Held
from toothwise.wheel import catalogue

from tests.pictures import FOLDER, bad_tooth, svg

CARD = """
complaint = ["stall"]
codes = ["P0336"]
[vehicle]
name = "Brindle 1.4, Quarry Bank Garage"
cylinders = 4
[sensor]
kind = "hall"
wheel = "60-2"
"""
WIDEST = 132


@contextmanager
def kept() -> Iterator[Path]:
    """A folder with a book of two recordings of one job: before and after its wheel was replaced."""
    with tempfile.TemporaryDirectory() as name, mock.patch("toothwise.book.writer.now_utc") as now:
        folder = Path(name)
        (folder / "van.toml").write_text(CARD, encoding="utf-8")
        for hour, (file, recording) in enumerate((("before.csv", bad_tooth()), ("after.csv", good_again())), 9):
            now.return_value = f"2026-03-02T{hour:02}:20:00.000000Z"
            write_recording(folder / file, recording)
            said(folder, "examine", str(folder / file), "--job", str(folder / "van.toml"), "--keep")
        yield folder


def said(folder: Path, *arguments: str) -> list[str]:
    """What a command prints on its standard output."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        toothwise([*arguments, "--book", str(folder / "book.sqlite")])
    return out.getvalue().splitlines()


def book_lines() -> list[str]:
    with kept() as folder:
        listed = said(folder, "book", "list")
        compared = said(folder, "book", "compare", "1", "2")
    return [
        "$ toothwise book list",
        *listed,
        "",
        "$ toothwise book compare 1 2",
        *(
            part
            for line in compared
            for part in textwrap.wrap(line, WIDEST, subsequent_indent="  ", drop_whitespace=False) or [""]
        ),
    ]


def report_picture(target: Path) -> None:
    """The report's first three pages side by side, as they print on A4."""
    from PIL import Image

    with kept() as folder, mock.patch("toothwise.commands.report_matter._now", return_value="2026-03-02T11:00:00Z"):
        said(folder, "report", "1", "-o", str(folder / "r.html"))
        subprocess.run(
            ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
             f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={folder / 'r.pdf'}",
             (folder / "r.html").as_uri()],
            check=True, capture_output=True,
        )  # fmt: skip
        subprocess.run(["pdftoppm", "-r", "80", "-png", folder / "r.pdf", folder / "r"], check=True)
        sheets = [Image.open(file).convert("RGB") for file in sorted(folder.glob("r-*.png"))[:3]]
    edge = 2
    whole = Image.new("RGB", (sum(s.width + edge for s in sheets) + edge, sheets[0].height + 2 * edge), "#9aa3ad")
    for n, sheet in enumerate(sheets):
        whole.paste(sheet, (edge + n * (sheet.width + edge), edge))
    whole.quantize(32).save(target, optimize=True)


def good_again() -> Held:
    """The same with a whole wheel."""
    from toothwise.model import drive
    from toothwise.model.engine import healthy
    from toothwise.model.made import Scenario, make
    from toothwise.model.wheel import MadeWheel

    rng = np.random.default_rng(demo.SEED + 1)
    wheel = MadeWheel(catalogue.wheel("60-2"))
    return make(Scenario(wheel, drive.run(healthy(4), drive.idle(12.0, 800.0), rng)), rng).recording


def main() -> int:
    lines = book_lines()
    text = svg(
        lines, "The book: what there is, and two recordings side by side", columns=max(map(len, lines)), high=len(lines)
    )
    if "--check" in sys.argv:
        return int((FOLDER / "book.svg").read_text(encoding="utf-8") != text)
    (FOLDER / "book.svg").write_text(text, encoding="utf-8")
    if shutil.which("chromium") and shutil.which("pdftoppm"):
        report_picture(FOLDER / "report.png")
    return 0


if __name__ == "__main__":
    sys.exit(main())
