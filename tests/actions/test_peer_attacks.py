"""A colleague with the theatre list asks and subtracts, and learns no one other person's results.

A seeded share of the questions that can be asked; `tests/long` asks them all. The attack is of our
own making (`tests.build.attacked`), by ranks in floating point, and the program decides by
elimination over residues: neither knows of the other.
"""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date
from itertools import product

import pandas as pd
import pytest

from registry.actions.accounts import acting
from registry.actions.count import count_rates
from registry.domain.access import Role
from registry.domain.disclosure import POINT_GROUP, POINT_STEP
from reports.frame import Event, Threshold
from reports.tables.rates import Question, rates
from reports.tables.splits import PERSONS, IntervalName, Split
from tests.build.attacked import (
    TODAY,
    Colleague,
    colleagues,
    equations,
    invented_unit,
    periods,
    questions,
    told,
)
from tests.build.loaded import an_account, load_reading_rows, load_rows

EVENT = Event(Threshold.TWO_MM)
SHARE = 70
FIXED = 19  # of the periods, the first so many


def a_share(colleague, event, seed):
    """Return the questions most likely to tell something, and some of all others."""
    every = list(questions(event, colleague))
    plain = [asked for asked in every if len(asked.by) < 2 and not PERSONS & set(asked.by)]
    fixed = [asked for asked in plain if (asked.start, asked.end) in periods()[:FIXED]]
    chosen = random.Random(seed)  # noqa: S311 - no secret
    return chosen.sample(fixed, SHARE) + chosen.sample(every, SHARE)


@pytest.mark.parametrize("surgeons", [2, 3, 6, 8])
def test_no_other_person_s_breaches_follow_from_what_is_shown(surgeons):
    unit = invented_unit(surgeons, seed=surgeons)
    attackers = colleagues(unit)
    chosen = [attackers[surgeons % 2], attackers[-2]] if surgeons > 3 else attackers[:1]
    for colleague in chosen:
        answers = [colleague.ask(unit, asked) for asked in a_share(colleague, EVENT, surgeons)]
        sets, counts = equations(unit, colleague, answers, EVENT)
        breached = EVENT.breached(unit).to_numpy()
        assert (sets @ breached.astype(int)).tolist() == counts.tolist()
        assert told(unit, colleague, sets) == set()


