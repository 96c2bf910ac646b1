"""The drive without a board: what its output does is written to a file or named pipe, one line a change.

    VALUE KIND      KIND is pwm or step, VALUE as `drive set` takes it; 0 when it is let go
"""

from drive import Drive


class Written:
    def __init__(self, sink, kind: str, most: int) -> None:  # type: ignore[no-untyped-def]
        self._sink = sink
        self._kind = kind
        self.most = most
        self.least = -most

    def begin(self, option: int) -> None:
        self.set(0)

    def set(self, value: int) -> None:
        self._sink.write("%d %s\n" % (value, self._kind))
        self._sink.flush()

    def guard(self, check) -> None:  # type: ignore[no-untyped-def]
        pass  # this loop is never held up: its line does not block

    def end(self) -> None:
        self.set(0)


def drive_on_file(path: str) -> Drive:
    sink = open(path, "a")
    return Drive(Written(sink, "pwm", 1000), Written(sink, "step", 200000))
