"""Corrections, outcomes and scans on their pages: nothing typed is lost, and what follows shows."""

from __future__ import annotations

import re
from html import unescape
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.domain.access import Role
from registry.store.models.cases import Case, Screw
from registry.store.models.scans import Scan
from registry.store.models.unit import CaseSeen
from tests.build.ledgers import (
    NOW,
    QUALITY_LEAD,
    REGISTRAR,
    SURGEON,
    SURGEONS,
    KnownAccount,
    an_account,
)
from tests.web.reading_pages import form_values, table_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from registry.store.home import Ledger

    ClientOf = Callable[[KnownAccount], FlaskClient]

OTHER_LEAD = KnownAccount("leon", frozenset({Role.QUALITY_LEAD}), None)
CASE = 8
"""OP-7, of the second surgeon: its scan is held here and its four screws wait to be read."""


@pytest.fixture
def lead(client_of: ClientOf) -> FlaskClient:
    return client_of(QUALITY_LEAD)


def words(answer: TestResponse) -> str:
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", answer.text)).split())


def send(client: FlaskClient, address: str, opened: str, **typed: str) -> TestResponse:
    """Send the form of a page as it was opened, with what is typed over it."""
    holding = next(iter(typed))
    return client.post(address, data={**form_values(opened, holding), **typed})


def fill_in(client: FlaskClient, address: str, **typed: str) -> TestResponse:
    return send(client, address, client.get(address).text, **typed)


def first_screw(ledger: Ledger, case_id: int = CASE) -> int:
    with ledger.reading() as session:
        asked = select(Screw.id).where(Screw.case_id == case_id).order_by(Screw.id)
        return session.execute(asked).scalars().first()


def waiting(client: FlaskClient) -> list[list[str]]:
    return table_rows(client.get("/worklist").text)[1:]


def verified(ledger: Ledger) -> bool:
    return check_ledger(ledger, acting(ledger, None)) == []


def test_two_leads_correct_one_case_and_the_later_is_told_and_loses_nothing_typed(
    ledger: Ledger, client_of: ClientOf
):
    an_account(ledger, OTHER_LEAD)
    one, other = client_of(QUALITY_LEAD), client_of(OTHER_LEAD)
    address = f"/cases/{CASE}/correct"
    opened = other.get(address).text
    assert fill_in(
        one, address, indication="fracture", bone_quality="poor", because="from the letter"
    ).location.endswith(f"/cases/{CASE}?saved=yes")
    late = send(
        other,
        address,
        opened,
        indication="tumour",
        bmi="31.5",
        because="from the chart",
    )
    assert late.status_code == 409
    told = words(late)
    assert "Somebody else has corrected this since you opened it" in told
    assert "Indication: it was 'degenerative', now it is 'fracture'; you typed 'tumour'" in told
    assert "Bone quality: it was empty, now it is 'poor'" in told
    held = form_values(late.text, "because")
    assert (held["indication"], held["bmi"], held["because"]) == (
        "tumour",
        "31.5",
        "from the chart",
    )
    assert held["bone_quality"] == "poor"
    assert send(other, address, late.text, indication="tumour").status_code == 303
    with ledger.reading() as session:
        case = session.get(Case, CASE)
        assert (case.indication, case.bone_quality) == ("tumour", "poor")
        assert str(case.body_mass_index) == "31.5"
    assert verified(ledger)


def test_a_correction_without_a_reason_comes_back_with_what_was_typed(lead: FlaskClient):
    again = fill_in(lead, f"/cases/{CASE}/correct", indication="fracture", bmi="fat")
    assert again.status_code == 400
    assert "Reason: is empty; say why" in words(again)
    with_reason = send(lead, f"/cases/{CASE}/correct", again.text, because="a slip")
    assert "'fat' is not" in words(with_reason)
    held = form_values(with_reason.text, "because")
    assert (held["indication"], held["bmi"], held["because"]) == ("fracture", "fat", "a slip")
    gone = send(lead, f"/cases/{CASE}/correct", with_reason.text, bmi="", surgeon="No Such")
    assert "nobody is known as 'No Such'" in words(gone)


def test_what_became_of_a_screw_changes_what_waits_to_be_read(
    ledger: Ledger, lead: FlaskClient, client_of: ClientOf
):
    reader = client_of(REGISTRAR)
    assert len(waiting(reader)) == 8
    address = f"/cases/{CASE}/screws/{first_screw(ledger)}/correct"
    refused = fill_in(lead, address, life="redirected", because="seen in the note")
    assert "First track, if redirected: is empty" in words(refused)
    assert fill_in(lead, address, life="removed", because="taken out").status_code == 303
    assert len(waiting(reader)) == 7
    taken = fill_in(lead, address, side="R", because="wrong side")
    assert taken.status_code == 409
    assert "there is a screw at" in words(taken)
    added = fill_in(
        lead,
        f"/cases/{CASE}/screws/add",
        level="L2",
        side="L",
        entry_technique="isthmus",
        guidance="freehand",
        because="left out",
    )
    assert added.status_code == 303
    assert len(waiting(reader)) == 8
    page = words(lead.get(f"/cases/{CASE}"))
    assert "removed" in page
    assert "isthmus, freehand" in page
    assert verified(ledger)


def test_who_looked_at_a_case_is_offered_its_screws_last(ledger: Ledger, lead: FlaskClient):
    assert {row[2] for row in waiting(lead)} == {"yes"}
    opened = words(lead.get(f"/cases/{CASE}"))
    assert "You have now looked at this case" in opened
    lead.get(f"/cases/{CASE}")
    told = [row[2] for row in waiting(lead)]
    last = "no: you entered the case, matched its scan or looked at it"
    assert told == ["yes"] * 4 + [last] * 4
    with ledger.reading() as session:
        assert len(session.execute(select(CaseSeen.id)).all()) == 1


