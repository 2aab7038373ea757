"""The pages about readings: a screw's own, adjudications, second readings, a reader's own."""

from __future__ import annotations

import re
import shutil
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from registry.actions.initialise import initialise
from registry.domain.readings import Confidence
from registry.store.home import open_ledger
from registry.store.models.findings import Finding
from registry.store.models.readings import ConsensusRow
from registry.store.models.unit import CaseSeen
from registry.web.app import create_app
from tests.build.desk import L3_LEFT, L4_LEFT, L4_RIGHT, THICK
from tests.build.ledgers import (
    NOW,
    PASSWORD,
    QUALITY_LEAD,
    REGISTRAR,
    STEWARD,
    SURGEON,
    SURGEONS,
    a_ledger,
    local_operator,
)
from tests.build.two_readings import JUDGE, LATER, SECOND_READER, asked, fill_for_two, read, typed
from tests.web.conftest import Clock
from tests.web.reading_pages import form_token, table_rows

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from tests.build.ledgers import KnownAccount

    ClientOf = Callable[[KnownAccount], FlaskClient]


@pytest.fixture(scope="module")
def read_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a ledger: L4 left differs, L4 right agrees, L3 left waits for its second."""
    home = tmp_path_factory.mktemp("read") / "ledger"
    ledger = initialise(home, {}, NOW)
    fill_for_two(ledger)
    for first, second in ((L4_LEFT, "5.0"), (L4_RIGHT, "1.6")):
        read(ledger, REGISTRAR, first, typed(medial="1.0"))
        (owed,) = asked(ledger, "second", first)
        read(ledger, SECOND_READER, owed.id, typed(medial=second))
    read(ledger, REGISTRAR, L3_LEFT, typed(medial="2.4", confidence=Confidence.HIGH))
    ledger.close()
    return home


@pytest.fixture
def clock() -> Clock:
    """Give a clock that starts once everything was read."""
    return Clock(LATER)


@pytest.fixture
def ledger(read_home: Path, tmp_path: Path) -> Iterator[Ledger]:
    shutil.copytree(read_home, tmp_path / "ledger")
    opened = open_ledger(tmp_path / "ledger", {})
    yield opened
    opened.close()


def words(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def send(client: FlaskClient, page: str, address: str, **form: str) -> object:
    token = form_token(client.get(page).text)
    return client.post(address, data={"csrf_token": token, **form})


def test_a_screw_s_page_says_who_read_what_how_and_why_it_counts(client_of: ClientOf):
    page = client_of(QUALITY_LEAD).get("/screws/2").text
    told = words(page)
    assert "What counts: grade B ; medial 1.3 mm; 0 in lateral, cranial, caudal (two" in told
    assert "Two readings agree: both grade B; averaged wall by wall." in told
    assert "two greatest extents at most 1 mm apart on the same side of 2 mm" in told
    rows = table_rows(page)[1:]
    assert [row[:2] for row in rows] == [["first", "Rita Reader"], ["second", "Ruth Second"]]
    assert rows[0][3:6] == [
        "B",
        "medial 1.0 mm; 0 in lateral, cranial, caudal",
        "typed, blind, confidence low",
    ]
    case = client_of(QUALITY_LEAD).get("/cases/1").text
    assert 'href="/screws/2"' in case


def test_a_screw_that_waits_says_for_what(client_of: ClientOf):
    lead = client_of(QUALITY_LEAD)
    told = words(lead.get("/screws/1").text)
    assert "lie on either side of 2 mm. An adjudicator decides; until then the first" in told
    assert "(awaiting adjudication, provisional)" in told
    waiting = words(lead.get("/screws/4").text)
    assert "A second reading is owed" in waiting
    assert f"Of the images: {THICK[0].upper()}{THICK[1:]}." in waiting
    assert "Of the images" not in words(lead.get("/screws/1").text)
    assert "Nobody has read this screw yet." in words(lead.get("/screws/3").text)


def test_a_surgeon_sees_the_screws_of_their_own_cases_alone(client_of: ClientOf):
    surgeon = client_of(SURGEON)
    page = surgeon.get("/screws/2")
    assert page.status_code == 200
    assert "Have it read again" not in page.text
    answer = surgeon.get("/screws/4")
    assert (answer.status_code, "L3" in answer.text) == (404, False)
    for account in (REGISTRAR, STEWARD):
        assert client_of(account).get("/screws/2").status_code == 403


def test_a_consensus_by_other_settings_is_said_to_be_one(ledger: Ledger, client_of: ClientOf):
    with ledger.writing(local_operator(ledger), NOW) as work:
        work.update(ConsensusRow, "as another rule had it", 2, rule_version="1")
    told = words(client_of(QUALITY_LEAD).get("/screws/2").text)
    assert "worked out by other settings than those in force" in told


def test_the_lead_has_a_reading_made_again_from_the_screw_s_page(
    ledger: Ledger, client_of: ClientOf
):
    lead = client_of(QUALITY_LEAD)
    answer = send(lead, "/screws/2", "/screws/2/again/3", reason="")
    assert answer.status_code == 400
    assert "in 1 to 100 characters why" in words(answer.text)
    answer = send(lead, "/screws/2", "/screws/2/again/3", reason="its reader operated")
    assert answer.status_code == 303
    assert "stands; is to be read again" in words(lead.get("/screws/2").text)
    (_, again) = asked(ledger, "first", 2)
    read(ledger, JUDGE, again.id, typed(medial="1.4"))
    told = words(lead.get("/screws/2").text)
    assert "replaced an earlier one: its reader operated" in told
    assert "replaced by a later one; does not count" in told


def test_the_lead_s_page_of_adjudications_appoints_and_takes_back(
    ledger: Ledger, client_of: ClientOf
):
    lead = client_of(QUALITY_LEAD)
    page = lead.get("/adjudications/").text
    (row,) = table_rows(page)[1:]
    assert row[:3] == ["L4 left", "0", "any lead"]
    for hidden in (*(f">{name}<" for name in SURGEONS[1:]), "OP-", "1.0", "5.0", "grade"):
        assert hidden not in page
    (owed,) = asked(ledger, "adjudication")
    persons = dict(re.findall(r'<option value="(\d+)">([^<]+)<', page))
    chosen = {name: number for number, name in persons.items()}
    address = f"/adjudications/{owed.id}"
    answer = send(lead, "/adjudications/", f"{address}/appoint", person=chosen["Rita Reader"])
    assert answer.status_code == 400
    assert "Rita Reader has read this screw, or operated" in words(answer.text)
    answer = send(lead, "/adjudications/", f"{address}/appoint", person="")
    assert "choose one from the list" in words(answer.text)
    answer = send(lead, "/adjudications/", f"{address}/appoint", person=chosen["Jana Judge"])
    assert answer.status_code == 303
    (row,) = table_rows(lead.get("/adjudications/").text)[1:]
    assert row[2] == "Jana Judge"
    assert "L4 left, adjudication" in client_of(JUDGE).get("/worklist").text
    jana = chosen["Jana Judge"]
    answer = send(lead, "/adjudications/", f"{address}/take-back", person=chosen["Ruth Second"])
    assert "By now Jana Judge is appointed" in words(answer.text)
    answer = send(lead, "/adjudications/", f"{address}/take-back", person=jana)
    assert answer.status_code == 303
    assert "any lead" in lead.get("/adjudications/").text
    answer = send(lead, "/worklist", f"{address}/take-back", person=jana)
    assert (answer.status_code, "Nobody is appointed" in answer.text) == (409, True)


def test_a_finding_s_page_keeps_what_was_typed_and_notes_who_saw_whose_it_is(
    ledger: Ledger, client_of: ClientOf
):
    with ledger.writing(local_operator(ledger), LATER) as work:
        finding = work.insert(
            Finding,
            "meet the unit's policy",
            screw_id=1,
            scan_id=1,
            reading_id=1,
            rule_met="medial 5.7 mm (from 4 mm on)",
            policy_words="Tell somebody.",
            raised_at=LATER,
        )
    lead, reader = client_of(QUALITY_LEAD), client_of(REGISTRAR)
    address, told_at = f"/policy/{finding}", "2026-03-02T09:00"
    said = {"is_followed": "yes", "told_whom": "ward", "told_at": told_at, "told_how": "in person"}
    assert send(reader, address, address, version="1", **said).status_code == 303
    # The list tells no lead, who may read too, what was found or whose it is.
    for hidden in ("5.7", "OP-"):
        assert hidden not in lead.get("/policy/").text
    assert _looks(ledger) == []
    assert "OP-" in lead.get(address).text
    assert _looks(ledger) == [1]
    # Who comes second sees what is kept beside their own words.
    answer = send(lead, address, address, version="1", is_followed="no", not_followed_reason="late")
    assert answer.status_code == 409
    assert "Told ward," in words(answer.text)
    assert 'value="late"' in answer.text
    # A closing that is refused leaves the answer in its form.
    answer = send(lead, address, f"{address}/close", version="2", closing_words=" ")
    assert (answer.status_code, 'value="ward"' in answer.text) == (400, True)
    answer = send(lead, address, f"{address}/close", version="2", closing_words="seen")
    assert answer.status_code == 303
    answer = send(reader, "/my-readings/", address, version="2", **said | {"told_whom": "theatre"})
    assert answer.status_code == 409
    assert "What you typed was not kept: Was the unit" in words(answer.text)
    assert "theatre" in answer.text


def _looks(ledger: Ledger) -> list[int]:
    with ledger.reading() as session:
        return list(session.execute(select(CaseSeen.case_id)).scalars())


def test_second_readings_are_told_by_quarter_and_reason_and_reader(client_of: ClientOf):
    page = client_of(QUALITY_LEAD).get("/second-readings").text
    assert "2026Q1: 3 first readings; random share 10.0%, drawn from the seed" in words(page)
    rows = {row[0]: row[1:] for row in table_rows(page)}
    assert rows["low confidence"] == ["2", "2", "0", "0", "0"]
    assert rows["2 mm or more"] == ["1", "0", "1", "0", "0"]
    assert rows["all of them"] == ["3", "2", "1", "0", "0"]
    # S1 is nobody's yet; the second of L3; the adjudication of L4 left is a lead's.
    assert rows["Rita Reader"][0] == "1"
    assert rows["Ruth Second"][0] == "2"
    assert rows["Lena Lead"][0] == "3"
    assert "drawn at random" not in rows


def test_what_waits_longer_than_the_unit_allows_is_overdue(
    ledger: Ledger, client_of: ClientOf, clock: Clock
):
    clock.instant += timedelta(days=ledger.settings.overdue_days + 1)
    page = client_of(QUALITY_LEAD).get("/second-readings").text
    rows = {row[0]: row[1:] for row in table_rows(page)}
    assert rows["2 mm or more"] == ["1", "0", "1", "1", "0"]
    assert rows["Ruth Second"][2] == "15"


def test_a_reader_looks_back_and_reads_again(ledger: Ledger, client_of: ClientOf):
    rita = client_of(REGISTRAR)
    page = rita.get("/my-readings/").text
    assert [(row[0], row[2]) for row in table_rows(page)[1:]] == [
        ("L3 left", "C"),
        ("L4 right", "B"),
        ("L4 left", "B"),
    ]
    for hidden in (*SURGEONS, "Ruth", "OP-", "second", "5.0", "agree", "2026-02"):
        assert hidden not in page
    answer = send(rita, "/my-readings/", "/my-readings/5/again", reason=" ")
    assert (answer.status_code, "in 1 to 100 characters" in answer.text) == (400, True)
    answer = send(rita, "/my-readings/", "/my-readings/5/again", reason="wrong level")
    assert answer.status_code == 303
    (_, again) = asked(ledger, "first", 4)
    assert answer.location == f"/reading/{again.id}"
    assert "waits on your worklist" in rita.get("/my-readings/").text
    answer = send(rita, "/my-readings/", "/my-readings/5/again", reason="once more")
    assert (answer.status_code, "asked for already" in answer.text) == (409, True)
    # Another's is not there to be read again.
    assert send(rita, "/my-readings/", "/my-readings/2/again", reason="x").status_code == 404


def test_a_reader_who_has_read_nothing_is_told_so(tmp_path: Path):
    ledger = a_ledger(tmp_path / "new")
    client = create_app(ledger, clock=lambda: NOW + timedelta(hours=1)).test_client()
    form = {"name": QUALITY_LEAD.name, "password": PASSWORD}
    assert send(client, "/sign-in", "/sign-in", **form).status_code == 303
    assert "None yet." in words(client.get("/my-readings/").text)
    assert "None is owed." in words(client.get("/adjudications/").text)
    assert "Nothing has been read yet." in words(client.get("/second-readings").text)
    ledger.close()
