"""Makes README's pictures from what the tool really shows, under host/docs/: a terminal of 80 by 24 as SVG, and the
live page in Chromium at a phone's size.

    python -m tests.pictures            write them all; takes a minute, since the page is photographed as it runs
    python -m tests.pictures --check    say whether the SVG ones are up to date, by the exit code

The signals are made ones, the same every time; the views are the very ones of `demo`, `watch` and `wiggle`.
"""

from __future__ import annotations

import io
import re
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
from toothwise.commands import demo
from toothwise.edges.signal import Batch, Edges, Held
from toothwise.examine import Examination
from toothwise.show.live import LiveView
from toothwise.show.screen import Look, Screen
from toothwise.wheel import catalogue

FOLDER = Path(__file__).resolve().parents[1] / "host" / "docs"
COLUMNS, LINES = 80, 24
WIDE, HIGH, MARGIN = 8.4, 17.0, 8.0
PAPER, INK, QUIET = "#16181d", "#d8dbe2", "#858b96"
COLOURS = {"31": "#ee6a6a", "32": "#8fc76b", "33": "#dba65a", "35": "#c987e8", "36": "#58bccb"}
BLOCKS = {"▀": ((0.0, 0.0, 1.0, 0.5),), "▄": ((0.0, 0.5, 1.0, 0.5),), "█": ((0.0, 0.0, 1.0, 1.0),),
          "▛": ((0.0, 0.0, 1.0, 0.5), (0.0, 0.5, 0.5, 0.5)), "▙": ((0.0, 0.0, 0.5, 0.5), (0.0, 0.5, 1.0, 0.5)),
          "╹": ((0.4, 0.0, 0.2, 0.5),), "╻": ((0.4, 0.5, 0.2, 0.5),), "┃": ((0.4, 0.0, 0.2, 1.0),)}  # fmt: skip


class Caught(Screen):
    """A screen of fixed size that keeps what was drawn last."""

    lines: Sequence[str] = ()

    def size(self) -> tuple[int, int]:
        return COLUMNS, LINES

    def draw(self, lines: Sequence[str]) -> None:
        self.lines = lines


def view(recording: Held, wheel_name: str, until_s: float, title: str) -> Sequence[str]:
    """The live view's lines after so many seconds of the recording, fed as a rig feeds it."""
    stream = io.StringIO()
    look = Look(stream)
    look.colour = look.unicode = True
    screen = Caught(stream, look)
    examination = Examination(recording.clock, recording.channels, catalogue.wheel(wheel_name))
    keys = "q or Ctrl-C ends; what was recorded is kept"
    live = LiveView(screen, look, recording.clock, name="watch", title=title, keys=keys)
    step = recording.clock.ticks(0.1)
    for begin in range(0, recording.clock.ticks(until_s), step):
        edges = {}
        for name, whole in recording.edges.items():
            part = slice(*np.searchsorted(whole.ticks, (begin, begin + step)))
            edges[name] = Edges(whole.ticks[part], whole.levels[part])
        events = examination.feed(Batch(begin + step, edges))
        live.add(examination.wheel, examination.crank, examination.latest, events)
        live.draw(examination.tally())
    return screen.lines


def svg(lines: Sequence[str], title: str, *, columns: int = COLUMNS, high: int = LINES) -> str:
    """A terminal's lines, with their colours, as a picture that looks the same everywhere."""
    width, height = columns * WIDE + 2 * MARGIN, high * HIGH + 2 * MARGIN
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{width:g}" height="{height:g}" rx="6" fill="{PAPER}"/>',
        '<g font-family="DejaVu Sans Mono, Menlo, Consolas, monospace" font-size="13.6">',
    ]
    for row, line in enumerate(lines):
        column = 0
        codes: set[str] = set()
        for code, text in re.findall(r"\x1b\[([\d;]*)m|([^\x1b]+)", line):
            if not text:
                codes = set(code.split(";")) - {"0", ""}
                continue
            out += _run(text, column, row, codes)
            column += len(text)
    return "\n".join([*out, "</g>", "</svg>", ""])


def _run(text: str, column: int, row: int, codes: set[str]) -> list[str]:
    colour = next((COLOURS[c] for c in sorted(codes) if c in COLOURS), QUIET if "2" in codes else INK)
    x, y = MARGIN + column * WIDE, MARGIN + row * HIGH
    out = []
    if "7" in codes:
        out.append(f'<rect x="{x:.1f}" y="{y:.1f}" width="{len(text) * WIDE:.1f}" height="{HIGH:g}" fill="{INK}"/>')
        colour = PAPER
    for match in re.finditer(r"([▀▄█▛▙╹╻┃░])\1*|[^ ▀▄█▛▙╹╻┃░]+(?: [^ ▀▄█▛▙╹╻┃░]+)*", text):
        at, piece = x + match.start() * WIDE, match[0]
        if match[1] == "░":
            out.append(_rect(at, y, len(piece) * WIDE, HIGH, colour, 0.35))
        elif match[1]:
            for i in range(len(piece)):
                out += [
                    _rect(at + (i + a) * WIDE, y + b * HIGH, c * WIDE, d * HIGH, colour)
                    for a, b, c, d in BLOCKS[match[1]]
                ]
        else:
            weight = ' font-weight="bold"' if "1" in codes else ""
            length = f'textLength="{len(piece) * WIDE:.1f}" lengthAdjust="spacingAndGlyphs"'
            out.append(
                f'<text x="{at:.1f}" y="{y + HIGH * 0.76:.1f}" {length} fill="{colour}"{weight}>{escape(piece)}</text>'
            )
    return out


def _rect(x: float, y: float, width: float, height: float, colour: str, opacity: float = 1.0) -> str:
    faint = "" if opacity == 1.0 else f' fill-opacity="{opacity:g}"'
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" fill="{colour}"{faint}/>'


def bad_tooth() -> Held:
    """A wheel with a tooth broken off, idling; now and then an extra edge besides."""
    from toothwise.model import drive
    from toothwise.model.engine import healthy
    from toothwise.model.made import Scenario, make
    from toothwise.model.wheel import MadeWheel

    rng = np.random.default_rng(demo.SEED)
    wheel = catalogue.wheel("60-2")
    height = tuple(0.0 if tooth == 22 else 1.0 for tooth in range(1, wheel.teeth + 1))
    scenario = Scenario(replace(MadeWheel(wheel), height=height), drive.run(healthy(4), drive.idle(12.0, 780.0), rng))
    return make(scenario, rng).recording


def pictures() -> dict[str, str]:
    made = demo.made().recording
    rig = "virtual rig   recording 1"
    return {
        "demo.svg": svg(view(made, "60-2", 10.6, rig), "The live view: a bad contact is a scatter and broken rows"),
        "stripe.svg": svg(view(bad_tooth(), "60-2", 11.0, rig), "The live view: a broken tooth is a stripe"),
    }


def main() -> int:
    made = pictures()
    if "--check" in sys.argv:
        return int(any((FOLDER / name).read_text(encoding="utf-8") != text for name, text in made.items()))
    FOLDER.mkdir(exist_ok=True)
    for name, text in made.items():
        (FOLDER / name).write_text(text, encoding="utf-8")
    from tests.pictures_of_page import photographs

    for name, png in photographs().items():
        (FOLDER / name).write_bytes(png)
    return 0


if __name__ == "__main__":
    sys.exit(main())
