"""What a meter's reading is taken for, either side of each limit that no sentence of the plan states."""

from __future__ import annotations

import pytest
from toothwise.causes.findings import Findings
from toothwise.causes.job import from_dict
from toothwise.causes.signs import meter


def read(kind: str, **readings: float) -> Findings:
    return Findings(job=from_dict({"sensor": {"kind": kind}, "readings": readings}))


@pytest.mark.parametrize(
    ("volts", "said"),
    [(0.0, "none"), (0.02, "none"), (0.049, "none"), (0.05, "weak"), (0.1, "weak"), (0.49, "weak"), (0.5, "good")],
)
def test_a_coil_that_gives_a_little_while_cranking_is_weak_not_dead(volts: float, said: str) -> None:
    assert [s.outcome for s in meter.cranking(read("variable_reluctance", cranking_ac_v=volts))] == [said]


def test_a_chips_signal_is_not_judged_by_a_coils_volts() -> None:
    assert not list(meter.cranking(read("hall", cranking_ac_v=0.3)))
