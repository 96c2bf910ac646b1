"""Tests mirror the rooms of the package. As a package, they import each other's helpers as `tests.ROOM.FILE`."""
