"""A person says what a scan is and whose: what is asked, what is refused, what becomes of it."""

from __future__ import annotations

import re
import shutil
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.arrivals import one_arrival
from registry.actions.work_arrivals import work_once
from registry.domain.arrivals import ArrivalState
from registry.store.home import open_ledger
from registry.store.models.unit import CaseSeen
from registry.web.app import create_app
from tests.build.arriving import a_study, looked_through
from tests.build.loaded import NOW
from tests.web.conftest import ATTACKED_AT
from tests.web.every_route import QUALITY_LEAD, REGISTRAR, signed_in, token_of
from tests.web.reading_pages import table_rows

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from registry.store.home import Ledger

OWN = {
    "StudyDate": "20260310",
    "SeriesDate": "20260310",
    "AcquisitionDate": "20260310",
    "SeriesInstanceUID": "1.2.3.44",
}
"""After every operation of the ledger, on a day on which nothing is attached."""


@pytest.fixture
def ledger(attacked_home: Path, tmp_path: Path) -> Iterator[Ledger]:
    shutil.copytree(attacked_home, tmp_path / "ledger")
    opened = open_ledger(tmp_path / "ledger", {})
    yield opened
    opened.close()


@pytest.fixture
def client(ledger: Ledger) -> FlaskClient:
    return signed_in(create_app(ledger, clock=lambda: ATTACKED_AT), REGISTRAR)


class Page:
    """The page of one arrival."""

    def __init__(self, client: FlaskClient, ledger: Ledger, arrival: int) -> None:
        self.client, self.ledger, self.arrival = client, ledger, arrival
        self.token = token_of(client)

    @property
    def text(self) -> str:
        return self.client.get(f"/scans/{self.arrival}").text

    @property
    def words(self) -> str:
        return words(self.text)

    def decide(self, **sent: str) -> TestResponse:
        usual = {"series": "1", "kind": "post-operative CT", "reason": "routine"}
        data = {"csrf_token": self.token, **usual, **sent}
        return self.client.post(f"/scans/{self.arrival}/decide", data=data)

    def state(self) -> ArrivalState:
        return one_arrival(self.ledger, acting(self.ledger, None), self.arrival).state


