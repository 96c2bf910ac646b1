"""From a serial line to batches of edges: rigs real and virtual, found, opened, installed and checked.

    for info in link.find_rigs(): ...                  # every port that answered with a hello
    with link.open_rig("auto") as rig:                 # or a port's name, or "virtual"
        rig.clock, rig.channels, rig.source            # known once the hello is there
        for batch in rig.batches():                    # at least ten a second, also in silence
            rig.take_notes()                           # marks, faults, readings that came meanwhile
            rig.command("beep")                        # a text line; the answer's words, or RigTrouble
        rig.stats                                      # what was received, repeated, damaged, lost

    link.open_rig("virtual", edges=batches, tick_hz=62_500_000)   # the firmware itself, fed with made edges

    link.install(port, progress)                       # copies and proves the firmware; gives `Installed`
    link.check(rig, progress)                          # the self-check pattern; gives `CheckReport`

A `Rig` satisfies `edges.signal.Recording`. Everything a rig or the line loses becomes a `Blind` stretch in
the batches: a gap in the sequence numbers, a damaged frame, an overrun on the board, an unplugged cable, a
reset. Errors a person can act on are RigTrouble (none found, in use, silent) and FirmwareMismatch. While an
unplugged rig may come back, `rig.trouble` says what is wrong and the batches go on, empty.
"""

from toothwise.link.hello import Hello
from toothwise.link.installer import Installed, install
from toothwise.link.notes import Fault, Happening, LinkStats, Note, Reading
from toothwise.link.open import RigInfo, find_rigs, no_rig, open_rig
from toothwise.link.rig import Rig
from toothwise.link.selfcheck import CheckReport, check

__all__ = [
    "CheckReport",
    "Fault",
    "Happening",
    "Hello",
    "Installed",
    "LinkStats",
    "Note",
    "Reading",
    "Rig",
    "RigInfo",
    "check",
    "find_rigs",
    "install",
    "no_rig",
    "open_rig",
]
