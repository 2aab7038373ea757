"""A patient is withdrawn on a page: typed twice, with a reason, and the password entered again."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from registry.store.models.cases import Case
from registry.store.models.patients import Patient
from registry.web.guard import PASSWORD_AGAIN
from tests.build.ledgers import PASSWORD, QUALITY_LEAD, REGISTRAR, STEWARD, KnownAccount
from tests.web.reading_pages import form_values

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from tests.web.conftest import Clock

    ClientOf = Callable[[KnownAccount], FlaskClient]

PAGE = "/withdrawal"


def typed(client: FlaskClient, **sent: str) -> dict[str, str]:
    return {**form_values(client.get(PAGE).text, "because"), **sent}


def withdrawn(ledger: Ledger) -> list[str]:
    with ledger.reading() as session:
        asked = select(Case.reference).join(Patient, Patient.id == Case.patient_id)
        return list(session.execute(asked.where(Patient.withdrawn_at.is_not(None))).scalars())


@pytest.mark.parametrize("account", [QUALITY_LEAD, STEWARD], ids=lambda account: account.name)
def test_lead_and_steward_withdraw_once_the_password_is_entered_again(
    ledger: Ledger, client_of: ClientOf, clock: Clock, account: KnownAccount
):
    client = client_of(account)
    clock.instant += timedelta(minutes=30)
    sent = typed(client, case_ref="OP-7", again="OP-7", because="asked for it in writing")
    asked = client.post(PAGE, data=sent)
    assert asked.status_code == 403
    assert withdrawn(ledger) == []
    held = form_values(asked.text, PASSWORD_AGAIN)
    done = client.post(PAGE, data={**held, PASSWORD_AGAIN: PASSWORD})
    assert done.status_code == 200
    assert "withdrawn-8: 4 screws stay as they were" in done.text
    assert withdrawn(ledger) == ["withdrawn-8"]
    assert "H7" not in done.text


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        ({"case_ref": "OP-7", "again": "OP-8"}, "is not what was typed above"),
        ({"case_ref": "OP-7", "again": "OP-7", "because": " "}, "Reason: is empty"),
        ({"case_ref": "OP-99", "again": "OP-99"}, "Nobody is known by this"),
        ({"case_ref": "OP-7", "patient_ref": "H7", "again": "OP-7"}, "one of the two"),
        ({}, "one of the two"),
    ],
)
def test_a_slip_withdraws_nobody_and_keeps_what_was_typed(
    ledger: Ledger, client_of: ClientOf, sent: dict[str, str], told: str
):
    client = client_of(STEWARD)
    answer = client.post(PAGE, data=typed(client, **{"because": "asked", **sent}))
    assert answer.status_code in {400, 404}
    assert told in answer.text
    assert withdrawn(ledger) == []
    assert form_values(answer.text, "because")["case_ref"] == sent.get("case_ref", "")


def test_a_patient_is_withdrawn_by_the_hospital_s_number_as_well(
    ledger: Ledger, client_of: ClientOf
):
    client = client_of(STEWARD)
    sent = typed(client, patient_ref="H7", again="H7", because="asked")
    assert client.post(PAGE, data=sent).status_code == 200
    assert withdrawn(ledger) == ["withdrawn-8"]


def test_nobody_else_is_shown_the_page(client_of: ClientOf):
    assert client_of(REGISTRAR).get(PAGE).status_code == 403
