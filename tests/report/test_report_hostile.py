"""Names and notes that mean harm are shown as the letters they are; in a real browser, too."""

from __future__ import annotations

import re
import shutil
import subprocess
from html import unescape
from pathlib import Path

import pytest
from toothwise.book import Book
from toothwise.cli import main
from toothwise.edges.files import write_recording
from toothwise.examine import examine

from tests.cli.conftest import Toothwise
from tests.parts import need
from tests.report.stories import HARM, LONG, W60, marks_file, shaken, stripe, told_of


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A report of a recording whose every text from outside means harm."""
    folder = tmp_path_factory.mktemp("hostile")
    source = {"kind": "rig", "board": HARM[0], "firmware": HARM[1], "port": HARM[2], "capture": LONG}
    recording = stripe()
    whole = examine(recording, W60).as_json()
    whole["causes"] = [{"cause": "sensor", "text": HARM[0], "stands": "possible", "weight": 0.4, "for": [HARM[1], LONG],
                        "against": [HARM[2]], "next": HARM[4]}]  # fmt: skip
    whole["wheel"]["name"] = HARM[0]
    whole["events"][0]["reason"] = HARM[0]
    whole["measures"].append({"name": HARM[0], "value": 1.0, "unit": HARM[1], "uncertainty": None, "channel": HARM[2]})
    body = '[vehicle]\nname = "' + "".join(f"\\u{ord(c):04x}" for c in HARM[0] + HARM[4]) + '"\n'
    with Book.open(folder / "book.sqlite") as book:
        job = book.jobs.add(body)
        book.jobs.add_note(job, HARM[0])
        recorder = book.start_recording(recording.clock, recording.channels, source, job, {"wheel": HARM[3]})
        for batch in recording.batches():
            recorder.add(batch)
        for n, text in enumerate((*HARM, LONG)):
            recorder.mark(1000 * n, text)
            recorder.note(text)
        recorder.finish(whole)
    main(["report", "1", "--book", str(folder / "book.sqlite"), "-o", str(folder / "page.html")])
    return (folder / "page.html").read_text(encoding="utf-8")


def test_every_text_is_escaped(hostile: str) -> None:
    tags = {tag.lower() for tag in re.findall(r"<\s*/?\s*([a-zA-Z][\w-]*)", hostile)}
    assert not tags & {"script", "svg", "iframe", "object", "base", "form", "input", "a"}
    assert len(re.findall(r"<img ", hostile)) == len(re.findall(r'<img src="data:image/svg\+xml;base64,', hostile))
    assert not re.search(r"<[^>]*\son\w+=", hostile)
    shown = unescape(hostile)
    assert HARM[0] in shown and HARM[1] in shown and "{{ 7 * 7 }}" in shown
    for steers in "\u202e\u2066\u200f\x1b\x00\x07":
        assert steers not in hostile
    assert "(624 letters)" not in hostile, "cut twice"
    assert "W" * 701 not in hostile.replace(LONG, "") and "(10,000 letters)" in hostile


def test_a_wiggle_tests_places_too(toothwise: Toothwise, tmp_path: Path) -> None:
    recording, at = shaken(places=2)
    names = {"place 1": HARM[0], "place 2": HARM[2]}
    write_recording(tmp_path / "shaken.csv", recording)
    marks_file(tmp_path / "marks.csv", [(t, names.get(name, name)) for t, name in at])
    _, page = told_of(toothwise, "shaken.csv", "--marks", "marks.csv", "--wheel", "60-2")
    assert HARM[0] in unescape(page) and "<script" not in page and "<svg" not in page


WITNESS = """<script>addEventListener("load", () => setTimeout(() => {
const page = document.documentElement;
page.dataset.seen = [document.title, page.scrollWidth <= page.clientWidth + 1, document.images.length,
  [...document.images].every(i => i.naturalWidth > 0), document.querySelectorAll("script").length].join("|");
}, 50))</script>"""


@pytest.mark.parametrize("policy", [True, False], ids=["as it is", "without its policy"])
def test_in_a_browser_nothing_runs_and_nothing_runs_over(hostile: str, tmp_path: Path, policy: bool) -> None:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    need("chromium", chromium is not None)
    assert chromium is not None
    page = hostile
    if not policy:  # which would forbid our witness, too
        page = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page)
        page = page.replace("</head>", WITNESS + "</head>")
    file = tmp_path / "page.html"
    file.write_text(page, encoding="utf-8")
    command = [chromium, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}",
               "--window-size=390,800", "--virtual-time-budget=3000", "--dump-dom", file.as_uri()]  # fmt: skip
    dom = subprocess.run(command, capture_output=True, text=True, timeout=60).stdout
    assert "<title>owned</title>" not in dom and "In plain words" in dom
    assert dom.count("&lt;script&gt;document.title='owned'&lt;/script&gt;") >= 4
    if not policy:
        seen = re.search(r'data-seen="([^"]*)"', dom)
        assert seen is not None, dom[:500]
        *title, narrow, images, whole, scripts = unescape(seen[1]).split("|")
        assert "|".join(title).startswith("<script>document.title='owned'</script>")
        assert (narrow, whole, scripts) == ("true", "true", "1")
        assert int(images) >= 3


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_it_prints(hostile: str, tmp_path: Path, size: str) -> None:
    chromium = shutil.which("chromium")
    need("chromium", chromium is not None)
    assert chromium is not None
    file, pdf = tmp_path / "page.html", tmp_path / "page.pdf"
    file.write_text(hostile.replace("@page {", f"@page {{ size: {size};"), encoding="utf-8")
    command = [chromium, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}",
               "--no-pdf-header-footer", f"--print-to-pdf={pdf}", file.as_uri()]  # fmt: skip
    subprocess.run(command, capture_output=True, timeout=60, check=True)
    boxes = re.findall(rb"/MediaBox\s*\[\s*0\s+0\s+([\d.]+)\s+([\d.]+)\s*\]", pdf.read_bytes())
    width = {"A4": 595, "Letter": 612}[size]  # points: 210 mm (ISO 216), 8.5 in (ANSI/ASME Y14.1)
    assert 2 <= len(boxes) <= 20
    assert all(abs(float(w) - width) < 2 for w, _ in boxes)
