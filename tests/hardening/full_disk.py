"""A recording on a disk that fills up, in a process of its own: `python -m tests.hardening.full_disk HOW FOLDER`.

HOW is `limit`, a limit on the size of files, which the system answers as it does a full disk; or `disk`, a disk of a
megabyte that is put on FOLDER and filled, which takes the right to mount one (`private_mounts`). Prints what the
recorder said of it; ends with 0 if the recording was whole again once there was room.
"""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
from toothwise.book import Book, recorder
from toothwise.edges.signal import Clock, Edges

from tests.book.signals import assert_same, batches_of, joined
from tests.book.test_trouble import wait_for

EDGES, FIRST = 60_000, 3000


def private_mounts() -> tuple[str, ...] | None:
    """What to put before a command so that it may mount what no other process sees; None where nobody lets us.

    Whoever owns the machine may as it is, any other user in a user namespace of his own, where the system has them.
    """
    for prefix in (("unshare", "-m"), ("unshare", "-rm")):
        if (
            shutil.which("unshare")
            and subprocess.run([*prefix, "mount", "-t", "tmpfs", "none", "/mnt"], capture_output=True).returncode == 0
        ):
            return prefix
    return None


def small_disk(place: Path) -> None:
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(place)], check=True)


def fill(folder: Path) -> None:
    try:
        with (folder / "filler").open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))
    except OSError:
        pass


def main(how: str, folder: Path) -> None:
    recorder.COMMIT_EVERY_S = recorder.RETRY_EVERY_S = 0.02
    if how == "disk":
        small_disk(folder)
    steps = np.random.default_rng(3).integers(1, 1 << 40, EDGES)  # wide: they do not pack well
    edges = Edges(np.cumsum(steps), (np.arange(EDGES) % 2).astype(np.uint8))
    batches = batches_of(edges, FIRST)
    with Book.open(folder / "b.sqlite") as book:
        running = book.start_recording(Clock(16.0), ("crank",), {})
        running.add(batches[0])
        wait_for(lambda: book.recording(running.id).entry.edges == FIRST)
        whole = resource.getrlimit(resource.RLIMIT_FSIZE)
        if how == "disk":
            fill(folder)
        else:
            room = sum(file.stat().st_size for file in folder.iterdir()) + 50_000
            resource.setrlimit(resource.RLIMIT_FSIZE, (room, whole[1]))
        for batch in batches[1:]:
            running.add(batch)
        wait_for(lambda: running.trouble)
        print(running.trouble)
        assert FIRST <= book.recording(running.id).entry.edges < EDGES and not list(book.faults())
        if how == "disk":
            (folder / "filler").unlink()
        else:
            resource.setrlimit(resource.RLIMIT_FSIZE, whole)
        wait_for(lambda: running.trouble is None)
        running.finish()
        assert_same(edges, joined(list(book.recording(running.id).batches()))[0])
        assert not list(book.faults())


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
