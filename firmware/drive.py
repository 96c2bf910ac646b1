"""The test bench's drive: what it is told, and every reason to stop it. Loaded when it is first asked for.

It turns only while all of this holds: a most speed was stated, the host repeats what it wants at least every 400 ms,
the capture runs, nobody pressed the button, and the edges on channels crank and aux say that the speed is one a
spindle can have. Any of them failing takes the output away at once, and it stays away until a most speed is stated
anew.

The output is an object with

    least, most        the values it takes
    begin(option)      make ready, standing still
    guard(check)       call `check` about 20 times a second, whatever the loop is doing, until the end
    set(value)         turn so; called every few milliseconds while a ramp goes on
    end()              let go of everything: no pulses, not enabled
"""

from clock import now_ms, since_ms

ALIVE_MS = 400
WINDOW_MS = 100  # over which the speed is counted
STILL_MS = 2000  # driven so long without an edge: the sensor, the belt or the motor is lost
OVER_PERCENT = 110
_SPARE_EDGES = 4  # a window may catch one tooth more at either end; a chattering edge is two more
_STEP_START = 100  # steps a second from rest, and at which direction may change
_CHORE_MS = 5


class Drive:
    """kind: "" while off, else "pwm" or "step". stopped_by: a reason's name, "" if nothing stopped it."""

    def __init__(self, pwm, step) -> None:  # type: ignore[no-untyped-def]
        self._outputs = {"pwm": pwm, "step": step}
        self.kind = ""
        self.stopped_by = ""
        self.value = 0  # what it does now
        self.wanted = 0
        self.rpm = 0  # as last counted
        self._output = pwm
        self._most_rpm = 0
        self._edges = 1
        self._most_step = 0
        self._ramp = 0  # steps a second that one chore may add; 0: none
        self.let_go = False  # by the guard; `turn` has not said so yet
        self._changing = False  # the output is being set: the guard leaves it alone for that moment
        self._heard = now_ms()
        self._window = now_ms()
        self._counted = [0, 0]
        self._moved = now_ms()  # when edges were last seen, or nothing was wanted

    @property
    def running(self) -> bool:
        return self.value != 0

    def arm(self, kind: str, most_rpm: int, edges: int, option: int, ramp: int, captured: list[int]) -> None:
        """Make ready, standing still. edges: level changes a turn. captured: see `turn`. option: carrier in Hz for pwm, steps a
        turn for step. ramp: steps a second that a second may add. Raises ValueError for what makes no sense."""
        if not (0 < most_rpm <= 20000 and 0 < edges <= 4000 and 0 < option <= 200000 and 0 <= ramp <= 1000000):
            raise ValueError
        output = self._outputs[kind]
        self.stop("")
        self._output = output
        self._most_rpm = most_rpm
        self._edges = edges
        self._most_step = most_rpm * option // 60 if kind == "step" else output.most
        self._ramp = max(ramp * _CHORE_MS // 1000, 1) if kind == "step" else 0
        self._heard = self._window = self._moved = now_ms()
        self.let_go = False
        output.begin(option)
        output.guard(self.guard)
        self.kind = kind
        self.stopped_by = ""
        self._counted = captured
        self.rpm = 0

    def set(self, value: int) -> int:
        """What the host wants, repeated to stay alive. Returns what it will get: nothing, once it was let go."""
        most = min(self._output.most, self._most_step)
        self.wanted = min(max(value, max(self._output.least, -most)), most)
        self._heard = now_ms()
        if not self._ramp:
            self._give(self.wanted)
        return self.wanted

    def _give(self, value: int) -> None:
        if value == self.value:
            return
        self._changing = True
        try:
            if not self.let_go:
                self.value = value
                self._output.set(value)
        finally:
            self._changing = False
        if self.let_go:  # meanwhile, perhaps
            self._output.end()

    def guard(self) -> None:
        """The loop may be held up for half a second by a host that stops reading in the middle of a frame: lets go
        meanwhile; the loop says so when it comes back. Called between any two steps of what the loop does."""
        if since_ms(self._heard, now_ms()) > ALIVE_MS:
            self.let_go = True
            if not self._changing:
                self._output.end()

    def turn(self, captured: list[int], capturing: bool) -> str:
        """Every few milliseconds. captured: edges so far of the sensor and of the master beside it; the busier one says
        how fast it turns, since a sensor under test may miss teeth. Returns the reason if it was stopped just now."""
        if not self.kind:
            return ""
        now = now_ms()
        reason = self._trouble(now, captured, capturing)
        if reason:
            self.stop(reason)
        elif self._ramp and self.value != self.wanted:
            self._give(self._ramped())
        return reason

    def _ramped(self) -> int:
        """The next value on the way to the wanted one; through rest where the direction changes."""
        value, wanted = self.value, self.wanted
        if value * wanted < 0:
            wanted = 0
        if abs(value) < _STEP_START and abs(wanted) <= _STEP_START:
            return wanted
        if value == 0:
            return _STEP_START if wanted > 0 else -_STEP_START
        if wanted > value:
            return min(value + self._ramp, wanted)
        return max(value - self._ramp, wanted)

    def _trouble(self, now: int, captured: list[int], capturing: bool) -> str:
        if self.let_go or since_ms(self._heard, now) > ALIVE_MS:
            return "drive_link_lost"
        if not capturing:
            return "drive_no_capture"
        span = since_ms(self._window, now)
        if span >= WINDOW_MS:
            seen = max([(new - old) & 0x3FFFFFFF for new, old in zip(captured, self._counted)])
            self._window = now
            self._counted = captured
            self.rpm = seen * 60000 // (self._edges * span)
            if seen or not self.value:
                self._moved = now
            most = OVER_PERCENT * self._most_rpm * self._edges * span // 6000000 + _SPARE_EDGES
            if seen > most:
                return "drive_overspeed"
        if since_ms(self._moved, now) > STILL_MS:
            return "drive_no_speed"
        return ""

    def stop(self, reason: str) -> None:
        """Let go, whatever it does; it must be armed anew. "" for a stop that was asked for."""
        self.value = self.wanted = 0
        if self.kind:
            self._output.end()
            self.kind = ""
            self.stopped_by = reason

    def close(self) -> None:
        self.stop("")
