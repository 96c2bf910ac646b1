"""Which conductor let go: by the order in time on one clock."""

from __future__ import annotations

import pytest
from toothwise.wiggle import look
from toothwise.wiggle.disturbance import Burst

from tests.wiggle.made_tests import CLOCK, resting

Pulses = dict[str, list[tuple[float, float]]]


def conductor(pulses: Pulses, rest: dict[str, int], mode: str | None = None) -> str:
    events: list[Burst] = list(look(resting(40.0, pulses, rest), [], mode=mode).events)
    assert len(events) == 1
    return events[0].conductor(CLOCK, mode == "continuity")


@pytest.mark.parametrize(
    ("pulses", "expected"),
    [
        ({"feed": [(20.0, 5e-3)], "crank": [(20.00003, 5e-3)]}, "feed"),
        ({"feed": [(20.0, 5e-3)], "crank": [(20.0, 5e-3)]}, "feed"),
        ({"feed": [(20.00003, 5e-3)], "crank": [(20.0, 5e-3)]}, "feed"),  # the feed's filter is slower
        ({"feed": [(20.0, 5e-3)]}, "feed"),
        ({"feed": [(20.0, 5e-3)], "crank": [(20.007, 1e-3)]}, "feed"),  # the sensor starts again
        ({"feed": [(20.001, 5e-3)], "crank": [(20.0, 5e-3)]}, "both"),
        ({"feed": [(20.0, 1e-3)], "crank": [(20.012, 1e-3)]}, "both"),
        ({"crank": [(20.0, 5e-3)]}, "signal"),
        ({"crank": [(20.0, 5e-3)], "cam": [(20.001, 5e-3)]}, "both"),
        ({"crank": [(20.0, 5e-3)], "cam": [(20.0001, 5e-3)], "feed": [(20.0, 5e-3)]}, "feed"),
        ({"cam": [(20.0, 5e-3)]}, "cam"),
    ],
)
def test_conductor(pulses: Pulses, expected: str) -> None:
    assert conductor(pulses, {"crank": 0, "cam": 1, "feed": 1}) == expected


def test_conductors_of_a_continuity_test_have_their_own_names() -> None:
    recording = resting(40.0, {"crank": [(20.0, 1e-3)], "cam": [(30.0, 1e-3), (35.0, 1e-3)], "feed": [(35.0, 2e-3)]},
                        {"crank": 0, "cam": 0, "feed": 0})  # fmt: skip
    names = {"crank": "signal", "cam": "ground", "feed": "shield"}
    seen = look(recording, [], mode="continuity", names=names)
    assert [event.conductor(CLOCK, True) for event in seen.events] == ["signal", "ground", "ground+shield"]


def test_open_and_short_are_told_by_the_level() -> None:
    high = list(look(resting(40.0, {"crank": [(20.0, 1e-3)]}, {"crank": 0}), []).events)
    low = list(look(resting(40.0, {"crank": [(20.0, 1e-3)]}, {"crank": 1}), []).events)
    assert (high[0].longest.level, low[0].longest.level) == (1, 0)
