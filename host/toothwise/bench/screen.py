"""The bench's screen: what to do, how fast it turns, what was found, to be read from the spindle."""

from __future__ import annotations

from collections import Counter
from textwrap import wrap

from toothwise.bench.decide import WORDS, limits_of, plain
from toothwise.bench.result import FAIL, PASS, RETEST
from toothwise.bench.run import Bench
from toothwise.bench.spindle import CAUTIONS
from toothwise.bench.steps import CONFIRM, COUNT, READING, SERIAL, SWEEP
from toothwise.records import Judged
from toothwise.show import words
from toothwise.show.big import big
from toothwise.show.screen import Look, Screen, Segments

STYLE = {PASS: "good", RETEST: "warning", FAIL: "missing"}
_KEYS = {
    SERIAL: "Enter takes it   Enter alone: the last one again   Ctrl-D end",
    READING: "Enter takes it   Esc give this sensor up",
    CONFIRM: "Enter go on   s leave out   x give this sensor up   q end",
    SWEEP: "Enter done   s leave out   x give up   q end",
    COUNT: "s leave out   x give this sensor up   q end",
}
_DRIVE_KEYS = "any other key stops the drive"


class BenchView:
    def __init__(self, screen: Screen, look: Look) -> None:
        self._screen, self._look = screen, look

    def draw(self, bench: Bench, tally: Counter[str], notice: str = "") -> None:
        """tally: sensors of the lot by their last verdict."""
        columns, height = self._screen.size()
        head = self._head(bench, columns, tally)
        foot: list[Segments] = [[(f" {words.clean(notice)}", "warning")]] if notice else []
        driving = bench.spindle.driven and bench.step.kind in (SWEEP, COUNT)
        keys = _KEYS[bench.step.kind] + (f"   {_DRIVE_KEYS}" if driving else "")
        foot.append([(f" {words.fit(keys, columns - 2)}", "quiet")])
        room = height - len(head) - len(foot)
        body = self._body(bench, room, columns)
        lines = [*head, *body, *[[]] * (room - len(body)), *foot]
        self._screen.draw([self._screen.line(line) for line in lines])

    def _head(self, bench: Bench, columns: int, tally: Counter[str]) -> list[Segments]:
        left = f" toothwise bench   lot {words.clean(bench.lot)}"
        counts = "  ".join(f"{tally[v]} {v}" for v in (PASS, RETEST, FAIL))
        head: list[Segments] = [[(left + f"{counts} ".rjust(max(columns - len(left), 0)), "title")], []]
        if bench.step.kind == SERIAL and bench.last is not None:
            return head + self._verdict(bench, columns)
        of = f"step {bench.at + 1} of {len(bench.steps)}: {bench.step.title}"
        who = f" sensor {words.clean(bench.sensor.serial)}   " if bench.sensor.serial else " "
        head.append([(who, "strong"), (of, "quiet")])
        return head

    def _verdict(self, bench: Bench, columns: int) -> list[Segments]:
        """The last sensor's, in letters to be seen from across the room."""
        last = bench.last
        assert last is not None
        lines: list[Segments] = [
            [(f" {line}", STYLE[last.verdict])] for line in big(last.verdict.upper(), unicode=self._look.unicode)
        ]
        lines.append([])
        lines.append([(f" {words.clean(last.serial)}", "strong")])
        lines += [[(f" {words.fit(words.clean(reason), columns - 2)}", "")] for reason in last.reasons[:6]]
        return lines

    def _body(self, bench: Bench, room: int, columns: int) -> list[Segments]:
        step, lines = bench.step, list[Segments]()
        lines.append([])
        if step.kind in (SERIAL, READING):
            lines.append([(f" {step.title}", "strong")])
            lines.append([(f" {words.fit(step.prompt, columns - 2)}", "")])
            lines += [[], [(f" > {words.clean(bench.typed)}", "strong"), ("_", "quiet")]]
        elif step.kind == CONFIRM:
            lines.append([(f" {words.fit(step.prompt, columns - 2)}", "strong")])
            if bench.spindle.driven and bench.at <= 1 + len(bench.limits.typed):
                lines.append([])
                lines += [[(f" {words.fit(text, columns - 2)}", "warning")] for text in CAUTIONS]
        else:
            lines += self._spinning(bench, columns)
        lines.append([])
        done = bench.sensor.judged[-max(room - len(lines), 0) :] if room > len(lines) else []
        return (lines + [_row(one) for one in done])[:room]

    def _spinning(self, bench: Bench, columns: int) -> list[Segments]:
        spindle, step = bench.spindle, bench.step
        wanted = f" of {spindle.target_rpm or step.rpm:.0f} rpm" if step.kind == COUNT or spindle.driven else " rpm"
        lines: list[Segments] = [
            [(f" {line}", "strong")] for line in big(f"{spindle.rpm:.0f}", unicode=self._look.unicode)
        ]
        lines.append([(wanted, "quiet")])
        lines.append([])
        lines.append([(f" {words.fit(step.prompt, columns - 2)}", "strong")])
        if spindle.stopped:
            why = spindle.stopped.removeprefix("The drive was stopped: ").rstrip(".")
            told = wrap(words.clean(f"The drive is stopped: {why}. Enter starts it again."), columns - 2)
            return [*lines, *([(f" {line}", "missing")] for line in told)]
        if spindle.finding:
            return [*lines, [(" Getting to know the motor: two steps, some seconds.", "warning")]]
        if step.kind == COUNT:
            lines.append(self._progress(bench, columns))
        return lines

    def _progress(self, bench: Bench, columns: int) -> Segments:
        if bench.stage is None:
            return [(" waiting for the speed", "quiet")]
        counts, needed = bench.stage.counts, bench.limits.sequence.revolutions
        width = min(30, columns // 3)
        full = min(width, width * counts.revolutions // max(needed, 1))
        bar = ("█" * full + "·" * (width - full)) if self._look.unicode else ("#" * full + "." * (width - full))
        faults = f"   {counts.missing} missing  {counts.extra} extra"
        style = "missing" if counts.missing or counts.extra else "good"
        return [(f" {bar} ", "strong"), (f"{counts.revolutions:,} of {needed:,} turns", ""), (faults, style)]


def _row(one: Judged) -> Segments:
    stage = "" if one.stage == "bench" else f" {one.stage}"
    name = f" {one.verdict:7}"
    value = plain(one.value, one.unit, one.uncertainty)
    return [
        (name, STYLE[one.verdict]),
        (f"{WORDS[one.name] + stage:48.48} {value:25}", ""),
        (limits_of(one.low, one.high, one.unit), "quiet"),
    ]
