"""Opening a recording from a file, whatever its format, and writing one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from toothwise.edges import csv_edges, vcd, volts_csv, wav
from toothwise.edges.signal import Recording
from toothwise.edges.table import read_header
from toothwise.errors import FileTrouble

SNIFFED_BYTES = 4096
PACKED = {b"\x1f\x8b": "gzip", b"PK": "zip", b"BZh": "bzip2", b"\xfd7zXZ": "xz", b"\x28\xb5\x2f\xfd": "zstandard"}

WRITERS: Mapping[str, Callable[[Path, Recording], None]] = {".csv": csv_edges.write, ".vcd": vcd.write}
"""By the ending of a file's name: what writes a recording's edges as that format."""


def open_recording(
    path: str | Path,
    *,
    names: Mapping[str, str] | None = None,
    level_v: float | None = None,
    full_scale_v: float = 1.0,
) -> Recording:
    """A recording from a file of edges (CSV, VCD) or of sampled volts (CSV, WAV), told by its content.

    names: the file's channel or column name → ours (crank, cam, feed, aux), where they differ. A WAV file's are
    "1", "2" …; the only channel of a file is the crank without being named.
    level_v: volts at which an edge counts, for sampled volts; chosen from the signal where it is None.
    full_scale_v: what a WAV file's largest value stands for.

    Raises FileTrouble, with the row where there is one. A fault that costs a stretch of the file and not the whole
    raises nothing: the stretch is blind, and `source` counts the faults and shows the first.
    """
    path = Path(path)
    names = dict(names or {})
    try:
        return _open(path, names, level_v, full_scale_v)
    except FileNotFoundError:
        raise FileTrouble(f"there is no file {path}", step="Check the name and the folder") from None
    except IsADirectoryError:
        raise FileTrouble(f"{path} is a folder", step="Name a file in it") from None
    except PermissionError:
        raise FileTrouble(f"{path} may not be read", cause="its permissions forbid it", step="Copy it") from None
    except OSError as error:
        raise FileTrouble(f"{path} cannot be read", cause=str(error.strerror or error)) from None


def write_recording(path: str | Path, recording: Recording) -> None:
    """Write a recording's edges in the format that the name's ending says, else as CSV. Raises FileTrouble."""
    path = Path(path)
    try:
        WRITERS.get(path.suffix.lower(), csv_edges.write)(path, recording)
    except OSError as error:
        raise FileTrouble(
            f"{path} cannot be written", cause=str(error.strerror or error), step="Choose another folder"
        ) from None


def _open(path: Path, names: Mapping[str, str], level_v: float | None, full_scale_v: float) -> Recording:
    if not path.is_file() and path.exists() and not path.is_dir():
        raise FileTrouble(f"{path} is no plain file", step="Save the recording as a file first")
    with path.open("rb") as file:
        # Zeros to the end are what a logger leaves that lost its power: the text before them is good.
        head = file.read(SNIFFED_BYTES).rstrip(b"\0")
    if not head.strip():
        raise FileTrouble(f"{path.name} is empty", cause="the recording was never written", step="Record again")
    if head[:4] in (b"RIFF", b"RF64", b"RIFX") and head[8:12] == b"WAVE":
        return wav.WavVolts(path, names, level_v=level_v, full_scale_v=full_scale_v)
    for magic, kind in PACKED.items():
        if head.startswith(magic):
            raise FileTrouble(f"{path.name} is packed ({kind})", step="Unpack it first")
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise FileTrouble(
            f"{path.name} is text in 16-bit characters", cause="saved as 'Unicode text'", step="Save it as CSV in UTF-8"
        )
    if b"\0" in head or _share_of_controls(head) > 0.02:
        raise FileTrouble(
            f"{path.name} is no text file and no WAV",
            cause="another program's own format, or a damaged file",
            step="Export it as CSV with the header time_s,channel,level, or as VCD",
        )
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if start.startswith(b"$"):
        return vcd.VcdEdges(path, names)
    columns = [name.lower() for name in read_header(path).columns]
    if columns[:1] == ["time_s"] and len(columns) > 1 and columns[1].startswith("volts"):
        return volts_csv.CsvVolts(path, names, level_v=level_v)
    return csv_edges.CsvEdges(path, names)


def _share_of_controls(head: bytes) -> float:
    return sum((b < 32 and b not in b"\t\n\r\f") or b == 127 for b in head) / len(head)
