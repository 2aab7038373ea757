"""The steward's list of accounts."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from registry.domain.access import Role
from registry.store.queries.accounts import listed_accounts
from tests.build.ledgers import (
    NOW,
    PASSWORD,
    REGISTRAR,
    STEWARD,
    SURGEON,
    KnownAccount,
    an_invitation,
    disable,
    viewer,
)
from tests.web.reading_pages import table_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from tests.web.conftest import Clock


def test_the_steward_sees_who_can_sign_in_and_as_what(
    ledger: Ledger, client_of: Callable[[KnownAccount], FlaskClient], clock: Clock
):
    token = an_invitation(ledger, KnownAccount("nina", frozenset({Role.REGISTRAR}), None))
    disable(ledger, SURGEON)
    page = client_of(STEWARD).get("/accounts").text
    assert table_rows(page)[1:] == [
        ["anna", "Anna Berg", "surgeon", "disabled"],
        ["lena", "Lena Lead", "quality lead", "can sign in"],
        ["local operator", "nobody", "none", "the shell's own, cannot sign in"],
        [
            *("nina", "nobody", "registrar"),
            "invited, no password yet; the link works until 2026-03-09 09:30",
        ],
        ["rita", "Rita Reader", "registrar", "can sign in"],
        ["stefan", "nobody", "steward", "can sign in"],
    ]
    assert token not in page
    assert PASSWORD not in page
    clock.instant += timedelta(days=8)
    later = table_rows(client_of(STEWARD).get("/accounts").text)
    assert later[4][3] == "invitation too old"


def test_who_does_not_manage_accounts_sees_their_own_alone(ledger: Ledger):
    with ledger.reading() as session:
        found = listed_accounts(session, viewer(ledger, REGISTRAR), NOW)
    assert [account.name for account in found] == ["rita"]