def words(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


def came(client: FlaskClient, ledger: Ledger, *files: bytes, **attributes: object) -> Page:
    study = a_study(12, **{**OWN, **attributes})
    return Page(client, ledger, looked_through(ledger, [*study, *files]))


def test_the_case_is_found_by_number_the_kind_proposed_by_day_and_the_reason_left_to_say(
    client: FlaskClient, ledger: Ledger
):
    page = came(client, ledger, b"a text file")
    heading, *rows = table_rows(page.text)
    assert heading == ["Read", "What it is", "Kind", "Day", "Can be read"]
    assert rows[0][0] == "1"
    assert rows[0][1].endswith("(proposed)")
    assert rows[0][3:] == ["2026-03-10", "yes"]
    assert re.search(r'name="series" value="1"[^>]* checked', page.text)
    assert "Case OP-1, operated on 2026-02-03" in page.words
    assert re.search(r'<option value="post-operative CT" selected>', page.text)
    assert '<option value="" selected>choose</option>' in page.text.partition('name="reason"')[2]
    assert "1 file: not DICOM" in page.words
    assert "you are offered the screws last, and a reading of yours is not blind" in page.words
    for telling in ("Anna Berg", "isthmus", "freehand", "INV-0001", "1950"):
        assert telling not in page.text


def test_what_is_missing_is_said_by_its_field_and_what_was_sent_stays(
    client: FlaskClient, ledger: Ledger
):
    page = came(client, ledger)
    answer = page.decide(reason="", kind="later CT", case="other", case_ref="OP-77")
    assert answer.status_code == 400
    assert "There is no case &#39;OP-77&#39;; enter it first." in answer.text
    assert 'value="OP-77"' in answer.text
    assert '<option value="later CT" selected>' in answer.text
    assert words(answer.text).count("Choose why it was made.") == 2
    assert page.decide(case="other", case_ref=" ").status_code == 400
    assert page.decide(kind="a guess", case="1").status_code == 400
    assert page.decide(case="x").status_code == 400
    both = page.decide(case="1", case_ref="OP-2")
    assert both.status_code == 400
    assert "Choose another case above, or leave this empty." in both.text
    assert page.decide(case="1", series="9").status_code == 400
    assert page.state() is ArrivalState.LOOKED_THROUGH


def test_a_scan_is_attached_read_and_owed_and_its_page_says_what_became_of_it(
    client: FlaskClient, ledger: Ledger
):
    page = came(client, ledger)
    assert page.decide(case="1").location == f"/scans/{page.arrival}"
    assert "Waiting to be read." in page.words
    assert "not blind" not in page.words
    assert page.decide(case="1").status_code == 409
    assert work_once(ledger, NOW)
    assert page.state() is ArrivalState.READ
    assert "Read and attached: post-operative CT of 2026-03-10 , reason routine." in page.words
    assert table_rows(page.text)[1][-1] == "attached"
    assert "What was left behind of its files" in page.words
    assert "INV-0001" not in page.text
    listed = words(client.get("/scans/").text)
    assert "None waits for a person." in listed
    # Whoever reads blind is not told whose scan came in; who sees cases is.
    assert "OP-1" not in page.text
    lead = signed_in(create_app(ledger, clock=lambda: ATTACKED_AT), QUALITY_LEAD)
    assert "Read and attached to case OP-1" in words(lead.get(f"/scans/{page.arrival}").text)


def cases_shown_to(ledger: Ledger, account: str) -> set[int]:
    """Return the cases whose screws this account is offered last, and does not read blind."""
    asked = select(CaseSeen.case_id).where(
        CaseSeen.account_id == acting(ledger, account).account_id
    )
    with ledger.reading() as session:
        return set(session.execute(asked).scalars())


@pytest.mark.parametrize("typed", [False, True], ids=["offered", "typed"])
def test_who_was_shown_whose_a_scan_is_reads_it_last_and_not_blind_whoever_attaches_it(
    client: FlaskClient, ledger: Ledger, *, typed: bool
):
    page = came(client, ledger, **({"PatientID": ""} if typed else {}))
    assert cases_shown_to(ledger, REGISTRAR.name) == set()
    assert "shows whose it is once you open it" in words(client.get("/scans/").text)
    if typed:
        assert page.decide(case="other", case_ref="OP-1", kind="").status_code == 400
    else:
        assert "OP-1" in page.text
    lead = signed_in(create_app(ledger, clock=lambda: ATTACKED_AT), QUALITY_LEAD)
    by_lead = Page(lead, ledger, page.arrival)
    assert by_lead.decide(case="other", case_ref="OP-1", reason="other").status_code == 303
    assert work_once(ledger, NOW)
    assert page.state() is ArrivalState.READ
    assert cases_shown_to(ledger, REGISTRAR.name) == {1}
    # Why it was made is told to who said so, and to nobody who may read it.
    assert "reason other" in by_lead.words
    assert "reason" not in page.words


def test_what_is_to_be_known_of_a_scan_is_said_where_it_was_attached_and_with_its_case(
    client: FlaskClient, ledger: Ledger
):
    page = came(client, ledger, LossyImageCompression="01", PatientID="H999")
    page.decide(case="other", case_ref="OP-1", because="the number was changed")
    assert work_once(ledger, NOW)
    lead = signed_in(create_app(ledger, clock=lambda: ATTACKED_AT), QUALITY_LEAD)
    for told in (page.words, words(lead.get("/cases/1").text)):
        assert "Note: lossy compression" in told
        assert "a person has confirmed the patient" in told


def test_another_patient_s_number_wants_a_reason(client: FlaskClient, ledger: Ledger):
    page = came(client, ledger, PatientID="H999")
    assert "No case has the hospital number that the files carry" in page.words
    assert "Why it is this patient" in page.words
    refused = page.decide(case="other", case_ref="OP-1")
    assert refused.status_code == 400
    assert "the hospital number in the files is not the case" in refused.text
    assert page.decide(case="other", case_ref="OP-1", because="merged numbers").status_code == 303
    assert page.state() is ArrivalState.TO_BE_READ


def test_where_the_files_name_another_case_of_the_log_a_typed_one_may_still_be_answered_for(
    client: FlaskClient, ledger: Ledger
):
    page = came(client, ledger)
    assert "Case OP-1, operated on" in page.words
    assert "Why it is this patient" not in page.words
    refused = page.decide(case="other", case_ref="OP-2")
    assert refused.status_code == 400
    assert "Why it is this patient" in refused.text
    assert page.decide(case="other", case_ref="OP-2", because="merged").status_code == 303


def test_of_several_patients_each_one_s_case_is_offered_and_nothing_chosen_beforehand(
    client: FlaskClient, ledger: Ledger
):
    other = {"SeriesInstanceUID": "1.2.3.56", "PatientID": "H200-7191"}
    page = came(client, ledger, *a_study(12, study=5, **{**OWN, **other}))
    assert "None is proposed: choose it yourself." in page.words
    for case in ("OP-1", "OP-2"):
        assert f"Case {case}, operated on" in page.words
    assert not re.search(r'type="radio"[^>]* checked', page.text)
    listed = words(client.get("/scans/").text)
    assert "several series, none proposed; say whose it is." in listed
    assert page.decide(series="1", case="").status_code == 400
    # The first series is of the other patient.
    assert [page.decide(series=each, case="1").status_code for each in "12"] == [400, 303]


def test_a_scan_from_before_the_operation_is_refused_for_that_case(
    client: FlaskClient, ledger: Ledger
):
    before = {"StudyDate": "20250105", "SeriesDate": "20250105", "AcquisitionDate": "20250105"}
    page = came(client, ledger, **before)
    assert "the scan was made before the operation" in page.words
    assert page.decide(case="1").status_code == 400
    assert page.state() is ArrivalState.LOOKED_THROUGH


def test_burned_in_text_is_read_only_once_somebody_has_looked(client: FlaskClient, ledger: Ledger):
    page = came(client, ledger, BurnedInAnnotation="YES")
    assert "says that text is burned into the pictures" in page.words
    assert page.decide(case="1").status_code == 400
    assert page.decide(case="1", looked_at="yes").status_code == 303


def test_where_nothing_can_be_read_no_case_is_asked_for(client: FlaskClient, ledger: Ledger):
    page = Page(client, ledger, looked_through(ledger, [b"a text file", b"another"]))
    assert page.state() is ArrivalState.REFUSED
    assert "There is no CT series in it that can be read." in page.words
    assert "2 files: not DICOM" in page.words
    assert "Attach it" not in page.words
    assert page.decide(case="1").status_code in {400, 409}


def test_scans_that_wait_stand_on_the_first_page_and_in_the_list(
    client: FlaskClient, ledger: Ledger
):
    assert "None waits." in words(client.get("/").text)
    page = came(client, ledger)
    assert "1 scan waits for somebody to say whose it is." in words(client.get("/").text)
    listed = client.get("/scans/").text
    assert "1 waits for a person" in words(listed)
    assert f'href="/scans/{page.arrival}"' in listed
    told = client.get(f"/scans/{page.arrival}.json").json
    assert told is not None
    assert (told["state"], told["goes_on_by_itself"]) == ("looked through", False)
