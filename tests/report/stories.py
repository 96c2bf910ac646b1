"""What a report is made from, by the whole chain, on plain signals; and texts that mean harm."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from toothwise.edges.files import write_recording
from toothwise.edges.signal import Blind, Edges, Held
from toothwise.wheel import catalogue

from tests.cli.conftest import Toothwise
from tests.examine.signals import held, turning

W60 = catalogue.wheel("60-2")
CARD = """
complaint = ["stall", "no start"]
codes = ["P0335", "P0016"]
[vehicle]
name = "Brindle 1.4"
cylinders = 4
firing_order = [1, 3, 4, 2]
[sensor]
kind = "hall"
wheel = "60-2"
[readings]
feed_v = 5.02
insulation_ohm = inf
measured_at = "control unit"
[freeze_frame]
engine_rpm = 840.0
[reference]
cam_edges_deg = [30.0, 90.0]
"""

HARM = (
    "<script>document.title='owned'</script>",
    '"><img src=x onerror="document.title=\'owned\'">',
    "</style></title></svg><svg onload=\"document.title='owned'\">",
    "{{ 7 * 7 }}{% raw %} ${7*7} $\\frac{1}{$ &lt;b&gt; &#x202E;",
    "\u202eelddib\u2066 \u200f\u05e9\u05dc\u05d5\u05dd \x1b[2J\x00\x07",
    "javascript:document.title='owned'",
)
LONG = "W" * 10_000


def stripe(turns: int = 40) -> Held:
    """Tooth 22 absent in every turn, an extra edge now and then, a blind stretch, a cam that turns."""
    crank, end = turning(W60, 1000, turns, drop=[(r, 22) for r in range(turns)], extra=[(5, 40), (turns - 9, 41)])
    cam, _ = turning(catalogue.wheel("4+1"), 500, turns / 2)
    hidden = (end * 2 // 3, end * 2 // 3 + 90_000)
    seen = (crank.ticks < hidden[0]) | (crank.ticks >= hidden[1])
    blind = [Blind(*hidden, "overrun", "crank")]
    return held(end, blind, crank=Edges(crank.ticks[seen], crank.levels[seen]), cam=cam)


def shaken(places: int = 4, place_s: float = 4.5) -> tuple[Held, list[tuple[float, str]]]:
    """Idling while places are moved; teeth go absent at the second one alone, in each of its wiggles."""
    at = [(0.0, "hands off"), *((8.0 + place_s * n, f"place {n // 3 + 1}") for n in range(3 * places))]
    until_s = 8.0 + place_s * 3 * places
    bad = [t + x for t, name in at if name == "place 2" for x in (1.0, 1.6, 2.2)]
    rpm = 900.0
    drop = {(int(t * rpm / 60), 10 + 7 * n % 40) for n, t in enumerate(bad)}
    crank, end = turning(W60, rpm, until_s * rpm / 60, drop=drop)
    return held(end, crank=crank), at


def quiet_of(recording: Held) -> Held:
    """The same length at the same speed, and nothing lets go."""
    crank, _ = turning(W60, 900.0, recording.until_tick * 16e-9 * 900.0 / 60)
    keep = crank.ticks < recording.until_tick
    return held(recording.until_tick, crank=Edges(crank.ticks[keep], crank.levels[keep]))


def marks_file(path: Path, at: list[tuple[float, str]]) -> None:
    """`time_s,place`, names quoted as CSV wants it."""
    rows = [f'{t:.3f},"{name.replace(chr(34), chr(34) * 2)}"' for t, name in at]
    path.write_text("\n".join(["time_s,place", *rows]) + "\n", encoding="utf-8")


def told_of(toothwise: Toothwise, *arguments: str) -> tuple[dict[str, Any], str]:
    """The object and the page of one report."""
    import json

    ran = toothwise("report", *arguments, "--json", "--replace")
    assert ran.code in (0, 1), ran.err
    told = json.loads(ran.out)
    return told, Path(told["file"]).read_text(encoding="utf-8")


def write_stripe(folder: Path) -> None:
    write_recording(folder / "stripe.csv", stripe())
    (folder / "van.toml").write_text(CARD, encoding="utf-8")


def angles_of(points: np.ndarray) -> np.ndarray:
    """Degrees counter-clockwise from the top, of points about the centre, y upwards."""
    turned: np.ndarray = (np.degrees(np.arctan2(points[:, 1], points[:, 0])) - 90.0) % 360.0
    return turned
