"""One recording, looked at from end to end."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from toothwise.edges.signal import Batch, Recording
from toothwise.errors import FileTrouble
from toothwise.wheel.pattern import Wheel
from toothwise.wiggle.disturbance import Disturbance
from toothwise.wiggle.marks import Mark, stretches
from toothwise.wiggle.seen import Seen
from toothwise.wiggle.watching import DENSE, LASTS_S, Dense, Watching


def look(
    recording: Recording,
    marks: Sequence[Mark],
    *,
    mode: str | None = None,
    wheel: Wheel | None = None,
    cam_wheel: Wheel | None = None,
    names: Mapping[str, str] | None = None,
    noted: Iterable[Disturbance] = (),
    open_ended: bool = False,
    progress: Callable[[int], None] | None = None,
) -> Seen:
    """A whole recording. mode: as in Watching; None to tell from the signal whether anything turned.

    names: of conductors, by channel. noted: what the rig itself found. open_ended: the recording's format may not say
    when it ended (see `stretches`); its source tells `end_told` where it did. progress: called with the tick reached.

    The mode is chosen by the whole of the recording: where it begins at rest and turns later, it counts as turning.
    Raises FileTrouble for a turning wheel that cannot be made out.
    """
    if mode is None and wheel is None and not _may_turn(recording):
        mode = "rest"
    if mode is None:
        turning = _watched(recording, marks, "turning", wheel, cam_wheel, {}, open_ended, progress)
        if turning.turned:
            return turning.seen(marks)
        if turning.unexplained:
            raise no_wheel(turning)
        mode = "rest"
    watching = _watched(recording, marks, mode, wheel, cam_wheel, names or {}, open_ended, progress)
    if mode == "turning" and not watching.turned:
        raise no_wheel(watching)
    for part in noted:
        watching.note(part)
    return watching.seen(marks, open_ended=_open(recording, open_ended))


def _may_turn(recording: Recording) -> bool:
    """A quick look: whether edges follow one another as only a wheel makes them."""
    names = recording.channels
    dense = Dense(recording.clock, names[0] if len(names) == 1 else "crank")
    most = recording.clock.ticks(LASTS_S)
    for batch in _batches(recording):
        dense.feed(batch)
        if dense.longest > DENSE or dense.ticks > most:
            return True
    return False


def _watched(
    recording: Recording,
    marks: Sequence[Mark],
    mode: str,
    wheel: Wheel | None,
    cam_wheel: Wheel | None,
    names: Mapping[str, str],
    open_ended: bool,
    progress: Callable[[int], None] | None,
) -> Watching:
    watching = Watching(
        recording.clock,
        recording.channels,
        mode=mode,
        wheel=wheel,
        cam_wheel=cam_wheel,
        source=recording.source,
        names=names,
    )
    for batch in _batches(recording):
        watching.feed(batch)
        if progress:
            progress(batch.until_tick)
    open_ended = _open(recording, open_ended) and mode != "turning"
    parts = stretches(marks, watching.until_tick, open_ended=open_ended)
    watching.finish(parts[-1].end if parts and open_ended else None)
    return watching


def _open(recording: Recording, open_ended: bool) -> bool:
    """Once it was read: whether nobody knows when it ended."""
    return open_ended and not recording.source.get("end_told")


def no_wheel(watching: Watching) -> FileTrouble:
    """Something turned, and no wheel explains it."""
    wheel = watching.examination.wheel
    return FileTrouble(
        f"The wheel cannot be made out from {watching.examination.tally().edges:,} crank edges",
        cause="No known wheel fits them" if wheel is None else f"They do not fit the wheel {wheel.name}",
        step="Name the wheel with --wheel; with nothing turning, say --mode rest",
    )


def _batches(recording: Recording) -> Iterator[Batch]:
    """A file that tells levels and no change is a silent harness, which is what one hopes for at rest."""
    told = False
    try:
        for batch in recording.batches():
            told = True
            yield batch
    except FileTrouble:
        if not told or recording.source.get("faults"):
            raise
