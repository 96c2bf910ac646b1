"""The log book: jobs, recordings, events, measures, notes, settings, learnt wheels and bench results.

It is one SQLite file, or, for several benches, a database on a PostgreSQL server.

    with Book.open() as book:                                  # or Book.open("bench.sqlite")
        recorder = book.start_recording(rig.clock, rig.channels, rig.source, job=7)
        for batch in rig.batches():
            recorder.add(batch)                                # returns at once
            if recorder.trouble: ...                           # one line for the screen; the watch goes on
        recorder.mark(tick, "plug at the sensor")
        recorder.finish(result)                                # the JSON object of the examination

        recording = book.recording(recorder.id)                # clock, channels, batches(), result …
        book.keep_recording(imported, result=result)           # a whole recording at once, from a file
        book.recordings("stall"), book.jobs.find("stall")      # list and search
        book.compare(3, 4), book.delete(3), book.backup("copy.sqlite"), list(book.faults())
        book.jobs.add(toml_text), book.jobs.add_reading(7, "feed_v", 5.02, "sensor")
        book.keep_wheel("my wheel", {...}), book.wheel("my wheel")
        book.bench.save_result(result), book.bench.lots(), book.bench.measure_columns("L7")
        book.copy_to(other_book)                               # from a file to a server, or back

    with ResultQueue("postgresql://bench@server/book") as queue:
        queue.keep(result)                                     # safe at once, in the book when it can be reached

What was added is on the disk within a second; a kill leaves a book that opens and a recording that reads as
`cut short`. Several programs may read, and several write, one book at a time.

This room imports SQLAlchemy: import it only where a book is needed.
"""

from toothwise.book.bench_columns import LotMean, MeasureColumn
from toothwise.book.bench_results import LotLine
from toothwise.book.book import Book, default_path
from toothwise.book.jobs import Job, Jobs, Reading
from toothwise.book.queue import ResultQueue, catch_up
from toothwise.book.recorder import Recorder
from toothwise.book.stored import Entry, StoredRecording

__all__ = [
    "Book",
    "Entry",
    "Job",
    "Jobs",
    "LotLine",
    "LotMean",
    "MeasureColumn",
    "Reading",
    "Recorder",
    "ResultQueue",
    "StoredRecording",
    "catch_up",
    "default_path",
]
