"""The page of readers shows the command's digits; a reader is shown sums of own pairs alone."""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import select

from registry.actions.agreement import AgreementAsked, compare_readers
from registry.actions.settle import settle
from registry.domain.known_truth import Purpose
from registry.domain.readings import ReadingRole
from registry.store.models.people import Person
from registry.store.models.readings import Reading
from tests.build.drawn import CONTAINED, MEDIAL, put_copy, put_drawing, put_drawn_reading
from tests.build.ledgers import (
    NOW,
    QUALITY_LEAD,
    READER,
    REGISTRAR,
    SURGEON,
    a_reading,
    local_operator,
    viewer,
)


def read_again(ledger, count, extents):
    """Have Lena Lead read the first screws that were read a second time."""
    with ledger.writing(local_operator(ledger), NOW) as work:
        lena = work.session.execute(select(Person.id).where(Person.name == "Lena Lead")).scalar()
        query = select(Reading.screw_id, Reading.scan_id).order_by(Reading.screw_id).limit(count)
        places = work.session.execute(query).all()
        for number, (screw, scan) in enumerate(places):
            found = extents[number % len(extents)]
            a_reading(work, screw, scan, lena, found, ReadingRole.SECOND)
        settle(work, ledger.settings, [screw for screw, _ in places])


def test_page_and_json_hold_the_digits_of_the_count(ledger, client_of):
    read_again(ledger, 10, [{}, {"lateral": "1.5"}, {"medial": "3.1"}])
    client = client_of(QUALITY_LEAD)
    found = compare_readers(ledger, viewer(ledger, QUALITY_LEAD), AgreementAsked()).whole
    assert found.screws == 10
    page = client.get("/readers").text
    assert f"Of 10 screws in {found.patients} patients read twice blind" in page
    assert f"{found.kappa['quadratic'].value:.2f} (" in page
    assert READER not in page
    assert (
        f"Of {found.patients} patients the intervals that leave out one at a time are too" in page
    )
    assert READER in client.get("/readers?named=yes").text
    assert client.get("/readers.json").json == found.as_json()
    assert client.get("/readers?from=2030-01-01").text.count("nothing can be compared") == 1
    refused = client.get("/readers?from=yesterday&moon=full")
    assert refused.status_code == 400
    assert "here is no filter &#39;moon&#39;" in refused.text


def test_a_reader_is_shown_no_table_name_or_role(ledger, client_of, clock):
    read_again(ledger, 11, [{}])
    early = client_of(REGISTRAR).get("/readers").text
    assert "Not shown yet" in early
    assert "Lena" not in early
    assert client_of(REGISTRAR).get("/readers.json").status_code == 403
    assert "Not shown yet" in client_of(SURGEON).get("/readers").text
    clock.instant = datetime(2026, 4, 2, 9, 0, tzinfo=UTC)
    page = client_of(REGISTRAR).get("/readers").text
    assert "Of 11 screws that you and another read blind, up to 2026-03-31" in page
    assert "Lena" not in page
    assert "Second" not in page
    assert page.count("<table>") == 1


def test_what_readers_miss_of_drawn_screws_stands_beside_how_they_agree(ledger, client_of):
    client = client_of(QUALITY_LEAD)
    assert "No drawn screw has been read." in client.get("/readers").text
    rita = viewer(ledger, REGISTRAR)
    with ledger.writing(local_operator(ledger), NOW) as work:
        drawing = put_drawing(ledger, work, Purpose.MIXED, 1, MEDIAL, MEDIAL, CONTAINED)
        asked = put_copy(ledger, work, drawing, rita.person_id)
        put_drawn_reading(work, asked[0], rita.account_id, medial="3.0")
        put_drawn_reading(work, asked[1], rita.account_id, medial="1.0")
    page = client.get("/readers").text
    assert "Of 2 drawn screws that stand 2 mm or more outside, 1 was read as less" in page
    assert "1 of 2, 50.0% (" in page
    assert 'href="/known-truth"' in page
    assert READER not in page
    assert READER in client.get("/readers?named=yes").text
    assert "drawn" not in client_of(REGISTRAR).get("/readers").text