def test_answers_given_on_different_days_tell_no_more_together():
    # Each settled quarter adds screws to "all up to now": the difference is that quarter alone.
    unit = invented_unit(8, seed=1)
    colleague = Colleague(2, is_surgeon=True)
    days = [date(2024 + (month - 1) // 12, (month - 1) % 12 + 1, 2) for month in range(7, 30, 3)]
    answers = [
        colleague.ask(unit, Question(by=by), day)
        for day in days
        for by in ((), (Split.QUARTER,), (Split.LEVEL,), (Split.REGION,), (Split.GUIDANCE,))
    ]
    sets, _ = equations(unit, colleague, answers, EVENT)
    assert len(sets) > len(days)
    assert told(unit, colleague, sets) == set()


@pytest.mark.parametrize("by", [(Split.LEVEL,), (Split.QUARTER,), (Split.ENTRY_TECHNIQUE,)])
def test_the_attack_finds_a_colleague_where_nothing_is_withheld(by):
    # So the attack is one that can succeed.
    unit = invented_unit(3, seed=3)
    colleague = Colleague(1, is_surgeon=True)
    days = [(None, None), (date(2025, 3, 3), date(2025, 4, 10)), (date(2025, 3, 3), None)]
    answers = [
        replace(rates(unit, Question(by=by, start=start, end=end)), withheld=())
        for start, end in days
    ]
    sets, _ = equations(unit, colleague, answers, EVENT)
    assert told(unit, colleague, sets)


def test_something_is_left_to_see():
    # Eight surgeons over two years: the total, all techniques, most levels and quarters.
    unit = invented_unit(8, seed=1)
    colleague = Colleague(8, is_surgeon=True)
    shown = {by: len(colleague.ask(unit, Question(by=by)).rows) for by in ((), (Split.LEVEL,),
             (Split.QUARTER,), (Split.ENTRY_TECHNIQUE,), (Split.SIDE,))}  # fmt: skip
    assert shown[()] == 1
    assert shown[Split.LEVEL,] >= 3
    assert shown[Split.QUARTER,] >= 4
    assert shown[Split.ENTRY_TECHNIQUE,] + shown[Split.SIDE,] >= 4


def test_what_is_shown_depends_on_no_result():
    unit = invented_unit(8, seed=5)
    other = unit.copy()
    extents = extents_of(unit)
    other[extents] = unit[extents].where(unit[extents].isna(), 0.0)
    colleague = Colleague(3, is_surgeon=True)
    for asked in a_share(colleague, EVENT, 2)[::2]:
        one, two = colleague.ask(unit, asked), colleague.ask(other, asked)
        assert [row.stratum for row in one.rows] == [row.stratum for row in two.rows]
        assert [peer.code for peer in one.peers] == [peer.code for peer in two.peers]
        assert one.withheld == two.withheld


def extents_of(unit):
    """Return the columns with results."""
    return [name for name in unit.columns if name.endswith("_mm") and name != "diameter_mm"]


def a_unit_of_likes(seed):
    """Return seven surgeons whose screws differ in nothing but side, day and whose they are."""
    unit = invented_unit(7, seed=seed, cases_each=40)
    unit = unit[unit["pedicle"] & (unit["level"] != "S1")].drop_duplicates(["case_id", "side"])
    unit["level"], unit["region"] = "L4", "lumbar"
    unit["entry_technique"], unit["guidance"], unit["indication"] = "isthmus", "freehand", "trauma"
    unit["diameter_mm"], unit["operator"] = 6.5, unit["operator"].mask(unit["operator"] > 0)
    return unit.reset_index(drop=True)


def uncoded(table):
    """Return an answer with the peers' figures alone; which code is whose is nobody's to know."""
    return replace(table, peers=()), sorted(peer.rate for peer in table.peers)


def test_in_another_world_another_surgeon_has_the_breach_and_every_answer_is_the_same():
    # Not the counts alone: intervals, their limits and the peers' points too.
    unit = a_unit_of_likes(seed=4)
    colleague = Colleague(1, is_surgeon=True)
    spans = ((None, None), (date(2024, 1, 1), date(2024, 12, 31)))
    asked = [
        Question(by=by, start=start, end=end, interval=interval, minimum=0)
        for by in ((), (Split.LEVEL,), (Split.SURGEON,))
        for (start, end), interval in product(spans, (IntervalName.CLUSTERED, IntervalName.WILSON))
    ]
    before = [colleague.ask(unit, question) for question in asked]
    codes_aside = [uncoded(table) for table in before]
    assert all(table.rows for table in before)
    assert any(table.peers for table in before)
    breached = EVENT.breached(unit)
    graded = unit["graded"] & (unit["surgeon"] != 1)
    alike, extents = (unit["quarter"] + unit["side"]).to_list(), extents_of(unit)
    for person in sorted(set(unit["surgeon"]) - {1}):
        theirs = unit.index[(unit["surgeon"] == person) & breached]
        others = unit.index[(unit["surgeon"] != person) & graded & ~breached]
        pairs = [[one, two] for one, two in product(theirs, others) if alike[one] == alike[two]]
        chosen = random.Random(person).sample(pairs, 40)  # noqa: S311 - no secret
        for pair in chosen:
            world = unit.copy()
            world.loc[pair, extents] = unit.loc[pair[::-1], extents].to_numpy()
            if all(
                uncoded(colleague.ask(world, question)) == table
                for question, table in zip(asked, codes_aside, strict=True)
            ):
                break
        else:
            pytest.fail(f"the answers fit no other world for surgeon {person}")


def test_a_code_belongs_to_no_one_surgeon():
    unit = a_unit_of_likes(seed=8)
    colleague = Colleague(1, is_surgeon=True)
    for start, end in [(None, None), (date(2024, 4, 1), date(2025, 12, 31))]:
        for threshold in Threshold:
            asked = Question((Split.SURGEON,), start=start, end=end, threshold=threshold)
            peers = colleague.ask(unit, asked).peers
            assert len(peers) == 6
            figures = [peer.rate for peer in peers]
            assert min(figures.count(figure) for figure in figures) >= POINT_GROUP
            assert all(round(figure / POINT_STEP, 9) % 1 == 0 for figure in figures)
            assert [peer.code for peer in peers] == sorted(peer.code for peer in peers)


def test_codes_are_new_for_each_question_and_each_viewer():
    unit = a_unit_of_likes(seed=8)
    asked = [
        Question((Split.SURGEON,), start=start, end=end, threshold=threshold)
        for start, end in [(None, None), (date(2024, 1, 1), date(2025, 12, 31))]
        for threshold in Threshold
    ]
    colleague = Colleague(1, is_surgeon=True)
    codes = [{peer.code for peer in colleague.ask(unit, question).peers} for question in asked]
    assert len(set().union(*codes)) == sum(map(len, codes)) == 36
    # The same question, whatever is drawn beside the rates, keeps its codes; so do its links.
    again = colleague.ask(unit, replace(asked[0], minimum=0, interval=IntervalName.WILSON))
    assert {peer.code for peer in again.peers} == codes[0]


def test_peers_have_a_rate_and_nothing_else_in_every_form():
    unit = a_unit_of_likes(seed=8)
    table = Colleague(1, is_surgeon=True).ask(unit, Question((Split.SURGEON,)))
    rows = [row for row in table.as_json()["rows"] if row["stratum"]["surgeon"] != "me"]
    assert len(rows) == 6
    for row in rows:
        share = row.pop("patient_share")
        assert {name for name, value in row.items() if value is not None} == {"stratum", "rate"}
        assert set(share.values()) == {None}
    own, *others = table.cells()[1:]
    assert own[0] == "me"
    known = [name in {"surgeon", "rate"} for name in table.cells()[0]]
    assert all([cell is not None for cell in line] == known for line in others)
    heading, _, *lines = table.text_rows()
    known = [name in {"surgeon", "rate %"} for name in heading]
    assert all([cell != "-" for cell in line] == known for line in lines)


def test_the_ledger_answers_as_the_attacked_rule_does(ledger):
    # What was attacked above is what a page and a command get.
    unit = invented_unit(6, seed=6, cases_each=4)
    log, read = [], []
    for screw in unit.to_dict("records"):
        key = {"case_ref": f"C{screw['case_id']}", "level": screw["level"], "side": screw["side"]}
        day = screw["operated_on"].date()
        log.append({**key, "patient_ref": screw["patient"], "operated_on": day,
                    "surgeon": f"Surgeon {screw['surgeon']}",
                    "operator": "" if pd.isna(screw["operator"]) else f"R {screw['operator']}",
                    "entry_technique": screw["entry_technique"], "guidance": screw["guidance"],
                    "indication": screw["indication"], "diameter_mm": screw["diameter_mm"],
                    "intention": screw["intention"] if screw["intention"] == "in-out-in" else ""},
                   )  # fmt: skip
        if screw["imaged"]:
            walls = ("medial_mm", "lateral_mm", "cranial_mm", "caudal_mm", "anterior_mm")
            read.append({**key, "read_on": day, **{wall: "" if pd.isna(screw[wall]) else
                         screw[wall] for wall in walls}})  # fmt: skip
    load_rows(ledger, *log)
    load_reading_rows(ledger, *read)
    account = an_account(ledger, "me", Role.SURGEON, person="Surgeon 2")
    assert acting(ledger, "me") == account
    colleague = Colleague(2, is_surgeon=True)
    for asked in a_share(colleague, Event(Threshold.ANY), 6)[::5]:
        found = count_rates(ledger, account, asked, TODAY)
        expected = colleague.ask(unit, asked)
        assert found.withheld == expected.withheld
        for one, two in zip(found.rows, expected.rows, strict=True):
            assert replace(one, stratum={}, keys=(), provisional=0) == replace(
                two, stratum={}, keys=(), provisional=0
            )
