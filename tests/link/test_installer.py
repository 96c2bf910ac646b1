"""Installing through the real mpremote, onto a board whose prompt is played and whose code really runs."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from toothwise import link
from toothwise.errors import RigTrouble
from toothwise.firmware import FOLDER
from toothwise.link import installer, virtual

from tests.link.ports import PtyPort
from tests.link.promptboard import PromptBoard
from tests.parts import need


@pytest.fixture
def memory(tmp_path: Path) -> Path:
    need("MicroPython's unix port", virtual.interpreter() is not None and virtual.HAS_PTY)
    folder = tmp_path / "memory"
    folder.mkdir()
    return folder


def test_what_goes_on_a_board() -> None:
    names = [path.name for path in installer.board_files()]
    assert names[-1] == "main.py"
    assert {"wire.py", "rig.py", "capture_pio.py", "capture_irq.py"} <= set(names)
    assert not {"capture_replay.py", "reasons.py", "__init__.py"} & set(names)


def test_files_are_copied_proven_and_started(tmp_path: Path, memory: Path) -> None:
    said: list[str] = []
    with PromptBoard(tmp_path / "ttyBoard", memory) as board:
        done = link.install(str(board.port.path), said.append)
    assert board.resets == 1
    assert done.hello.board == "board of the test"
    for path in installer.board_files():
        copy = (memory / path.name).read_bytes()
        assert hashlib.sha256(copy).digest() == hashlib.sha256((FOLDER / path.name).read_bytes()).digest()
    assert said[0].startswith("copying") and len(said) == 3


def test_a_copy_that_differs_is_refused_by_name(tmp_path: Path, memory: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    two = [path for path in installer.board_files() if path.name in ("pins.py", "main.py")]
    monkeypatch.setattr(installer, "board_files", lambda: two)
    with PromptBoard(tmp_path / "ttyBoard", memory, spoil="pins.py") as board:
        with pytest.raises(RigTrouble, match=r"is not the firmware: pins\.py differ.*run again: toothwise rig install"):
            link.install(str(board.port.path))
        assert board.resets == 0


@pytest.mark.slow
def test_a_board_without_a_prompt_says_what_to_do(tmp_path: Path, memory: Path) -> None:
    with (
        PromptBoard(tmp_path / "ttyBoard", memory, dead=True) as board,
        pytest.raises(RigTrouble, match=r"does not show MicroPython's prompt.*Put MicroPython 1\.23 or later on it"),
    ):
        link.install(str(board.port.path))


def test_a_port_in_use_or_absent_is_said_before_anything_is_copied(tmp_path: Path, memory: Path) -> None:
    with pytest.raises(RigTrouble, match="no such port"):
        link.install(str(tmp_path / "ttyNone"))
    port = PtyPort(tmp_path / "ttyHeld")
    port.plug()
    from toothwise.link.line import SerialLine

    held = SerialLine(str(port.path))
    with pytest.raises(RigTrouble, match="Another program is using it"):
        link.install(str(port.path))
    held.close()
    port.pull()


def test_a_full_board_is_said(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """mpremote's own words for it, from memory: the file copy ends in `OSError: [Errno 28] ENOSPC`."""
    tool = tmp_path / "mpremote.py"
    tool.write_text("import sys\nsys.exit('Traceback:\\nOSError: [Errno 28] ENOSPC')\n")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with pytest.raises(RigTrouble, match="memory is full"):
        installer._mpremote("/dev/none", "fs", "cp", "a", ":")
