"""`python -m toothwise`, where the command itself is not on the path."""

from toothwise.cli import run

run()
