"""The campaign's short form: the same cases, fewer of them, and the figures they must show."""

from __future__ import annotations

import pytest
from toothwise.wheel import catalogue

from tests.campaign import track
from tests.campaign.track import SHORT, Outcome

pytestmark = pytest.mark.timeout(1200)  # minutes of work, and other tests run beside it


@pytest.fixture(scope="module")
def outcome() -> Outcome:
    return track.campaign(SHORT, seed=1, jobs=1)


def test_every_figure_is_met(outcome: Outcome) -> None:
    told = [f"{s.part}/{s.wheel}/{s.kind}/{s.number}: {words}" for s, words in outcome.complaints]
    assert outcome.failures(SHORT) == [], "\n".join([track.table(outcome), *told])


def test_the_short_form_is_no_empty_form(outcome: Outcome) -> None:
    assert outcome.revolutions > 2000
    assert sum(row.within.faults for row in outcome.faults.values()) > 300
    assert set(outcome.guesses) == set(catalogue.NAMES)
