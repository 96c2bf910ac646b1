"""Single keys from the terminal, without waiting for them."""

from __future__ import annotations

import sys


class Keys:
    """Between `with` and its end, keys arrive at once and unseen; where that is not possible, none arrive."""

    def __init__(self) -> None:
        self._saved: list[object] | None = None

    def __enter__(self) -> Keys:
        try:
            import termios
            import tty

            if sys.stdin.isatty():
                self._saved = termios.tcgetattr(sys.stdin)
                tty.setcbreak(sys.stdin)  # Ctrl-C still interrupts
        except (ImportError, OSError, ValueError, AttributeError):
            self._saved = None
        return self

    def __exit__(self, *raised: object) -> None:
        if self._saved is not None:
            import termios

            termios.tcsetattr(sys.stdin, termios.TCSADRAIN, self._saved)  # type: ignore[arg-type]

    def pressed(self) -> str:
        """The keys pressed since the last call, "" for none."""
        if self._saved is None:
            return ""
        import os
        import select

        if not select.select([sys.stdin], [], [], 0)[0]:
            return ""
        return os.read(sys.stdin.fileno(), 64).decode(errors="ignore")
