"""Mark button, buzzer and lamp. Nothing here waits: sounds are lists of steps, worked off in the loop."""

from clock import later_ms, now_ms, since_ms

SOUNDS = ("mark", "missing", "extra", "feed", "contact", "open", "short", "ok")
"""In the order of their numbers on the wire."""

# (tone in Hz, 0 is a pause; milliseconds). Told apart by ear: pitch for what, rhythm for how many.
_STEPS = (
    ((1500, 60),),
    ((2400, 120), (0, 60), (2400, 120)),
    ((3200, 40), (0, 40), (3200, 40), (0, 40), (3200, 40)),
    ((600, 350),),
    ((2000, 90),),
    ((1000, 90), (0, 40), (1000, 90)),
    ((800, 60), (1600, 60), (800, 60), (1600, 60)),
    ((1200, 80), (1800, 120)),
)
_STABLE_MS = 20
_BLINK_MS = 150
_LAMP_HOLD_MS = 300


class NoPin:
    """Stands in for a pin, a tone or an analogue input that this board does not have."""

    def value(self, level: int = 1) -> int:
        return 1

    def tone(self, hz: int) -> None:
        pass


class Tone:
    """A buzzer on a pin, by PWM."""

    def __init__(self, pin) -> None:  # type: ignore[no-untyped-def]
        from machine import PWM

        self._pwm = PWM(pin)
        self._pwm.duty_u16(0)

    def tone(self, hz: int) -> None:
        if hz:
            self._pwm.freq(hz)
        self._pwm.duty_u16(32768 if hz else 0)


class Panel:
    """button: value() is 0 while pressed. buzzer: tone(hz), 0 is silence. lamp: value(level)."""

    def __init__(self, button, buzzer, lamp) -> None:  # type: ignore[no-untyped-def]
        self._button = button
        self._buzzer = buzzer
        self._lamp = lamp
        self.muted = False
        self.sounding = False
        self.lit = False
        self._wanted = "off"
        self._hold_until = now_ms()
        self._holding = False
        self._steps: tuple[tuple[int, int], ...] = ()
        self._step = 0
        self._step_until = 0
        self._pressed = False
        self._raw = 1
        self._raw_since = now_ms()

    def sound(self, name: str) -> bool:
        """Begin a sound, unless one is on; the lamp lights in any case. True if the buzzer began."""
        self._hold_until = later_ms(now_ms(), _LAMP_HOLD_MS)
        self._holding = True
        if self.sounding or self.muted:
            return False
        self._play(_STEPS[SOUNDS.index(name)])
        return True

    def tone(self, hz: int, ms: int) -> None:
        if not self.muted:
            self._play(((hz, ms),))

    def _play(self, steps: tuple[tuple[int, int], ...]) -> None:
        self._steps = steps
        self._step = 0
        self.sounding = True
        self._buzzer.tone(steps[0][0])
        self._step_until = later_ms(now_ms(), steps[0][1])

    def mute(self, muted: bool) -> None:
        self.muted = muted
        if muted:
            self._quiet()

    def lamp(self, wanted: str) -> None:
        """`on`, `off` or `blink`."""
        self._wanted = wanted

    def _quiet(self) -> None:
        self.sounding = False
        self._buzzer.tone(0)

    def turn(self) -> bool:
        """Work off what is due. True once for each press of the button, when it has been stable for 20 ms."""
        now = now_ms()
        if self.sounding and since_ms(self._step_until, now) >= 0:
            self._step += 1
            if self._step == len(self._steps):
                self._quiet()
            else:
                hz, ms = self._steps[self._step]
                self._buzzer.tone(hz)
                self._step_until = later_ms(now, ms)
        if self._holding and since_ms(self._hold_until, now) >= 0:
            self._holding = False
        lit = self._holding or self._wanted == "on" or (self._wanted == "blink" and now // _BLINK_MS % 2 == 0)
        if lit != self.lit:
            self.lit = lit
            self._lamp.value(1 if lit else 0)
        return self._button_pressed(now)

    def _button_pressed(self, now: int) -> bool:
        raw = self._button.value()
        if raw != self._raw:
            self._raw = raw
            self._raw_since = now
        elif since_ms(self._raw_since, now) >= _STABLE_MS and self._pressed != (raw == 0):
            self._pressed = raw == 0
            return self._pressed
        return False

    def close(self) -> None:
        self._quiet()
        self._lamp.value(0)


def panel_on_pins(pins: dict[str, int]) -> Panel:
    """The panel of a board with pins."""
    from machine import Pin

    button = Pin(pins["mark"], Pin.IN, Pin.PULL_UP) if pins["mark"] >= 0 else NoPin()
    buzzer = Tone(Pin(pins["buzzer"], Pin.OUT)) if pins["buzzer"] >= 0 else NoPin()
    lamp = Pin(pins["lamp"], Pin.OUT, value=0) if pins["lamp"] >= 0 else NoPin()
    return Panel(button, buzzer, lamp)
