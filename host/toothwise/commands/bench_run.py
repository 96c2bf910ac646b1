"""`toothwise bench run` and `tune`: rig, keys, screen, book and queue around the bench at work."""

from __future__ import annotations

import argparse
import importlib.util
import queue
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace
from typing import TYPE_CHECKING, TextIO

from toothwise.bench import limits as limits_file
from toothwise.bench import setup as setups
from toothwise.bench.result import FAIL, PASS, RETEST
from toothwise.bench.run import Bench
from toothwise.bench.screen import BenchView
from toothwise.bench.spindle import CAUTIONS, DrivenSpindle, Spindle
from toothwise.book import Book, ResultQueue
from toothwise.commands.bench import master_of
from toothwise.commands.bench_lots import tell_waiting
from toothwise.commands.follow import TURN_S, joined
from toothwise.commands.live import REDRAW_S
from toothwise.commands.standing import StandingFault
from toothwise.commands.stopping import Stopping
from toothwise.edges.signal import Batch, Blind, Clock, Edges
from toothwise.errors import BookTrouble, FileTrouble, Trouble
from toothwise.link import open_rig
from toothwise.records import SensorResult
from toothwise.show.keys import Keys
from toothwise.show.screen import Look, Screen

if TYPE_CHECKING:
    from toothwise.bench.limits import Limits
    from toothwise.bench.setup import Setup
    from toothwise.book import Recorder
    from toothwise.link import Rig


@contextmanager
def opened(args: argparse.Namespace, limits: Limits, setup: Setup) -> Iterator[tuple[Rig, Spindle, Callable[[], None]]]:
    """The rig, its spindle, and what to call when the next sensor is put in: nothing, but on the made bench."""
    if args.rig == "virtual":
        from toothwise.commands.demo_bench import made_bench

        with made_bench(limits) as (rig, drive, change):
            yield rig, DrivenSpindle(rig, drive, limits.wheel, rig.clock), change
        return
    with open_rig(args.rig) as rig:
        if setup.drive is None:
            yield rig, Spindle(limits.wheel, rig.clock), lambda: None
        else:
            yield rig, DrivenSpindle(rig, setup.drive, limits.wheel, rig.clock), lambda: None


def run_lot(args: argparse.Namespace) -> int:
    """Sensor after sensor, until q or Ctrl-C. Exit code 1 where one of them did not pass."""
    limits, setup = limits_file.load(args.limits), setups.load(args.setup)
    name, master = master_of(args)
    if args.rig == "virtual" and args.setup is None:
        master = replace(master, zero_deg=0.0, uncertainty_deg=0.01)  # of the made bench
    with ExitStack() as stack:
        results = stack.enter_context(ResultQueue(args.book))
        rig, spindle, change = stack.enter_context(opened(args, limits, setup))
        stack.callback(spindle.stop)
        stopping = stack.enter_context(Stopping())
        more = {"firmware": rig.hello.firmware, "board": rig.hello.board}
        bench = Bench(args.lot, limits, name, spindle, rig.clock, rig.channels, master, more)
        work = Work(args, bench, rig, results, change)
        work.run(stack, stopping)
        tell_waiting(results)
    if work.broke is not None:
        raise work.broke
    told = "  ".join(f"{work.tally[v]} {v}" for v in (PASS, RETEST, FAIL))
    print(f"lot {args.lot}: {told}. toothwise bench lot {args.lot} tells more.", file=sys.stderr)
    return 130 if stopping.asked else int(any(r.verdict != PASS for r in work.done))


