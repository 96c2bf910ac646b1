"""The board's own files: from the checkout's firmware/ folder, or from beside this file in an installed wheel.

`wire.py` is imported from here, so that both ends of the serial line run one and the same file.
"""

from pathlib import Path

_checkout = Path(__file__).resolve().parents[3] / "firmware"

FOLDER: Path = _checkout if (_checkout / "wire.py").is_file() else Path(__file__).resolve().parent
"""Where the firmware's source files are."""

__path__ = [str(FOLDER)]
