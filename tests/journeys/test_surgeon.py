"""A surgeon's look at their own results, with peers as codes and only among enough of them."""

from __future__ import annotations

import re
from collections import Counter
from datetime import date, timedelta

import pytest
from playwright.sync_api import expect

from demo_data.scenario import people
from tests.journeys.units import PERSONS, SURGEONS, cases, counted_screws

pytestmark = pytest.mark.browser

OWN = PERSONS["surgeon"]
OWN_CASES = [case for case in cases() if OWN in case.team]
OTHERS = [name for name in SURGEONS if name != OWN]
PEER = re.compile(r"peer [0-9A-F]{6}")


def strata(page):
    """Return the first name of each row of the table."""
    return page.locator("tbody tr th:first-child").all_inner_texts()


def placed(page):
    """Return how many screws were placed, by the row's name."""
    rows = page.locator("tbody tr").all()
    return {
        row.locator("th").first.inner_text(): int(row.locator("td").first.inner_text())
        for row in rows
    }


def test_a_surgeon_starts_at_their_own_rate_and_is_told_what_peers_take(unit, signed_in):
    # One of the five others has too few graded screws in this small unit.
    page = signed_in(unit, "surgeon", by_form=True).page
    expect(page.get_by_role("heading", name="Your own results")).to_be_visible()
    page.get_by_role("link", name="Your rates by other questions").click()
    expect(page).to_have_url(unit.url("/rates?by=surgeon"))
    assert strata(page) == [OWN]
    by_surgeon = Counter(
        case.surgeon for case, screw in counted_screws() if not screw.level.startswith("S2")
    )
    assert placed(page) == {OWN: by_surgeon[OWN]}
    expect(page.get_by_text("only among at least 5 other surgeons with 20 graded")).to_be_visible()


def test_a_surgeon_chooses_a_settled_quarter_by_keyboard_and_sees_the_unit(unit, signed_in):
    visit = signed_in(unit, "surgeon")
    page = visit.open("/rates")
    period = page.get_by_label("Operated in")
    period.focus()
    page.keyboard.type("2024Q3")
    expect(period).to_have_value("2024-07-01/2024-09-30")
    page.get_by_role("button", name="Count").press("Enter")
    expect(page.get_by_role("heading", level=2)).to_contain_text("2024-07-01 to 2024-09-30")
    inside = [
        screw
        for case, screw in counted_screws()
        if case.operated_on <= date(2024, 9, 30) and not screw.level.startswith("S2")
    ]
    assert placed(page) == {"all screws": len(inside)}


def weeks():
    """Yield first and last day of each week that begins with an own case, and who operated."""
    for own in OWN_CASES:
        first, last = own.operated_on, own.operated_on + timedelta(days=6)
        yield first, last, {case.surgeon for case in cases() if first <= case.operated_on <= last}


def test_with_fewer_than_five_others_a_surgeon_sees_their_own_row_alone(unit, signed_in):
    first, last, names = next(week for week in weeks() if 1 < len(week[2]) < 6)
    assert OWN in names
    visit = signed_in(unit, "surgeon")
    page = visit.open(f"/rates?by=surgeon&from={first}&to={last}")
    assert strata(page) == [OWN]


def test_crossed_with_anything_else_a_surgeon_sees_their_own_rows_alone(unit, signed_in):
    visit = signed_in(unit, "surgeon")
    for question in ("by=surgeon,level", "by=region,surgeon", "by=surgeon,operator"):
        page = visit.open(f"/rates?{question}&minimum=0")
        expect(page.get_by_role("table")).to_be_visible()
        surgeons = page.locator(f"tbody tr th:nth-child({1 + question[3:].startswith('region')})")
        assert set(surgeons.all_inner_texts()) == {OWN}
        assert PEER.search(page.content()) is None


def test_a_surgeon_s_cases_are_their_own_and_each_shows_its_construct(unit, signed_in):
    visit = signed_in(unit, "surgeon")
    page = visit.open("/cases/")
    listed = page.locator("tbody tr th").all_inner_texts()
    assert sorted(listed) == sorted(case.reference for case in OWN_CASES)
    case = max(OWN_CASES, key=lambda each: len(each.screws))
    page.get_by_role("link", name=case.reference).click()
    expect(page.get_by_role("heading", name=f"Case {case.reference}")).to_be_visible()
    sides = page.locator(".construct tbody tr").all()
    shown = {
        (row.locator("th").inner_text(), side): row.locator("td")
        .nth(place)
        .locator(".place")
        .count()
        for row in sides
        for place, side in enumerate("LR")
    }
    entered = Counter((screw.level, screw.side) for screw in case.screws)
    assert {place: count for place, count in shown.items() if count} == dict(entered)
    levels = [row.locator("th").inner_text() for row in sides]
    order = list(dict.fromkeys(screw.level for screw in case.screws))
    assert levels == order


def test_a_case_of_somebody_else_is_as_unknown_as_one_that_is_not_there(unit, signed_in):
    visit = signed_in(unit, "surgeon")
    other = next(place for place, case in enumerate(cases(), 1) if case not in OWN_CASES)
    told = []
    for case_id in (other, 9999):
        page = visit.refused(f"/cases/{case_id}", 404)
        told.append(re.sub(r"Reference \w+|\d+", "", page.locator("main").inner_text()))
    assert told[0] == told[1]


def test_no_answer_names_another_surgeon_to_a_surgeon(unit, signed_in):
    visit = signed_in(unit, "surgeon", recorded=True)
    page = visit.open("/cases/")
    addresses = [link.get_attribute("href") for link in page.locator("tbody th a").all()]
    assert len(addresses) == len(OWN_CASES)
    for address in addresses:
        visit.open(address)
    for question in ("by=surgeon", "by=operator", "by=level", "by=surgeon,quarter"):
        visit.open(f"/rates?{question}")
        visit.open(f"/rates.json?{question}")
        visit.open(f"/rates/chart.svg?{question}")
    for place in ("/worklist", "/"):
        visit.open(place)
    answers = visit.answers
    assert any(OWN in answer.text for answer in answers)
    # Whoever took part in a case knows who was responsible for it.
    companions = {case.surgeon for case in OWN_CASES} - {OWN}
    named = [
        (answer.url, name)
        for answer in answers
        for name in (*OTHERS, *people.TRAINEES)
        if name in answer.text and not ("/cases/" in answer.url and name in companions)
    ]
    assert len(companions) < len(OTHERS)
    assert named == []
