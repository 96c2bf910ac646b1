"""`toothwise book list`, `jobs`, `show`, `note` and `compare`: looking into the book."""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

from toothwise.commands.parsing import tell_more
from toothwise.commands.sources import whole_number
from toothwise.errors import FileTrouble

if TYPE_CHECKING:
    from toothwise.book import Book, Entry
    from toothwise.book.jobs import Job


def recordings(args: argparse.Namespace, book: Book) -> int:
    listed = book.recordings(args.search, limit=args.most + 1)
    entries = listed[: args.most]
    found = book.findings(entry.id for entry in entries)
    if args.json:
        print(json.dumps([entry.as_json() | {"findings": found.get(entry.id, 0)} for entry in entries]))
        return 0
    if not entries:
        print("The book has no such recording." if args.search else "The book is empty: toothwise watch fills it.")
        return 0
    print("\n".join(_table(book, entries, found)))
    tell_more(args, listed)
    return 0


def _table(book: Book, entries: list[Entry], found: dict[int, int]) -> list[str]:
    from toothwise.show import words
    from toothwise.show.table import table

    jobs_here = {entry.job_id for entry in entries if entry.job_id is not None}
    titles = {job: words.fit(words.clean(book.jobs.get(job).title), 24) for job in jobs_here}
    head = ["no.", "started (UTC)", "state", "length", "edges", "findings", "job", "from"]
    rows = [
        [str(e.id), words.utc(e.started_utc), e.state, span(e), f"{e.edges:,}", _findings(e, found),
         f"{e.job_id} {titles[e.job_id]}" if e.job_id else "", origin(e)]
        for e in entries
    ]  # fmt: skip
    return table([head, *rows], right={0, 3, 4, 5})


def _findings(entry: Entry, found: dict[int, int]) -> str:
    return f"{found.get(entry.id, 0):,}" if entry.examined or entry.id in found else "–"


def jobs(args: argparse.Namespace, book: Book) -> int:
    listed = book.jobs.find(args.search, limit=args.most + 1)
    some = listed[: args.most]
    counts = {job.id: book.jobs.contents(job.id) for job in some}
    if args.json:
        print(json.dumps([_job_json(job) | counts[job.id] for job in some]))
        return 0
    if not some:
        print("The book has no such job." if args.search else "No job yet: toothwise watch --job JOB.toml makes one.")
        return 0
    from toothwise.show import words
    from toothwise.show.table import table

    head = ["no.", "changed (UTC)", "recordings", "notes", "job"]
    rows = [
        [str(j.id), words.utc(j.changed_utc), str(counts[j.id]["recordings"]), str(counts[j.id]["notes"]), j.title]
        for j in some
    ]
    print("\n".join(table([head, *rows], right={0, 2, 3})))
    tell_more(args, listed)
    return 0


def _job_json(job: Job) -> dict[str, Any]:
    return {name: getattr(job, name) for name in ("id", "title", "made_utc", "changed_utc", "file", "body")}


def number_of(what: str) -> tuple[str, int]:
    """("recording", 7) of "7", ("job", 2) of "job:2". Raises FileTrouble."""
    kind, _, number = what.rpartition(":")
    if kind not in ("", "job") or (known := whole_number(number)) is None:
        raise FileTrouble(
            f"{what} names neither a recording nor a job", step="Write 7 for a recording, job:2 for a job"
        )
    return kind or "recording", known


def show(args: argparse.Namespace, book: Book) -> int:
    kind, number = number_of(args.what)
    return _show_job(args, book, number) if kind == "job" else _show_recording(args, book, number)


def _show_recording(args: argparse.Namespace, book: Book, number: int) -> int:
    recording = book.recording(number)
    if args.json:
        whole = {
            **recording.entry.as_json(),
            "notes": recording.notes(),
            "marks": recording.marks(),
            "result": recording.result,
        }
        print(json.dumps(whole, allow_nan=False))
        return 0
    from toothwise.show import words
    from toothwise.show.screen import Look
    from toothwise.show.summary import summary

    entry = recording.entry
    print(f"recording {line(entry)}; {entry.state}")
    if entry.job_id is not None:
        print(f"job       {entry.job_id}: {words.clean(book.jobs.get(entry.job_id).title)}")
    for when, text in recording.notes():
        print(f"note      {words.utc(when)}  {words.clean(text)}")
    for tick, place in recording.marks():
        print(f"mark      {words.clock_time(recording.clock.seconds(tick))}  {words.clean(place)}")
    if recording.result is None:
        print(f"Not examined yet: toothwise examine {entry.id}")
    else:
        print("\n".join(summary(recording.result, Look(sys.stdout))))
    return 0


def _show_job(args: argparse.Namespace, book: Book, number: int) -> int:
    job, readings, notes = book.jobs.get(number), book.jobs.readings(number), book.jobs.notes(number)
    entries = book.recordings(job=number, limit=1000)
    if args.json:
        told = [{name: getattr(r, name) for name in ("name", "value", "measured_at", "taken_utc")} for r in readings]
        whole = _job_json(job) | {"readings": told, "notes": notes, "recordings": [e.as_json() for e in entries]}
        print(json.dumps(whole, allow_nan=False))
        return 0
    from toothwise.show import words

    print(f"job {job.id}: {words.clean(job.title)}")
    print(f"made      {words.utc(job.made_utc)}, changed {words.utc(job.changed_utc)} UTC")
    if job.file:
        print(f"card      {words.clean(job.file)}")
    for reading in readings:
        at = f", at {words.clean(reading.measured_at)}" if reading.measured_at else ""
        print(f"reading   {words.utc(reading.taken_utc)}  {words.clean(reading.name)} {reading.value:g}{at}")
    for when, text in notes:
        print(f"note      {words.utc(when)}  {words.clean(text)}")
    print()
    print("\n".join(f"  {words.clean(row)}" for row in job.body.strip().splitlines()))
    print()
    if entries:
        print("\n".join(_table(book, entries, book.findings(entry.id for entry in entries))))
    else:
        print("Nothing was recorded for it yet.")
    return 0


def note(args: argparse.Namespace, book: Book) -> int:
    kind, number = number_of(args.what)
    if kind == "job":
        book.jobs.add_note(number, args.text)
    else:
        book.add_note(number, args.text)
    if args.json:
        print(json.dumps({kind: number, "note": args.text}))
    return 0


def compare(args: argparse.Namespace, book: Book) -> int:
    both = book.compare(args.first, args.second)
    if args.json:
        print(json.dumps(both, allow_nan=False))
        return 0
    from toothwise.show.compare import comparison

    print("\n".join(comparison(both)))
    return 0


def line(entry: Entry) -> str:
    """A recording in a line."""
    from toothwise.show import words

    return f"{entry.id}: {words.utc(entry.started_utc)} UTC, {span(entry)}, from {origin(entry)}"


def span(entry: Entry) -> str:
    from toothwise.show import words

    return words.span(entry.span_s)


def origin(entry: Entry) -> str:
    """The file, the board, or whatever is known of where a recording is from."""
    from toothwise.show import words

    source = entry.source
    return words.clean(source.get("file") or source.get("board") or source.get("kind") or "unknown")
