"""Starting and stopping for real: what is imported for the help, Ctrl-C at a terminal, a reader that has enough."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from toothwise.edges.files import write_recording
from toothwise.wheel import catalogue

from tests.examine.signals import held, turning
from tests.parts import need

HEAVY = {"numpy", "sqlalchemy", "serial", "scipy", "matplotlib", "toothwise.book", "toothwise.link"}


def test_the_help_imports_nothing_heavy() -> None:
    code = (
        "import sys, contextlib, io\n"
        "from toothwise.cli import main\n"
        "with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()): main(['--help'])\n"
        f"print(sorted({HEAVY!r} & set(sys.modules)))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


def test_a_reader_that_has_enough_is_no_error(tmp_path: Path) -> None:
    wheel = catalogue.wheel("60-2")
    crank, end = turning(wheel, 1000, 200, drop=[(r, 7) for r in range(1, 200)])
    write_recording(tmp_path / "bad.csv", held(end, crank=crank))
    command = [sys.executable, "-m", "toothwise", "examine", "bad.csv", "--wheel", "60-2", "--all"]
    process = subprocess.Popen(
        command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ}
    )
    assert process.stdout is not None and process.stderr is not None
    process.stdout.close()
    assert process.stderr.read() == b""
    process.wait(30)


def virtual_rig_is_here() -> bool:
    from toothwise.link.virtual import HAS_PTY, interpreter

    return HAS_PTY and interpreter() is not None


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_gives_the_terminal_back_and_keeps_the_recording(tmp_path: Path, how: signal.Signals) -> None:
    need("the virtual rig", virtual_rig_is_here())
    import pty

    near, far = pty.openpty()
    environment = {**os.environ, "TERM": "xterm", "TOOTHWISE_BOOK": str(tmp_path / "book.sqlite")}
    command = [sys.executable, "-m", "toothwise", "watch", "--rig", "virtual", "--wheel", "60-2"]
    process = subprocess.Popen(command, stdin=far, stdout=far, stderr=far, env=environment, start_new_session=True)
    os.close(far)
    shown = b""
    deadline = time.monotonic() + 30
    while b"revolutions" not in shown and time.monotonic() < deadline:
        shown += os.read(near, 65536)
    process.send_signal(how)
    try:
        while piece := os.read(near, 65536):
            shown += piece
    except OSError:  # the far end is closed
        pass
    os.close(near)
    assert process.wait(10) == 130
    assert b"\x1b[?1049h" in shown
    after = shown[shown.index(b"\x1b[?1049l") :]
    assert b"kept as recording 1" in after
    assert b"Traceback" not in shown
    listed = subprocess.run(
        [sys.executable, "-m", "toothwise", "book", "list"], env=environment, capture_output=True, text=True
    )
    assert "finished" in listed.stdout
