"""The drive's pins on a board: pulse width for a motor controller, or steps and direction for a stepper's.

    drive       pulses: width by 0 to 1000 per mille, or one a step
    direction   high: backwards
    enable      high while it may turn

Both use the board's own pulse generator, so no loop can miss a pulse or leave one standing.
"""

from machine import PWM, Pin, Timer


class _Pins:
    def __init__(self, pins: dict[str, int]) -> None:
        self._pin = pins["drive"]
        self._direction = Pin(pins["direction"], Pin.OUT, value=0) if pins["direction"] >= 0 else None
        self._enable = Pin(pins["enable"], Pin.OUT, value=0) if pins["enable"] >= 0 else None
        self._pwm: PWM | None = None
        self._timer: Timer | None = None
        self.least = 0 if self._direction is None else -self.most

    most = 0

    def _enabled(self, value: int) -> None:
        if self._direction is not None:
            self._direction.value(1 if value < 0 else 0)
        if self._enable is not None:
            self._enable.value(1 if value else 0)

    def guard(self, check) -> None:  # type: ignore[no-untyped-def]
        self._timer = Timer(-1)
        self._timer.init(period=50, mode=Timer.PERIODIC, callback=lambda timer: check())

    def end(self) -> None:
        # The guard may come in here from its timer and end it first: nothing is looked at twice.
        timer, self._timer = self._timer, None
        pwm, self._pwm = self._pwm, None
        if self._enable is not None:
            self._enable.value(0)
        if timer is not None:
            timer.deinit()
        if pwm is not None:
            pwm.duty_u16(0)
            pwm.deinit()
        Pin(self._pin, Pin.OUT, value=0)


class Width(_Pins):
    """Pulse width in per mille."""

    most = 1000

    def begin(self, carrier_hz: int) -> None:
        self._pwm = PWM(Pin(self._pin), freq=carrier_hz, duty_u16=0)

    def set(self, value: int) -> None:
        self._enabled(value)
        if self._pwm is not None:
            self._pwm.duty_u16(abs(value) * 65535 // 1000)


class Steps(_Pins):
    """Steps a second."""

    most = 200000

    def begin(self, steps_a_turn: int) -> None:
        self._pwm = PWM(Pin(self._pin), freq=100, duty_u16=0)

    def set(self, value: int) -> None:
        self._enabled(value)
        if self._pwm is None:
            return
        if value:
            self._pwm.freq(max(abs(value), 10))  # slower than the generator's slowest is its slowest
        self._pwm.duty_u16(32768 if value else 0)


def drive_on_pins(pins: dict[str, int]):  # type: ignore[no-untyped-def]
    """The drive of a board; None where it has no drive pin."""
    from drive import Drive

    return Drive(Width(pins), Steps(pins)) if pins["drive"] >= 0 else None
