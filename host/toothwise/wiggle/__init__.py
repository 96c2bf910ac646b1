"""The wiggle test: a harness is moved place by place while every edge is watched.

    recording and marks → disturbances → events → wiggles of places → what each place comes to

    from toothwise.wiggle import look, judge
    seen = look(recording, marks)                     # one recording: its disturbances, stretches and blind time
    result = judge([seen])                            # several parts of one test may be judged together
    result.as_json()

`rules` says what counts as one event and one wiggle, and when a place is confirmed.
"""

from toothwise.wiggle.judge import Judged, judge
from toothwise.wiggle.look import look
from toothwise.wiggle.marks import Mark, read_marks
from toothwise.wiggle.seen import Seen
from toothwise.wiggle.watching import Watching

__all__ = ["Judged", "Mark", "Seen", "Watching", "judge", "look", "read_marks"]
