"""Tests mirror the rooms of the package. As a package, they import each other's helpers as `tests.ROOM.FILE`.

Imported before numpy: its matrices stay on one thread, as in the command.
"""

from toothwise.threads import one_each

one_each()
