"""From a serial line to batches of edges: real rigs, the virtual rig, finding them, installing and checking them.

    for info in link.find_rigs(): ...                  # every port that answered with a hello
    with link.open_rig("auto") as rig:                 # or a port's name, or "virtual"
        rig.clock, rig.channels, rig.source            # known once the hello is there
        for batch in rig.batches():                    # at least ten a second, also in silence; ends with the rig
            rig.take_events()                          # marks, faults, readings that came meanwhile
            rig.command("beep")                        # a plain text line; the answer, or RigTrouble
        rig.stats                                      # what was received, repeated, damaged, lost

    link.open_rig("virtual", edges=batches, clock=Clock(16.0))  # the firmware itself, fed with made edges

    link.install(port), link.check(rig)

A `Rig` satisfies `edges.signal.Recording`. Everything a rig or the line loses becomes a `Blind` stretch in the
batches: a gap in the sequence numbers, a damaged frame, an overrun on the board, an unplugged cable, a reset.
Errors a person can act on are RigTrouble (none found, lost, in use, silent) and FirmwareMismatch.
"""
