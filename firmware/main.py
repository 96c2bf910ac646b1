"""Picks the capture for this board and runs the rig. A mark button held at power-up, or Ctrl-C, leaves the prompt.

Without a board, on MicroPython's unix port:

    micropython -X heapsize=4m firmware/main.py --stream FILE [--fast] [--ring WORDS] [--drive FILE]
"""

import gc
import sys
from clock import WideClock
from line import HostGone, Line
from rig import Rig

import micropython


def board_name() -> str:
    """What the board calls itself."""
    return getattr(sys.implementation, "_machine", sys.platform)


def rig_on_board() -> Rig | None:
    """The rig on a board with pins; None while the mark button is held."""
    import machine
    from conductors import conductors_on_pins
    from panel import panel_on_pins
    from pins import FEED_FULL_SCALE_MV, pin_map

    pins = pin_map()
    if pins["mark"] >= 0 and not machine.Pin(pins["mark"], machine.Pin.IN, machine.Pin.PULL_UP).value():
        return None
    clock = WideClock()
    capture, player = with_machines(pins, clock) if sys.platform == "rp2" else with_interrupts(pins, clock)

    feed = analogue_input(pins["feed_volts"])
    temperature = analogue_input(pins["temperature"])
    calibrated = hasattr(feed, "read_uv")

    def analogue() -> tuple[int, int]:
        mv = -1
        if calibrated:
            mv = feed.read_uv() * FEED_FULL_SCALE_MV // 3300000
        elif feed:
            mv = feed.read_u16() * FEED_FULL_SCALE_MV // 65535
        return mv, temperature.read_u16() if temperature else -1

    line = Line(sys.stdin.buffer, sys.stdout.buffer)
    rig = Rig(
        board_name(), pins, capture, line, panel_on_pins(pins), player, conductors_on_pins(pins), analogue, clock
    )
    if pins["drive"] >= 0:
        rig.make_drive = lambda: drive_on_board(pins)
    return rig


def analogue_input(number: int):  # type: ignore[no-untyped-def]
    """The converter on a pin; None where there is no such pin."""
    from machine import ADC, Pin

    if number < 0:
        return None
    converter = ADC(Pin(number))
    if hasattr(ADC, "ATTN_11DB"):  # the ESP32's range ends below 1 V unless it is told otherwise
        converter.atten(ADC.ATTN_11DB)
    return converter


def drive_on_board(pins: dict[str, int]):  # type: ignore[no-untyped-def]
    """The test bench's drive; its files are loaded only then."""
    from drive_pwm import drive_on_pins

    return drive_on_pins(pins)


def with_machines(pins: dict[str, int], clock: WideClock):  # type: ignore[no-untyped-def]
    """Capture and pattern by state machines."""
    from capture_pio import Capture
    from pattern_pio import PioPlayer

    gc.collect()  # the rings need one long piece
    return Capture(pins, clock), PioPlayer(pins["pattern"]) if pins["pattern"] >= 0 else None


def with_interrupts(pins: dict[str, int], clock: WideClock):  # type: ignore[no-untyped-def]
    """Capture by pin interrupts, pattern by the loop."""
    from capture_irq import Capture
    from machine import Pin
    from pattern_out import SoftPlayer

    player = SoftPlayer(Pin(pins["pattern"], Pin.OUT, value=0), clock.us) if pins["pattern"] >= 0 else None
    return Capture(pins, clock), player


def rig_on_stream(options: list[str]) -> Rig:
    """The rig without a board. Raises ValueError for options it does not know, OSError for a missing stream."""
    from capture_replay import RING_WORDS, Capture, StreamConductors, StreamPlayer
    from panel import NoPin, Panel

    path = ""
    drive = ""
    fast = False
    ring_words = RING_WORDS
    while options:
        option = options.pop(0)
        if option == "--fast":
            fast = True
        elif option == "--stream" and options:
            path = options.pop(0)
        elif option == "--drive" and options:
            drive = options.pop(0)
        elif option == "--ring" and options:
            ring_words = int(options.pop(0))
            if ring_words < 512 or ring_words & (ring_words - 1):
                raise ValueError("--ring takes a power of two, 512 or more")
        else:
            raise ValueError("unknown option " + option)
    if not path:
        raise ValueError("--stream FILE is missing")
    line = Line(sys.stdin.buffer, sys.stdout.buffer)
    clock = WideClock()
    capture = Capture(open(path, "rb"), clock, fast, ring_words)
    rig = Rig(
        board_name(),
        {},
        capture,
        line,
        Panel(capture, NoPin(), NoPin()),
        StreamPlayer(capture),
        StreamConductors(capture),
        lambda: (capture.feed_mv, capture.temperature_raw),
        clock,
    )
    if drive:
        from drive_replay import drive_on_file

        rig.make_drive = lambda: drive_on_file(drive)
    return rig


def main() -> None:
    on_board = sys.platform not in ("linux", "darwin")
    try:
        rig = rig_on_board() if on_board else rig_on_stream(sys.argv[1:])
    except (ValueError, OSError) as error:
        if on_board:
            raise
        usage = "main.py --stream FILE [--fast] [--ring WORDS] [--drive FILE]"
        sys.stderr.write("%s\nUsage: %s\n" % (error, usage))
        sys.exit(2)
    if rig is None:
        print("Mark button held: the rig is not started.")
        return
    try:
        rig.run()
    except (KeyboardInterrupt, HostGone):
        pass
    finally:
        if on_board:
            micropython.kbd_intr(-1)  # a second Ctrl-C must not leave a drive or a DMA channel at work
        rig.close()
        if on_board:
            micropython.kbd_intr(3)


main()
