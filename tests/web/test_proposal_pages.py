"""The proposed axis tells no extent before the reader has saved their own; then both are shown."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import select

from registry.domain.access import Role
from registry.domain.directions import Direction
from registry.measure.proposals.documents import to_json
from registry.store.home import open_ledger
from registry.store.models.proposals import ProposalRow, ProposalShown
from registry.store.models.readings import Reading
from registry.store.queries.proposals import scans_to_propose
from registry.web.app import create_app
from tests.build.desk import L4_LEFT, L4_RIGHT, a_desk_ledger, ring_marks
from tests.build.ledgers import (
    ACCOUNTS,
    NOW,
    PASSWORD,
    QUALITY_LEAD,
    REGISTRAR,
    STEWARD,
    local_operator,
)
from tests.build.proposed import NOT_SEEN, a_proposal, put_proposal
from tests.web.reading_pages import form_token, table_rows

MARKS = json.loads(ring_marks(-4.0).to_json())
ANSWER = {"way": "contour", "marks": MARKS, "confidence": "high"}
AXIS = f"/reading/{L4_LEFT}/proposed-axis"


@pytest.fixture(scope="module")
def proposed_home(tmp_path_factory):
    home = tmp_path_factory.mktemp("proposed") / "ledger"
    ledger = a_desk_ledger(home)
    with ledger.reading() as session:
        scan = scans_to_propose(session, [1])[0]
    with ledger.writing(local_operator(ledger), NOW) as work:
        row = put_proposal(work, scan_id=1, image_digest=scan.image_digest, screws=scan.logged)
        breached = to_json(a_proposal(scan.logged, medial=3.44, cranial=0.21))
        work.update(ProposalRow, "propose", row, document=breached)
    ledger.close()
    return home


@pytest.fixture
def ledger(proposed_home, tmp_path):
    shutil.copytree(proposed_home, tmp_path / "ledger")
    opened = open_ledger(tmp_path / "ledger", {})
    yield opened
    opened.close()


def signed_in(ledger, account):
    client = create_app(ledger, clock=lambda: NOW + timedelta(hours=1)).test_client()
    token = form_token(client.get("/sign-in").text)
    sent = {"csrf_token": token, "name": account.name, "password": PASSWORD}
    assert client.post("/sign-in", data=sent).status_code == 303
    return client


@pytest.fixture
def client(ledger):
    return signed_in(ledger, REGISTRAR)


def save(client, assignment=L4_LEFT, answer=ANSWER):
    page = client.get("/worklist").text
    token = re.search(r'name="form-token" content="([^"]+)"', page)
    answer = client.post(
        f"/reading/{assignment}/save", json=answer, headers={"X-CSRFToken": token.group(1)}
    )
    assert answer.status_code == 200
    return answer.json["next"]


def rows(ledger, model):
    with ledger.reading() as session:
        found = list(session.execute(select(model).order_by(model.id)).scalars())
        session.expunge_all()
    return found


def test_the_axis_is_answered_with_nothing_that_says_whether_a_wall_was_breached(client, ledger):
    answer = client.get(AXIS)
    assert answer.json == {
        "is_found": True,
        "entry_mm": [22.0, 40.0, 0.0],
        "tip_mm": [8.0, -2.0, 1.0],
        "length_mm": 44.28,
        "diameter_mm": 6.5,
        "is_diameter_estimated": False,
        "midplane_mm": [[0.0, -10.0, 0.0], [0.0, 50.0, 0.0]],
        "measured": None,
        "notes": [],
    }
    # Whatever was measured, the answer is the same to the byte.
    (row,) = rows(ledger, ProposalRow)
    with ledger.reading() as session:
        logged = scans_to_propose(session, [1])[0].logged
    with ledger.writing(local_operator(ledger), NOW) as work:
        work.update(ProposalRow, "propose", row.id, document=to_json(a_proposal(logged)))
    assert client.get(AXIS).data == answer.data
    assert rows(ledger, ProposalShown) == []


def test_after_saving_comes_the_page_with_both_and_then_the_next_screw(client, ledger):
    address = save(client)
    assert address == f"/reading/made/1?next={L4_RIGHT}"
    page = client.get(address).text
    assert "L4 left: medial 2.3 mm, grade C." in page
    assert "yours C, proposed C" in page
    assert table_rows(page.partition("How far to trust")[0])[1:] == [
        ["medial", "2.3 mm", "3.4 ± 0.4 mm"],
        ["lateral", "0.0 mm", "0.0 ± 0.4 mm"],
        ["cranial", "0.0 mm", "0.0 ± 0.4 mm"],
        ["caudal", "0.0 mm", "0.0 ± 0.4 mm"],
    ]
    assert "The one that you made without it goes on counting" in page
    assert f'action="/reading/{L4_RIGHT}"' in page
    assert "follow local policy and licensed practice" in page
    assert [row.reading_id for row in rows(ledger, ProposalShown)] == [1]


def test_what_was_not_measured_is_told_with_its_reason(client):
    save(client)
    answer = client.get("/reading/made/1/proposal").json
    assert answer["measured"]["not_measured"]["anterior"] == NOT_SEEN
    assert answer["measured"]["extents"]["medial"]["stored_mm"] == 3.4
    assert answer["measured"]["extents"]["cranial"]["stored_mm"] == 0.0
    assert answer["measured"]["grade"] == "C"


def test_a_wall_that_the_program_did_not_measure_stands_there_with_why(client, ledger):
    (row,) = rows(ledger, ProposalRow)
    with ledger.reading() as session:
        logged = scans_to_propose(session, [1])[0].logged
    made = a_proposal(logged)
    first = made.screws[0]
    extents = {wall: each for wall, each in first.extents.items() if wall is not Direction.CRANIAL}
    partly = replace(first, extents=extents, not_measured={Direction.CRANIAL: NOT_SEEN})
    document = to_json(replace(made, screws=(partly, *made.screws[1:])))
    with ledger.writing(local_operator(ledger), NOW) as work:
        work.update(ProposalRow, "propose", row.id, document=document)
    page = client.get(save(client)).text
    assert table_rows(page.partition("How far to trust")[0])[3] == [
        "cranial",
        "0.0 mm",
        "not measured",
        NOT_SEEN,
    ]


def test_a_change_needs_a_reason_and_every_list_says_that_it_is_one(client, ledger):
    save(client)
    page = client.get("/reading/made/1").text
    sent = {"csrf_token": form_token(page), "reason": " "}
    refused = client.post(f"/reading/made/1/again?next={L4_RIGHT}", data=sent)
    assert refused.status_code == 400
    assert "say in 1 to 100 characters why" in refused.text
    sent["reason"] = "took the rib for the wall"
    answer = client.post(f"/reading/made/1/again?next={L4_RIGHT}", data=sent)
    assert answer.status_code == 303
    desk = answer.location
    assert client.get(f"{desk}/proposed-axis").json["measured"]["grade"] == "C"
    assignment = int(desk.rsplit("/", 1)[1])
    # What has been shown is not shown again.
    assert save(client, assignment) == f"/reading/{L4_RIGHT}?saved=yes"
    assert rows(ledger, Reading)[1].proposal_seen == "after own reading"
    mine = client.get("/my-readings/").text
    assert "changed after the proposal was shown" in mine
    assert "the one that you made before goes on counting all the same" in mine
    screw = signed_in(ledger, QUALITY_LEAD).get("/screws/1").text
    assert "changed after the proposal was shown" in screw
    assert "this one, made without it, counts" in screw
    assert "stands, and the one before it, made without the proposal, counts" in screw


def test_nobody_but_its_reader_is_shown_what_stands_beside_a_reading(client, ledger):
    save(client)
    for account in ACCOUNTS:
        expected = {REGISTRAR: 200, STEWARD: 403}.get(account, 404)
        other = signed_in(ledger, account)
        for path in ("/reading/made/1", "/reading/made/1/proposal"):
            assert other.get(path).status_code == expected, (account.name, path)
    assert len(rows(ledger, ProposalShown)) == 1
    assert Role.SURGEON in {role for account in ACCOUNTS for role in account.roles}


def test_a_screw_without_a_proposal_goes_on_as_ever(client, ledger):
    (row,) = rows(ledger, ProposalRow)
    with ledger.writing(local_operator(ledger), NOW) as work:
        work.update(ProposalRow, "replace a proposal", row.id, replaced_at=NOW)
    assert client.get(AXIS).json == {
        "is_found": False,
        "why_not": "nothing has been worked out for this scan yet",
        "measured": None,
        "notes": [],
    }
    assert save(client) == f"/reading/{L4_RIGHT}?saved=yes"
    page = client.get("/reading/made/1").text
    assert "There is no proposal to show: nothing has been worked out for this scan yet." in page
    assert "Read again with the proposal in view" not in page
