"""Errors a person can act on. The command line prints one line of them and ends with their exit code.

Exit codes, the same for every command:

    0  done, nothing wrong found
    1  done, and something was found (events on the signal; a bench part failed)
    2  the command was not understood
    3  a file or a setting cannot be read
    4  the rig: none found, lost, busy, or not answering
    5  the book cannot be opened or written
    6  firmware and host do not match
    130  stopped by Ctrl-C (what was recorded is kept)
"""


class Trouble(Exception):
    """What happened, the likely cause, and the next step, in one line each.

    `str()` gives the whole as one line. Library code raises; only the command line prints.
    """

    exit_code = 3

    def __init__(self, what: str, *, cause: str = "", step: str = "") -> None:
        self.what = what
        self.cause = cause
        self.step = step
        super().__init__(" ".join(part for part in (_sentence(what), _sentence(cause), _sentence(step)) if part))


def _sentence(text: str) -> str:
    text = " ".join(text.split())
    return text if not text or text[-1] in ".?!" else text + "."


class FileTrouble(Trouble):
    """A file or a setting that cannot be read; names the row where there is one."""

    exit_code = 3


class RigTrouble(Trouble):
    """No rig, a lost one, one in use elsewhere, or one that does not answer."""

    exit_code = 4


class BookTrouble(Trouble):
    """The book cannot be opened, read or written."""

    exit_code = 5


class FirmwareMismatch(Trouble):
    """Board and host speak different protocol numbers; the step is the one command to run."""

    exit_code = 6
