"""One file a command. Each has `add(commands)`, which describes it, and `run(args)`, which returns an exit
code.

A command's module imports nothing heavy at its top: all of them are imported for `toothwise --help`.
"""

COMMANDS: tuple[str, ...] = (
    "demo",
    "watch",
    "examine",
    "wiggle",
    "job",
    "report",
    "bench",
    "wheel",
    "rig",
    "export",
    "book",
    "wiring",
)
"""Modules of this package, in the order of the help."""
