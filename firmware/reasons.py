"""What to do about each reason of PROTOCOL.md, in plain words. Read by the host; not needed on the board."""

HINTS: dict[str, str] = {
    "ring_overrun": (
        "Edges came faster than the link could carry, or the host stopped reading: close other programs on this port, check the input for ringing or a loose clip."
    ),
    "fifo_stalled": (
        "A burst too fast for the board's memory made one clock slip, and the capture was started anew: check the input for ringing."
    ),
    "not_started": "Nothing was captured between stop and start.",
    "walking": "The rig was moving the conductors itself to look for shorts.",
    "source_end": "The stream being replayed is over.",
    "edges_missed": (
        "Two edges closer than this board's interrupts can tell apart: use a board with state machines, or lower the speed."
    ),
    "frames_dropped": (
        "The host did not read for a while; frames other than edges were dropped, their number is the value."
    ),
    "internal_error": (
        "The firmware met something it did not expect; the words behind it say what. Press reset, then `toothwise rig check`."
    ),
    "no_such_pin": "This board has no pin for that: see `pins`, or set one in pins.json on the board.",
    "unknown_command": (
        "The firmware does not know this command: firmware and host may be of different age, `toothwise rig install`."
    ),
    "bad_argument": "The command was understood, its argument was not.",
    "busy": "The pattern is playing already: wait for it, or `self-check stop`.",
    "heap_low": "Less than 8 KB of heap are free: remove other files from the board.",
    "capture_refused": (
        "The board gave no state machine, DMA channel or pin: another program holds it; press reset."
    ),
    "drive_link_lost": (
        "The drive was stopped: the host had not repeated what it wants for 400 ms. Start the run again."
    ),
    "drive_button": "The drive was stopped by the mark button.",
    "drive_overspeed": (
        "The drive was stopped: the spindle turned more than a tenth faster than the stated most speed, or the sensor gave that many edges. Check for noise on the line before driving again."
    ),
    "drive_no_speed": (
        "The drive was stopped: it was on for 2 s and no edge came. Check belt, motor supply, air gap and the sensor's feed."
    ),
    "drive_no_capture": (
        "The drive only turns while the capture runs, since nothing would watch the speed: `start` first."
    ),
    "drive_off": "The drive is not ready: state a most speed with `drive pwm` or `drive step` first.",
    "frames_lost": "(host) Frames were damaged or missing on the way: cable, hub or a busy computer.",
    "link_lost": "(host) The port went away: cable pulled, board reset or asleep.",
    "rig_reset": "(host) The rig began anew: power dip or reset button.",
}
