"""What a report is made from: results, records and hashes, gathered from files and the book."""

from __future__ import annotations

import argparse
import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from toothwise import __version__
from toothwise.commands.cards import file_key
from toothwise.commands.report_about import about, card_json, card_of_text
from toothwise.commands.rig import check_key
from toothwise.commands.sources import book_number, recording_of, wheel_named, whole_number
from toothwise.errors import BookTrouble, FileTrouble

if TYPE_CHECKING:
    from toothwise.book import Book
    from toothwise.book.jobs import Job
    from toothwise.book.stored import StoredRecording
    from toothwise.causes.job import Job as Card
    from toothwise.edges.signal import Recording
    from toothwise.show.progress import Progress

SCHEMA = 1
MOST_RECORDINGS = 8
"""Of a job, the newest."""


def matter(args: argparse.Namespace, progress: Progress) -> dict[str, Any]:
    """The object that the report is made from, and that --json prints. Plain types only."""
    told: dict[str, Any] = {
        "schema": SCHEMA,
        "version": __version__,
        "made_utc": _now(),
        "job_notes": [],
        "earlier": None,
        "earlier_wiggle": None,
    }
    if args.what.startswith("job:") or Path(args.what).suffix.lower() == ".toml":
        told |= _of_job(args, progress)
    elif book_number(args.what) is not None:
        told |= _of_stored(args, progress)
    else:
        told |= _of_file(args, progress)
    recordings = told["recordings"]
    results = [recording["result"] for recording in recordings if recording["result"]]
    weighed_by = next((result["job"] for result in results if result.get("job")), None)
    told["job"] = card_json(_card(args.job)) if args.job else told.get("job") or weighed_by
    told |= about(told, args.what)
    told["rig_check"] = _rig_check(args, recordings)
    return told


def _now() -> str:
    from toothwise.book.times import now_utc

    return now_utc()


# One recording, of a file or of the book


def _of_file(args: argparse.Namespace, progress: Progress) -> dict[str, Any]:
    with recording_of(args.what, None) as (recording, _):
        card = _card(args.job) if args.job else None
        wiggle = _wiggled(args, recording) if args.marks else None
        result = _weighed(_examined(args, recording, card, progress), wiggle, card)
        marks = _marks(args, recording) if args.marks else []
        one = {
            "name": Path(args.what).name,
            "number": None,
            "uid": None,
            "started_utc": None,
            "state": "",
            "span_s": max((c["span_s"] for c in result["channels"].values()), default=0.0),
            "source": dict(recording.source),
            "settings": {},
            "notes": [],
            "marks": marks,
            "hash_of": "file",
            "sha256": _file_hash(Path(args.what)),
            "result": result,
            "wiggle": wiggle,
        }
    return {"kind": "wiggle" if wiggle else "recording", "recordings": [one]}


def _of_stored(args: argparse.Namespace, progress: Progress) -> dict[str, Any]:
    with _book(args) as book:
        stored = book.recording(int(args.what))
        one = _stored(args, book, stored, progress)
        told: dict[str, Any] = {"kind": "wiggle" if one["wiggle"] else "recording", "recordings": [one]}
        if stored.entry.job_id is not None:
            told |= _job(book, book.jobs.get(stored.entry.job_id))
            told |= _earlier(book, stored, one)
        return told


def _of_job(args: argparse.Namespace, progress: Progress) -> dict[str, Any]:
    with _book(args) as book:
        job = _job_named(book, args.what)
        entries = book.recordings(job=job.id, limit=MOST_RECORDINGS)
        if not entries:
            raise BookTrouble(
                f"Nothing was recorded yet for the job of {args.what}",
                step="Record with --job, as in: toothwise watch --job JOB.toml",
            )
        stored = [book.recording(entry.id) for entry in entries]
        several = [_stored(args, book, one, progress) for one in stored]
        told = {"kind": "job", "recordings": several, **_job(book, job)}
        told |= _earlier(book, stored[0], several[0])
        if Path(args.what).suffix.lower() == ".toml":
            told["job"] = card_json(_card(args.what))
        return told


def _stored(args: argparse.Namespace, book: Book, stored: StoredRecording, progress: Progress) -> dict[str, Any]:
    entry, result = stored.entry, stored.result
    card = _card(args.job) if args.job else _card_of(book, entry.job_id)
    asked_anew = args.wheel not in (None, "auto") or args.job is not None
    if result is None or not result.get("course") or asked_anew:
        result = _examined(args, stored, card, progress, stored.settings)
        if entry.state == "finished":
            book.keep_result(stored.id, result)
    wiggle = (stored.result or {}).get("wiggle")
    return {
        "name": str(entry.id),
        "number": entry.id,
        "uid": entry.uid,
        "started_utc": entry.started_utc,
        "state": entry.state,
        "span_s": entry.span_s,
        "source": entry.source,
        "settings": entry.settings,
        "notes": stored.notes(),
        "marks": [[round(stored.clock.seconds(tick), 6), place] for tick, place in stored.marks()],
        "hash_of": "edges",
        "sha256": stored.fingerprint(),
        "result": _weighed({key: value for key, value in result.items() if key != "wiggle"}, wiggle, card),
        "wiggle": wiggle,
    }


