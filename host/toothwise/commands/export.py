"""`toothwise export`: a recording's edges for other programs."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from toothwise.commands import parsing

_ABOUT = """
Write a recording's edges to a file: CSV (time_s,channel,level) or VCD (IEEE 1364), by the file's ending.
Blind stretches are written where the format has a place for them.

TARGET is the number of a recording in the book, or a file in any format that examine reads.
"""

_EXAMPLES = """
toothwise export 7 edges.csv
toothwise export 7 edges.vcd
toothwise export volts.wav edges.csv
"""
