"""Every question of the grammar, asked by colleagues of each kind in units of each size."""

from __future__ import annotations

import pytest

from registry.domain.directions import Direction
from reports.frame import Event, Intended, Threshold
from tests.build.attacked import colleagues, equations, invented_unit, questions, told

EVENTS = [
    Event(Threshold.TWO_MM),
    Event(Threshold.ANY, Direction.LATERAL),
    Event(Threshold.FOUR_MM, Direction.ANTERIOR),
    Event(Threshold.ANY, Direction.LATERAL, Intended.EXCLUDE),
]


@pytest.mark.parametrize("event", EVENTS, ids=Event.words)
@pytest.mark.parametrize("surgeons", [2, 3, 6, 8])
def test_no_question_and_no_sum_of_answers_tells_one_other_person_s_breaches(surgeons, event):
    unit = invented_unit(surgeons, seed=100 + surgeons)
    for colleague in (colleagues(unit)[0], *colleagues(unit)[-2:]):
        answers = [colleague.ask(unit, asked) for asked in questions(event, colleague)]
        sets, counts = equations(unit, colleague, answers, event)
        breached = event.breached(unit).to_numpy()
        assert (sets @ breached.astype(int)).tolist() == counts.tolist()
        assert told(unit, colleague, sets) == set()


@pytest.mark.parametrize("seed", range(60))
def test_no_invented_unit_gives_a_colleague_away(seed):
    # Questions of one split at most, over every period: all that is shown of the whole unit.
    unit = invented_unit(2 + seed % 9, seed=1000 + seed, cases_each=4 + seed % 13)
    colleague = colleagues(unit)[seed % 2]
    event = EVENTS[seed % 3]
    asked = [question for question in questions(event, colleague) if len(question.by) < 2]
    sets, _ = equations(unit, colleague, [colleague.ask(unit, one) for one in asked], event)
    assert told(unit, colleague, sets) == set()
