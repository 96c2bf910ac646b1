"""A file that is written whole or not at all."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from toothwise.errors import FileTrouble, Trouble


@contextmanager
def whole_file(file: Path, trouble: type[Trouble] = FileTrouble) -> Iterator[Path]:
    """Where to write in the meantime, beside `file`; it takes that name once the block is left without an error.

    What the system refuses in the block, or in the end, is raised as `trouble`, with the name of `file`.
    """
    real = file.resolve() if file.is_symlink() else file  # a link stays one
    part = real.with_name(f"{real.name}.part")
    try:
        yield part
        part.replace(real)
    except OSError as error:
        cause = error.strerror or str(error)
        raise trouble(f"{file} cannot be written", cause=cause, step="Choose another place") from None
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def write_whole(file: Path, text: str) -> None:
    """Text, in UTF-8. Raises FileTrouble."""
    with whole_file(file) as part:
        part.write_text(text, encoding="utf-8")
