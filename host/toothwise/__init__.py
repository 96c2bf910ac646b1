"""Clip a dev board to a crank or cam sensor, and know which tooth, wire or part is at fault."""

__version__ = "0.1.0"