class Work:
    """The loop. done: results of this run. tally: the lot's sensors by their last verdict. broke: what ended it."""

    def __init__(
        self, args: argparse.Namespace, bench: Bench, rig: Rig, results: ResultQueue, change: Callable[[], None]
    ) -> None:
        self.args, self.bench, self.rig = args, bench, rig
        self.done: list[SensorResult] = []
        self.broke: Trouble | None = None
        self._results, self._change = results, change
        self._last: dict[str, str] = {}
        self._book: Book | None = None
        self._book_trouble = ""
        self._recorder: Recorder | None = None
        self._began_tick = 0
        self._serial = ""
        self._fault = StandingFault()
        self._drawn_s = 0.0
        self._view: BenchView | None = None
        self._lines: TextIO | None = None
        self._told = ""

    @property
    def tally(self) -> Counter[str]:
        return Counter(self._last.values())

    def run(self, stack: ExitStack, stopping: Stopping) -> None:
        self._open_book(stack)
        look = Look(sys.stdout, ascii_only=self.args.ascii)
        if look.live:
            self._view = BenchView(stack.enter_context(Screen(sys.stdout, look)), look)
        else:
            self._lines = sys.stdout
            if self.bench.spindle.driven:
                print("\n".join(CAUTIONS), file=self._lines)
        keyboard = Keyboard(stack)
        waiting: list[Batch] = []
        due = time.monotonic()
        try:
            for batch in self.rig.batches():
                waiting.append(batch)
                if time.monotonic() < due:
                    continue
                self._take(joined(waiting), keyboard.pressed())
                waiting.clear()
                due = time.monotonic() + TURN_S
                if stopping.asked or self.bench.ended or len(self.done) >= (self.args.sensors or 1 << 30):
                    break
        except Trouble as trouble:
            self.broke = trouble
        except KeyboardInterrupt:
            stopping.asked = True
        self.bench.spindle.stop()
        self._end_recording()

    def _open_book(self, stack: ExitStack) -> None:
        """For the recordings. Where it is out of reach the bench works on: results wait in the queue."""
        try:
            self._book = stack.enter_context(Book.open(self.args.book))
            results = self._book.bench.lot_results(self.args.lot, last_only=True, measures=False)
        except BookTrouble as trouble:
            if "://" not in (self.args.book or ""):
                raise
            results = []
            self._book_trouble = _not_kept(trouble)
        for result in [*results, *self._results.waiting_results(self.args.lot)]:
            self._last[result["serial"]] = result["verdict"]

    def _take(self, batch: Batch, keys: str) -> None:
        bench = self.bench
        for key in keys:
            bench.press(key)
        if bench.sensor.serial and bench.sensor.uuid != self._serial:
            self._serial = bench.sensor.uuid
            self._change()
            self._begin_recording(batch.until_tick)
        if self._recorder is not None:
            self._recorder.add(shifted(batch, self._began_tick))
        bench.feed(batch)
        while bench.finished:
            self._keep(bench.finished.pop(0))
        for note in self.rig.take_notes():
            fault = self._fault.take(note)
            if fault is not None and fault.reason.startswith("drive_"):
                bench.spindle.stop(fault.hint)
        self._show()

    def _keep(self, result: SensorResult) -> None:
        number = self._end_recording()
        if number is not None:
            result = replace(result, recordings=(number,))
        self._results.keep(result.as_dict())
        self._last[result.serial] = result.verdict
        self.done.append(result)
        if self._lines is not None:
            print(f"{result.serial}: {result.verdict.upper()}", file=self._lines)
            print("".join(f"  {reason}\n" for reason in result.reasons), end="", file=self._lines, flush=True)

    def _begin_recording(self, tick: int) -> None:
        self._end_recording()
        if self._book is None:
            return
        self._began_tick = tick
        settings = {"lot": self.args.lot, "serial": self.bench.sensor.serial, "limits": self.bench.limits.name}
        clock = Clock(self.rig.clock.tick_ns)
        try:
            self._recorder = self._book.start_recording(clock, self.rig.channels, self.rig.source, settings=settings)
            self._book_trouble = ""
        except BookTrouble as trouble:
            self._book_trouble = _not_kept(trouble)

    def _end_recording(self) -> int | None:
        recorder, self._recorder = self._recorder, None
        if recorder is None:
            return None
        try:
            recorder.finish()
        except BookTrouble as trouble:
            self._book_trouble = str(trouble)
        return recorder.id

    def _notice(self) -> str:
        waiting = self._results.trouble
        standing = self.rig.trouble or (self._recorder.trouble if self._recorder else None)
        if standing:
            return str(standing)
        if self._fault.text:
            return self._fault.text
        return f"results wait on this computer: {waiting.what}" if waiting else self._book_trouble

    def _show(self) -> None:
        now_s = time.monotonic()
        if self._view is not None and now_s - self._drawn_s >= REDRAW_S:
            self._drawn_s = now_s
            self._view.draw(self.bench, self.tally, self._notice())
        step = self.bench.step
        if self._lines is not None and step.title != self._told:
            self._told = step.title
            print(f"{self.bench.sensor.serial or '-'}: {step.title}. {step.prompt}", file=self._lines, flush=True)


def _not_kept(trouble: BookTrouble) -> str:
    return f"recordings are not kept: {trouble.what}"


class Keyboard:
    """Single keys on a terminal that gives them; elsewhere what comes on standard input, a line at each Enter."""

    def __init__(self, stack: ExitStack) -> None:
        self._keys = stack.enter_context(Keys())
        self._typed: queue.Queue[str] = queue.Queue()
        if not sys.stdin.isatty() or importlib.util.find_spec("termios") is None:
            threading.Thread(target=self._read, name="input", daemon=True).start()

    def _read(self) -> None:
        for line in sys.stdin:
            self._typed.put(line)

    def pressed(self) -> str:
        keys = self._keys.pressed()
        with suppress(queue.Empty):
            keys += self._typed.get_nowait()
        return keys


def shifted(batch: Batch, by: int) -> Batch:
    """The same, with its ticks counted from `by`; what came before is left out."""
    edges = {}
    for name, part in batch.edges.items():
        late = part.ticks >= by
        edges[name] = Edges(part.ticks[late] - by, part.levels[late])
    blind = tuple(
        Blind(max(b.start_tick - by, 0), b.end_tick - by, b.reason, b.channel) for b in batch.blind if b.end_tick > by
    )
    return Batch(max(batch.until_tick - by, 0), edges, blind)


def tune(args: argparse.Namespace) -> int:
    """Two steps of the drive; the lines for the setup."""
    limits, setup = limits_file.load(args.limits), setups.load(args.setup)
    if setup.drive is None and args.rig != "virtual":
        raise FileTrouble("this bench has no drive", step="write one into its setup: toothwise bench setup")
    if setup.drive is not None:
        setup = replace(setup, drive=replace(setup.drive, plant=None))
    print("\n".join(CAUTIONS), file=sys.stderr)
    with ExitStack() as stack:
        rig, spindle, _ = stack.enter_context(opened(args, limits, setup))
        assert isinstance(spindle, DrivenSpindle)
        stopping = stack.enter_context(Stopping())
        stack.callback(spindle.stop)
        started = False
        for batch in rig.batches():
            spindle.feed(batch)
            if not started:
                spindle.go()
                started = True
            spindle.turn()
            if stopping.asked or spindle.stopped or not spindle.finding:
                break
        spindle.stop(spindle.stopped)
        if stopping.asked:
            return 130
        if spindle.plant is None:
            raise FileTrouble("the motor was not made out", cause=spindle.stopped, step="check it and try again")
        plant = spindle.plant
    print(f"gain_rpm = {plant.gain_rpm:.0f}\ntau_s = {plant.tau_s:.2f}\nrest = {plant.rest:.3f}")
    return 0
