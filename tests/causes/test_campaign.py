"""The short form of the campaign for the causes: one made case of each, and a few healthy ones."""

from __future__ import annotations

import pytest

from tests.campaign.ailments import AILMENTS
from tests.campaign.causes import campaign

pytestmark = pytest.mark.slow


def test_most_causes_come_first_and_none_is_wrongly_supported() -> None:
    *_, (outcome, _) = campaign(seed=20_000, causes=list(AILMENTS), cases=1, healthy=6)
    scores = outcome.scores
    assert all(score.cases == 1 for score in scores.values()) and outcome.calm == 6
    first = sum(score.first[cause] for cause, score in scores.items())
    open_ = sum(score.open_ for score in scores.values())
    wrong = [w for score in scores.values() for w in score.wrong]
    assert first >= 15 and open_ >= 17, {c: (s.misses, s.first) for c, s in scores.items() if s.misses}
    assert not wrong and not outcome.false
