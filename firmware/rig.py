"""The loop: edges to frames, heartbeats, commands, panel. Bounded work a turn, and it never waits for the host."""

import commands
import gc
import struct
import wire
from clock import Every, WideClock, later_ms, now_ms, since_ms
from contacts import Contacts
from flow import Flow
from line import Line
from post import Post
from time import sleep_ms

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from drive import Drive

_MARK_MS = 10  # how often `until` moves on, and edges waiting for a full frame are sent
_HEARTBEAT_MS = 50
_COUNTERS_MS = 1000
_ANALOGUE_MS = 500
_STOP_MS = 1000
_CHORES_MS = 5  # between two rounds of everything but edges; a round takes a board most of a millisecond
_FRAMES_A_TURN = 4  # of one channel: bounded, and enough to catch up after a pause
_HEAP_LOW = 8192


class Rig:
    """One capture, one line, one panel. `run` ends by KeyboardInterrupt or HostGone; then call `close`."""

    def __init__(  # type: ignore[no-untyped-def]
        self, board: str, pins: dict[str, int], capture, line: Line, panel, player, conductors, analogue, clock: WideClock
    ) -> None:
        self.board = board
        self.pins = pins
        self.capture = capture
        self.panel = panel
        self.player = player  # None: this board has no pattern pin
        self.post = Post(line)
        self.flow = Flow(capture, self.post)
        self.contacts = Contacts(self.flow, self.post, panel, conductors)
        self.make_drive: Callable[[], Drive] | None = None  # None: this board has no drive
        self.drive: Drive | None = None  # made when it is first asked for, since most rigs never need it
        self._drive_fault = ""  # why it stopped, while the line could not take that
        self.boot = _boot_number()
        self.capturing = False
        self.playing = False
        self._line = line
        self._analogue = analogue  # function that gives (feed mV, temperature raw)
        self._clock = clock
        self._stopping = False
        self._stop_deadline_ms = 0
        self._pattern_start = 0
        self._heartbeat_tick = 0
        self._heap_told = False
        self._chores = Every(_CHORES_MS)
        self._mark = Every(_MARK_MS)
        self._heartbeat = Every(_HEARTBEAT_MS)
        self._counters = Every(_COUNTERS_MS)
        self._readings = Every(_ANALOGUE_MS)
        gc.collect()

    # ------------------------------------------------------------ what commands ask for

    def hello(self) -> None:
        gc.collect()
        conductors = self.contacts.conductors
        facts = {
            "protocol": wire.PROTOCOL,
            "firmware": wire.FIRMWARE,
            "board": self.board,
            "boot": self.boot,
            "capture": self.capture.kind,
            "tick_hz": self.capture.tick_hz,
            "channels": self.capture.channels(),
            "ring_edges": self.capture.rings[0].room,
            "pattern": self.player is not None,
            "conductors": conductors.most if conductors else 0,
            "drive": self.make_drive is not None,
            "analogue": [
                name for name, value in zip(("feed_mv", "temperature_raw"), self._analogue()) if value >= 0
            ],
            "heap_used": gc.mem_alloc(),
            "heap_free": gc.mem_free(),
            "capturing": self.capturing,
        }
        self.post.send(wire.HELLO, wire.pack_hello(facts))

    def start(self) -> int:
        """Begin capture. Returns the first tick vouched for."""
        tick = self.flow.start()
        self.capturing = True
        self._stopping = False
        return tick

    def stop(self) -> None:
        """End capture; the answer comes when everything captured has been sent, or after a second."""
        if not self.capturing or self._stopping:
            self.post.answer("stop ok tick=%d" % min(self.flow.until()))
            return
        self.flow.stop()
        self._stopping = True
        self._stop_deadline_ms = later_ms(now_ms(), _STOP_MS)

    def play(self) -> None:
        """The pattern has begun; the loop says when it is out."""
        self.playing = True
        self._pattern_start = self.capture.now()

    # ------------------------------------------------------------ parts of a turn

    def _finish_stop(self, now_ms: int) -> None:
        if self.flow.drained() or since_ms(self._stop_deadline_ms, now_ms) >= 0:
            self.capturing = self._stopping = False
            self.post.answer("stop ok tick=%d" % min(self.flow.until()))

    def _pattern(self) -> bool:
        if self.player.turn():
            return self.capture.kind == "irq"  # played by this loop: no sleeping
        self.playing = False
        self.post.event(wire.PATTERN_DONE, 0, 0, self.player.edges, self._pattern_start, self.capture.now())
        return True

    def _send_heartbeat(self) -> None:
        tick = self.capture.now()
        self._heartbeat_tick = tick
        state = self.contacts.watch << wire.WATCH_SHIFT
        if self.capturing:
            state |= wire.CAPTURING
        if self.panel.sounding:
            state |= wire.SOUNDING
        if self.panel.lit:
            state |= wire.LAMP_LIT
        if self.panel.muted:
            state |= wire.MUTED
        if self.drive and self.drive.running:
            state |= wire.DRIVING
        until = self.flow.until()
        tick = max(tick, max(until))  # `now` is careful by some microseconds, a start or a walk's end is not
        self.post.tell_dropped(tick)
        self.post.send(
            wire.HEARTBEAT,
            wire.pack_heartbeat(tick, self._clock.us(), self.boot, self.capture.levels(), state, until),
        )

    def _send_counters(self) -> None:
        free = gc.mem_free()
        self.post.send(
            wire.COUNTERS,
            wire.pack_counters(self.post.frames, self.post.dropped, gc.mem_alloc(), free, self.flow.counts()),
        )
        if free < 2 * _HEAP_LOW:
            gc.collect()
            free = gc.mem_free()
            if free < _HEAP_LOW and not self._heap_told:
                self._heap_told = self.post.fault(wire.reason_id("heap_low"), self.capture.now(), free)

    def _send_readings(self) -> None:
        feed_mv, raw = self._analogue()
        if feed_mv >= 0 or raw >= 0:
            self.post.send(wire.ANALOGUE, wire.pack_analogue(self.capture.now(), feed_mv, raw))

    def _edges(self) -> bool:
        busy = self.capture.turn()
        if not self._stopping:
            self.contacts.turn()
        for ch in self.flow.channels:
            for _ in range(_FRAMES_A_TURN):
                if not self.flow.turn(ch):
                    break
                busy = True
        return busy

    # ------------------------------------------------------------ the loop

    def turn(self) -> bool:
        """Some frames a channel, and now and then the chores. True if the next turn should come at once."""
        busy = self.capturing and self._edges()
        if self.playing and self._pattern():
            busy = True
        now = now_ms()
        if self._chores.due(now) or self.post.patient:
            self._do_chores(now)
        return busy

    def _do_chores(self, now: int) -> None:
        """One command, one press of the button, and whatever is due."""
        text = self._line.read()
        if text is not None:
            commands.handle(self, text)
        fast = self.post.patient = self.capture.fast
        while self.capture.faults and self.post.fault(*self.capture.faults[0]):
            self.capture.faults.pop(0)
        if self._stopping:
            self._finish_stop(now)
        elif self.capturing and (self._mark.due(now) or fast):
            self.flow.mark()
        if self._heartbeat.due(now) or (
            fast and self.capture.now() - self._heartbeat_tick > self.capture.tick_hz // 20
        ):
            self._send_heartbeat()
        if self._counters.due(now):
            self._send_counters()
        if self._readings.due(now):
            self._send_readings()
        pressed = self.panel.turn()
        if self.drive:
            self._watch_drive(self.drive, pressed)
        if pressed:
            tick = self.capture.now()
            self.post.event(wire.MARK, wire.ALL_CHANNELS, 1, 1, tick, tick)
            self.contacts.sound("mark")

    def captured(self) -> list[int]:
        """Edges of crank and of aux so far, 30 bits each: the sensor on a test bench, and the master beside it."""
        return [ch.ordinal + ch.ring.poll() for ch in (self.flow.channels[0], self.flow.channels[3])]

    def _watch_drive(self, drive: "Drive", pressed: bool) -> None:
        """Every reason to stop the drive; the button is one whatever else it means."""
        reason = drive.turn(self.captured(), self.capturing and not self._stopping)
        if pressed and drive.kind:
            reason = "drive_button"
            drive.stop(reason)
        self._drive_fault = reason or self._drive_fault
        if self._drive_fault and self.post.fault(wire.reason_id(self._drive_fault), self.capture.now()):
            self._drive_fault = ""

    def run(self) -> None:
        """Turn until interrupted. Sleeping a millisecond when idle leaves the bus free and costs nothing."""
        self.hello()
        while True:
            if not self.turn():
                sleep_ms(1)

    def close(self) -> None:
        """Leave the board as it was found, on every way out."""
        for part in (self.drive, self.player, self.capture, self.panel):
            if part is not None:
                part.close()
        if self.contacts.conductors:
            self.contacts.conductors.feed(0)


def _boot_number() -> int:
    try:
        import os

        return struct.unpack("<H", os.urandom(2))[0]
    except (ImportError, AttributeError):
        return now_ms() & 0xFFFF