def _weighed(result: dict[str, Any], wiggle: dict[str, Any] | None, card: Card | None) -> dict[str, Any]:
    """The result with the causes weighed on what the wiggle test showed, too."""
    if wiggle is None:
        return result
    from toothwise.causes.findings import from_json
    from toothwise.causes.job import Job as EmptyCard
    from toothwise.causes.weigh import causes

    seen = {**result, "places": wiggle["places"]}
    return {**result, "causes": causes(from_json(seen, card or EmptyCard())), "job": card_json(card) if card else None}


def _examined(
    args: argparse.Namespace,
    recording: Recording,
    card: Card | None,
    progress: Progress,
    settings: dict[str, Any] | None = None,
) -> dict[str, Any]:
    from toothwise.causes.job import Job as EmptyCard
    from toothwise.examine import examine
    from toothwise.examine.explain import by_card, explain

    card = card or EmptyCard()
    made_with = settings or {}
    result = examine(
        recording,
        wheel_named(args.wheel, str(made_with.get("wheel") or "").replace("auto", "")),
        cam_wheel=wheel_named(args.cam_wheel or made_with.get("cam_wheel")),
        progress=lambda e: progress.at(f"examining: {e.tally().edges:,} edges, {e.tally().until_s:.1f} s of signal"),
        **by_card(card),
    )
    explain(result, card)
    return result.as_json()


def _wiggled(args: argparse.Namespace, recording: Recording) -> dict[str, Any]:
    from toothwise.wiggle import judge, look, read_marks

    marks = read_marks(args.marks, recording.clock)
    seen = look(recording, marks, wheel=wheel_named(args.wheel), cam_wheel=wheel_named(args.cam_wheel), open_ended=True)
    return judge([seen]).as_json()


def _marks(args: argparse.Namespace, recording: Recording) -> list[list[Any]]:
    from toothwise.wiggle import read_marks

    return [[round(recording.clock.seconds(m.tick), 6), m.place] for m in read_marks(args.marks, recording.clock)]


def _file_hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


# Jobs


@contextmanager
def _book(args: argparse.Namespace) -> Iterator[Book]:
    from toothwise.book import Book

    with Book.open(args.book) as book:
        yield book


def _job_named(book: Book, what: str) -> Job:
    if what.startswith("job:"):
        number = whole_number(what.removeprefix("job:"))
        if number is None:
            raise FileTrouble(f"{what} names no job", step="Write job:3; 'toothwise book jobs' lists them")
        return book.jobs.get(number)
    _card(what)  # says what is wrong with it, if anything is
    known = book.jobs.of_file(file_key(what))
    if known is None:
        raise BookTrouble(
            f"The book {book.where} knows no recording of the job {what}",
            cause="Nothing was recorded or examined with this card yet",
            step=f"Record with it: toothwise watch --job {what}",
        )
    return known


def _job(book: Book, job: Job) -> dict[str, Any]:
    return {"job_number": job.id, "job_notes": book.jobs.notes(job.id), "job": card_json(card_of_text(job.body))}


def _card(path: str) -> Card:
    from toothwise.examine.explain import job_of

    return job_of(path)


def _card_of(book: Book, job: int | None) -> Card | None:
    return None if job is None else card_of_text(book.jobs.get(job).body)


def _earlier(book: Book, stored: StoredRecording, one: dict[str, Any]) -> dict[str, Any]:
    """The examined recording of the same job before this one, and the wiggle test, each set beside it."""
    from toothwise.book.compare import compare_results
    from toothwise.wiggle.compare import compare

    told: dict[str, Any] = {}
    number = book.jobs.earlier(stored.id)
    while number is not None:
        result = book.recording(number).result or {}
        if "earlier" not in told and one["result"] is not None:
            told["earlier"] = {"a": number, "b": stored.id, **compare_results(result, one["result"])}
        if not one["wiggle"]:
            break
        if "wiggle" in result:
            told["earlier_wiggle"] = {"a": number, "rows": compare(result["wiggle"], one["wiggle"])}
            break
        number = book.jobs.earlier(number)
    return told


# What goes with it


def _rig_check(args: argparse.Namespace, recordings: list[dict[str, Any]]) -> dict[str, Any] | None:
    """The last self-check of such a board that the book keeps."""
    boards = [r["source"]["board"] for r in recordings if r["source"].get("board")]
    if not boards:
        return None
    with _book(args) as book:
        kept: dict[str, Any] | None = book.setting(check_key(boards[0]))
    return kept
