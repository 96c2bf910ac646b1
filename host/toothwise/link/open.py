"""Finding and opening rigs. A rig is known by its frames, not by a list of makers' numbers."""

from __future__ import annotations

import time
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

from toothwise.edges.signal import Batch
from toothwise.errors import FirmwareMismatch, RigTrouble
from toothwise.link.assemble import Assembler
from toothwise.link.hello import Hello, require_match
from toothwise.link.line import Line, LineLost, SerialLine
from toothwise.link.rig import HELLO_WAIT_S, Rig
from toothwise.link.virtual import NAME as VIRTUAL
from toothwise.link.virtual import VirtualBoard

LISTEN_S = 3.0
"""How long a port is listened to: a board that its opening resets is up again by then."""


@dataclass(frozen=True, slots=True)
class RigInfo:
    """A rig that was heard on a port. `trouble`: why it cannot be used as it is, or None."""

    port: str
    hello: Hello
    trouble: FirmwareMismatch | None


def find_rigs(ports: Iterable[str] | None = None, listen_s: float = LISTEN_S) -> list[RigInfo]:
    """Every port on which a rig speaks; all ports are listened to at once.

    A port is only written to once it has sent a whole frame of ours, so that nothing else plugged in is
    disturbed. Ports in use elsewhere are passed over.
    """
    names = list(ports) if ports is not None else _likely_ports()
    if not names:
        return []
    with ThreadPoolExecutor(len(names)) as pool:
        heard = pool.map(lambda name: _listen(name, listen_s), names)
        return [info for info in heard if info is not None]


def _likely_ports() -> list[str]:
    # Opening a Bluetooth port calls the far device and may block for many seconds; such a one can still be
    # named.
    wired = [
        port for port in list_ports.comports() if "bluetooth" not in f"{port}".lower() and "BTHENUM" not in port.hwid
    ]
    return sorted(port.device for port in wired)


def _listen(port: str, listen_s: float) -> RigInfo | None:
    try:
        line = SerialLine(port)
    except RigTrouble:
        return None
    try:
        assembler = Assembler()
        asked = False
        end = time.monotonic() + listen_s
        while assembler.hello is None and time.monotonic() < end:
            assembler.feed(line.read(0.05), time.monotonic())
            if assembler.stats.frames and not asked:
                line.write(b"hello\n")
                asked = True
    except LineLost:
        return None
    finally:
        line.close()
    if assembler.hello is None:
        return None
    try:
        require_match(assembler.hello, port)
    except FirmwareMismatch as mismatch:
        return RigInfo(port, assembler.hello, mismatch)
    return RigInfo(port, assembler.hello, None)


def open_rig(
    spec: str = "auto",
    *,
    edges: Iterable[Batch] | None = None,
    tick_hz: int = 62_500_000,
    fast: bool = False,
    drive: Path | None = None,
    hello_wait_s: float = HELLO_WAIT_S,
) -> Rig:
    """Open a rig: "auto" (the one rig that is plugged in), a port's name, or "virtual".

    edges, tick_hz, fast, drive: for the virtual rig, what its pins see and how long a tick is; `fast` as fast as it
    is read instead of in real time, and where its drive writes what it does. With edges, `rig.batches()` ends with
    them; without, the virtual rig sees silence. Raises RigTrouble (none or several found, in use, no hello) and
    FirmwareMismatch.
    """
    if spec == VIRTUAL:
        return _open_virtual(edges, tick_hz, fast, drive, hello_wait_s)
    if edges is not None:
        raise ValueError("only the virtual rig can be given edges")
    port = _only_rig() if spec == "auto" else spec
    line = SerialLine(port)
    return Rig(line, _Reopener(port), hello_wait_s=hello_wait_s)


def _open_virtual(edges: Iterable[Batch] | None, tick_hz: int, fast: bool, drive: Path | None, wait_s: float) -> Rig:
    board = VirtualBoard(edges, tick_hz, fast=fast, drive=drive)
    try:
        rig = Rig(
            board.line,
            ends_with_stream=edges is not None,
            source_error=lambda: board.error,
            on_close=board.close,
            hello_wait_s=wait_s,
        )
    except RigTrouble as trouble:
        board.close()
        raise RigTrouble(
            "The virtual rig did not start",
            cause=trouble.cause,
            step="Try again with fewer programs open",
        ) from None
    return rig


def _only_rig() -> str:
    rigs = find_rigs()
    if len(rigs) == 1:
        return rigs[0].port
    if rigs:
        names = ", ".join(f"{info.port} ({info.hello.board})" for info in rigs)
        raise RigTrouble(
            f"{len(rigs)} rigs are plugged in: {names}",
            cause="It is not clear which one is meant",
            step=f"Name one, for instance: --rig {rigs[0].port}",
        )
    raise no_rig()


def no_rig() -> RigTrouble:
    """No port of this computer sent frames."""
    return RigTrouble(
        "No rig was found",
        cause="No port sent our frames: it is not plugged in, has no firmware yet, or is in use",
        step="Check the cable; a new board needs: toothwise rig install PORT; without a board: toothwise demo, or"
        " --rig virtual",
    )


class _Reopener:
    """Opens the same port again, or the port under which the same board came back."""

    def __init__(self, port: str) -> None:
        self._port = port
        self._number = next((p.serial_number for p in list_ports.comports() if p.device == port), None)

    def __call__(self) -> Line:
        if self._number:
            for port in list_ports.comports():
                if port.serial_number == self._number:
                    self._port = port.device
        return SerialLine(self._port)
