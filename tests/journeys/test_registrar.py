"""A registrar's day: what is to be read, without a trace of whose it is."""

from __future__ import annotations

import csv
import io
from collections import Counter

import pytest
from playwright.sync_api import expect

from demo_data.scenario import people
from registry.domain.techniques import EntryTechnique, Guidance
from tests.build.drawn_study import IDENTITY
from tests.journeys.browsing import tab_to
from tests.journeys.units import SURGEONS, cases, counted_screws, drawn_case

pytestmark = pytest.mark.browser

SCREWS = [
    f"{screw.level} {'left' if screw.side == 'L' else 'right'}" for screw in drawn_case().screws
]
TELLING = (
    *SURGEONS,
    *people.TRAINEES,
    *(technique.value for technique in EntryTechnique if technique is not EntryTechnique.OTHER),
    *(guidance.value for guidance in Guidance),
    drawn_case().reference,
    drawn_case().indication,
    drawn_case().patient.reference,
    IDENTITY.name,
    IDENTITY.accession,
    "INVENTED",
)
"""Words that would unblind a reader of the drawn case; none of them may be in any answer."""


def found_in(answers, words):
    return [
        (answer.url, word)
        for answer in answers
        for word in words
        if word.casefold() in answer.text.casefold()
    ]


def test_a_registrar_starts_at_the_screws_to_be_read_cranial_on_top(unit_with_ct, signed_in):
    page = signed_in(unit_with_ct, "registrar", by_form=True).page
    expect(page).to_have_url(unit_with_ct.url("/"))
    expect(page.get_by_text("12 readings are owed")).to_be_visible()
    page.get_by_role("link", name="The whole worklist").click()
    table = page.get_by_role("table", name="12 readings are owed")
    assert table.get_by_role("rowheader").all_inner_texts() == SCREWS
    assert "first" not in table.inner_text()
    assert set(table.locator("td:nth-child(3)").all_inner_texts()) == {"yes"}


def test_every_screw_of_the_worklist_is_reached_by_keyboard_in_its_order(unit_with_ct, signed_in):
    page = signed_in(unit_with_ct, "registrar").open("/worklist")
    tab_to(page, "Read the next screw")
    first = page.evaluate("document.activeElement.pathname")
    assert page.evaluate("document.activeElement.checkVisibility()")
    tab_to(page, "Screws to be read", most=1)
    addresses = []
    for screw in SCREWS:
        tab_to(page, screw, most=1)
        addresses.append(page.evaluate("document.activeElement.pathname"))
    assert addresses[0] == first
    assert len(set(addresses)) == len(SCREWS)


def test_no_answer_of_a_registrar_s_day_tells_whose_screws_are_to_be_read(unit_with_ct, signed_in):
    visit = signed_in(unit_with_ct, "registrar", recorded=True)
    page = visit.open("/worklist")
    visit.open("/")
    page.get_by_role("link", name="Read the next screw").click()
    expect(page.get_by_role("heading", name=SCREWS[0])).to_be_visible()
    expect(page.get_by_text("Find the screw: click its shank")).to_be_visible()
    page.wait_for_load_state("networkidle")
    page.get_by_role("link", name="Back to the worklist").click()
    expect(page.get_by_role("table")).to_be_visible()
    for refused in ("/cases/", "/cases/1", f"/cases/{len(cases())}", "/accounts"):
        visit.refused(refused, 403)
    visit.refused("/worklist?page=2", 404)
    visit.refused("/rates?by=surgeon", 403)
    visit.open("/")
    answers = visit.answers
    assert sum("<table" in answer.text for answer in answers) >= 2
    assert any("/reading/" in answer.url and "html" not in answer.kind for answer in answers)
    assert found_in(answers, TELLING) == []


def test_the_words_that_are_searched_for_are_those_of_the_unit_and_are_found_where_they_may_be(
    unit_with_ct, signed_in
):
    # Otherwise the search above could find nothing because it looks for nothing.
    visit = signed_in(unit_with_ct, "quality lead", recorded=True)
    visit.open(f"/cases/{len(cases())}")
    expect(visit.page.get_by_role("heading", name=drawn_case().reference)).to_be_visible()
    visit.open("/rates?by=entry_technique,guidance")
    told = {word for _, word in found_in(visit.answers, TELLING)}
    assert {drawn_case().surgeon, drawn_case().reference, drawn_case().indication} <= told
    assert {screw.technique.value for screw in drawn_case().screws} <= told
    assert {screw.guidance.value for screw in drawn_case().screws} <= told


def test_the_unit_s_rates_name_no_person_case_or_patient_to_a_registrar(unit_with_ct, signed_in):
    visit = signed_in(unit_with_ct, "registrar", recorded=True)
    for question in ("by=level", "by=entry_technique", "by=quarter", "by=level,side"):
        page = visit.open(f"/rates?{question}&minimum=0")
        if question != "by=level,side":
            expect(page.get_by_role("table")).to_be_visible()
        visit.open(f"/rates.json?{question}")
    names = [*SURGEONS, *people.TRAINEES, people.FELLOW, people.RADIOLOGIST]
    references = [case.reference for case in cases()]
    patients = [case.patient.reference for case in cases()]
    assert found_in(visit.answers, [*names, *references, *patients]) == []


def persons_at(level, of):
    return {of(case, screw) for case, screw in counted_screws() if screw.level == level}


def test_a_registrar_counts_what_the_theatre_log_holds_but_no_level_of_few_persons(
    unit_with_ct, signed_in
):
    visit = signed_in(unit_with_ct, "registrar")
    page = visit.open("/rates?by=level&minimum=0")
    with page.expect_download() as kept:
        page.get_by_role("link", name="CSV").click()
    rows = list(csv.DictReader(io.StringIO(kept.value.path().read_text(encoding="utf-8"))))
    placed = {row["level"]: int(row["placed"]) for row in rows}
    logged = Counter(screw.level for _, screw in counted_screws())
    assert placed == {level: logged[level] for level in placed}
    for level in placed:
        surgeons = persons_at(level, lambda case, _: case.surgeon)
        operators = persons_at(level, lambda case, screw: screw.operator or case.surgeon)
        assert min(len(surgeons), len(operators)) >= 3, level
    assert len(placed) >= 5
    assert set(logged) - set(placed)
    expect(page.get_by_text("that would give one of them by subtraction")).to_be_visible()
