"""Commands: one line of plain text each, one answer each. See PROTOCOL.md."""

import gc
import pattern_out
import wire
from contacts import WALK_MS
from line import HostGone
from panel import SOUNDS

_MOST_RATE_HZ = 500000  # more than any capture keeps up with
_MOST_RATE_MS = 60000


def handle(rig, text: str) -> None:  # type: ignore[no-untyped-def]
    """Do what a line says and answer it. Whatever the line holds, the rig goes on."""
    words = text.split()
    if not words:
        return
    name = words[0]
    action = _ACTIONS.get(name)
    if action is None:
        rig.post.answer("%s error unknown_command" % name[:20])
        return
    try:
        said = action(rig, words[1:])
    except Refused as refused:
        said = "error %s" % refused
    except (IndexError, ValueError):
        said = "error bad_argument"
    except HostGone:
        raise
    except Exception as error:
        said = "error internal_error %s: %s" % (type(error).__name__, error)
    if said is not None:
        rig.post.answer("%s %s" % (name, said))


class Refused(Exception):
    """A command that cannot be done now or here; its text is a reason's name."""


def _claimed(begin, *given):  # type: ignore[no-untyped-def]
    """What `begin` gives, where the board has a state machine, a DMA channel or a pin left for it."""
    try:
        return begin(*given)
    except (OSError, ValueError) as error:
        raise Refused("capture_refused") from error


def _hello(rig, words):  # type: ignore[no-untyped-def]
    rig.hello()


def _start(rig, words):  # type: ignore[no-untyped-def]
    tick = rig.capture.zero if rig.capturing else _claimed(rig.start)
    return "ok tick=%d" % tick


def _stop(rig, words):  # type: ignore[no-untyped-def]
    rig.stop()


def _pins(rig, words):  # type: ignore[no-untyped-def]
    return " ".join(["ok"] + ["%s=%d" % (name, rig.pins[name]) for name in sorted(rig.pins)])


def _self_check(rig, words):  # type: ignore[no-untyped-def]
    player = rig.player
    if player is None:
        raise Refused("no_such_pin")
    if words[0] == "stop":
        player.stop()
        return "ok"
    if rig.playing:
        raise Refused("busy")
    if words[0] == "pattern":
        hz = rig.capture.tick_hz
        edges, ticks = _claimed(player.play, hz)
        rig.play()
        return "ok edges=%d seconds=%.3f channel=crank from_rpm=%d to_rpm=%d" % (
            edges,
            ticks / hz,
            pattern_out.FROM_RPM,
            player.top_rpm,
        )
    if words[0] == "rate":
        hz, ms = int(words[1]), int(words[2])
        if not (0 < hz <= _MOST_RATE_HZ and 0 < ms <= _MOST_RATE_MS):
            raise ValueError
        if not _claimed(player.rate, hz, ms):
            raise Refused("bad_argument")
        rig.play()
        return "ok"
    raise ValueError


def _beep(rig, words):  # type: ignore[no-untyped-def]
    if len(words) == 2:
        hz, ms = int(words[0]), int(words[1])
        if not (20 <= hz <= 20000 and 0 < ms <= 10000):
            raise ValueError
        rig.panel.tone(hz, ms)
    else:
        name = words[0] if words else "ok"
        if name not in SOUNDS:
            raise ValueError
        rig.contacts.sound(name)
    return "ok"


def _lamp(rig, words):  # type: ignore[no-untyped-def]
    if words[0] not in ("on", "off", "blink"):
        raise ValueError
    rig.panel.lamp(words[0])
    return "ok"


def _mute(rig, words):  # type: ignore[no-untyped-def]
    if words[0] not in ("on", "off"):
        raise ValueError
    rig.panel.mute(words[0] == "on")
    return "ok"


def _mark(rig, words):  # type: ignore[no-untyped-def]
    tick = rig.capture.now()
    rig.post.event(wire.MARK, wire.ALL_CHANNELS, 0, 1, tick, tick)
    return "ok tick=%d" % tick


def _watch(rig, words):  # type: ignore[no-untyped-def]
    watch = wire.WATCHES.index(words[0])
    count = 0
    walk_ms = WALK_MS
    if words[0] == "continuity":
        conductors = rig.contacts.conductors
        if not conductors or not conductors.most:
            raise Refused("no_such_pin")
        count = int(words[1])
        if not 1 <= count <= conductors.most:
            raise ValueError
        if len(words) > 2:
            walk_ms = int(words[2])
            if not 0 <= walk_ms <= 600000:
                raise ValueError
    rig.contacts.set_watch(watch, count, walk_ms)
    return "ok"


def _drive(rig, words):  # type: ignore[no-untyped-def]
    if rig.make_drive is None:
        raise Refused("no_such_pin")
    if rig.drive is None:
        gc.collect()
        rig.drive = rig.make_drive()
    drive = rig.drive
    asked = words[0] if words else ""
    if asked in ("pwm", "step"):
        if not rig.capturing:
            raise Refused("drive_no_capture")
        step = asked == "step"
        option = int(words[3]) if step or len(words) > 3 else 20000
        ramp = int(words[4]) if len(words) > 4 else 2000
        drive.arm(asked, int(words[1]), int(words[2]), option, ramp if step else 0, rig.captured())
        return "ok"
    if asked == "set":
        value = int(words[1])
        if not drive.kind:
            raise Refused("drive_off")
        given = drive.set(value)
        if drive.let_go:
            raise Refused("drive_link_lost")
        return "ok value=%d" % given
    if asked == "stop":
        drive.stop("")
    elif words:
        raise ValueError
    return "ok kind=%s value=%d rpm=%d stopped_by=%s" % (
        drive.kind or "off",
        drive.value,
        drive.rpm,
        drive.stopped_by or "nothing",
    )


_ACTIONS = {
    "hello": _hello,
    "start": _start,
    "stop": _stop,
    "pins": _pins,
    "self-check": _self_check,
    "beep": _beep,
    "lamp": _lamp,
    "mute": _mute,
    "mark": _mark,
    "watch": _watch,
    "drive": _drive,
}