@pytest.mark.parametrize(
    "address", ["/screws/{screw}", "/cases/8/correct", "/cases/8/scans/add"], ids=str
)
def test_a_case_is_looked_at_on_other_pages_as_well(
    ledger: Ledger, lead: FlaskClient, address: str
):
    assert lead.get(address.format(screw=first_screw(ledger))).status_code == 200
    assert [row[2] == "yes" for row in waiting(lead)] == [True] * 4 + [False] * 4


def test_a_surgeon_corrects_own_cases_alone_and_a_registrar_finds_none_of_others(
    client_of: ClientOf,
):
    surgeon, registrar = client_of(SURGEON), client_of(REGISTRAR)
    own, others = "/cases/1/correct", f"/cases/{CASE}/correct"
    assert fill_in(surgeon, own, indication="tumour", because="a slip").status_code == 303
    kept = fill_in(surgeon, own, surgeon=SURGEONS[1], because="not mine")
    assert "is not yours to change" in words(kept)
    assert surgeon.get(others).status_code == 404
    for address in (own, others, "/cases/to-correct?reference=OP-7"):
        assert registrar.get(address).status_code == 404


def test_a_registrar_corrects_what_they_entered(ledger: Ledger, client_of: ClientOf):
    registrar = client_of(REGISTRAR)
    with ledger.writing(acting(ledger, None), NOW) as work:
        work.update(Case, "enter a case", CASE, entered_by_id=acting(ledger, "rita").account_id)
    found = registrar.get("/cases/to-correct?reference=OP-7")
    assert found.location.endswith(f"/cases/{CASE}/correct")
    saved = fill_in(registrar, f"/cases/{CASE}/correct", surgeon=SURGEONS[3], because="misread")
    assert saved.location.endswith(f"/cases/{CASE}/correct?saved=yes")
    page = registrar.get(saved.location)
    assert "Saved." in words(page)
    assert form_values(page.text, "because")["surgeon"] == SURGEONS[3]


def test_outcomes_are_listed_with_their_window_and_corrected_with_a_reason(
    ledger: Ledger, lead: FlaskClient
):
    address = f"/cases/{CASE}/outcomes/add"
    wrong = fill_in(
        lead,
        address,
        observed_on="2025-01-01",
        has_deficit="yes",
        is_revised_for_position="no",
        action="none yet",
    )
    assert wrong.status_code == 400
    assert "is before the operation of 2025-04-08" in words(wrong)
    assert form_values(wrong.text, "observed_on")["action"] == "none yet"
    sent = {
        "has_deficit": "yes",
        "deficit_words": "foot drop",
        "is_revised_for_position": "yes",
        "screw_id": str(first_screw(ledger)),
    }
    assert send(lead, address, wrong.text, observed_on="2025-05-01", **sent).status_code == 303
    assert fill_in(
        lead, address, observed_on="2025-09-01", has_deficit="no", is_revised_for_position="no"
    ).location.endswith("saved=yes")
    page = lead.get(f"/cases/{CASE}")
    assert "from day 0 to day 90" in words(page)
    rows = [row for row in table_rows(page.text) if row[0].startswith("2025-")]
    assert [row[:5] for row in rows] == [
        ["2025-05-01", "yes, day 23", "T12 L", "foot drop", "yes"],
        ["2025-09-01", "no, day 146", "the whole case", "no", "no"],
    ]
    edit = f"/cases/{CASE}/outcomes/1/correct"
    assert fill_in(lead, edit, told_on="2025-05-02", told_by=SURGEONS[1]).status_code == 400
    told = fill_in(lead, edit, told_on="2025-05-02", told_by=SURGEONS[1], because="told that day")
    assert told.status_code == 303
    assert f"2025-05-02 by {SURGEONS[1]}" in words(lead.get(f"/cases/{CASE}"))
    assert verified(ledger)


def test_the_case_says_which_scan_counts_and_why_another_does_not(
    ledger: Ledger, lead: FlaskClient, client_of: ClientOf
):
    with ledger.reading() as session:
        scan = session.execute(select(Scan.id).where(Scan.case_id == CASE)).scalar_one()
    assert "held here; the case is counted on it" in words(lead.get(f"/cases/{CASE}"))
    later = {"scanned_on": "2025-04-20", "kind": "post-operative CT", "reason": "routine"}
    assert fill_in(lead, f"/cases/{CASE}/scans/add", **later).status_code == 303
    twice = fill_in(lead, f"/cases/{CASE}/scans/add", **later)
    assert twice.status_code == 409
    assert "there is a post-operative CT of 2025-04-20 already" in words(twice)
    page = words(lead.get(f"/cases/{CASE}"))
    assert "held elsewhere; not counted on it: another that fits is earlier" in page
    reader = client_of(REGISTRAR)
    assert len(waiting(reader)) == 8
    edit = f"/cases/{CASE}/scans/{scan}/correct"
    assert "Reason: is empty" in words(fill_in(lead, edit, is_adequate="no"))
    assert fill_in(lead, edit, is_adequate="no", because="motion").status_code == 303
    page = words(lead.get(f"/cases/{CASE}"))
    assert "not counted on it: it was said to be unreadable" in page
    assert len(waiting(reader)) == 4
    assert fill_in(lead, edit, is_adequate="yes", because="the other series").status_code == 303
    assert fill_in(lead, edit, reason="symptoms", because="the request").status_code == 303
    assert "it was made for symptoms" in words(lead.get(f"/cases/{CASE}"))
    assert verified(ledger)
