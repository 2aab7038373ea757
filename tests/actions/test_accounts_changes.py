"""What the steward changes of an account, each with its reason and its event."""

from __future__ import annotations

import pytest
from argon2 import PasswordHasher
from sqlalchemy import select

from registry.actions import accounts_secrets
from registry.actions.accounts import acting, invite, invite_again
from registry.actions.accounts_changes import (
    disable,
    enable,
    end_sessions,
    give_role,
    take_role,
)
from registry.actions.check_ledger import check_ledger
from registry.actions.sessions import sign_in, viewer_of
from registry.domain.access import Role
from registry.domain.problems import BadInputError, ConflictError, NotAllowedError, NotFoundError
from registry.store.models.trail import EventRow
from tests.build.loaded import NOW, PASSWORD, an_account

WHY = "left the unit"
CHANGES = {
    "disable": lambda ledger, viewer, account, because: disable(
        ledger, viewer, account, because=because, now=NOW
    ),
    "enable": lambda ledger, viewer, account, because: enable(
        ledger, viewer, account, because=because, now=NOW
    ),
    "give a role": lambda ledger, viewer, account, because: give_role(
        ledger, viewer, account, Role.QUALITY_LEAD, because=because, now=NOW
    ),
    "take a role": lambda ledger, viewer, account, because: take_role(
        ledger, viewer, account, Role.REGISTRAR, because=because, now=NOW
    ),
    "end sessions": lambda ledger, viewer, account, because: end_sessions(
        ledger, viewer, account, because=because, now=NOW
    ),
}


@pytest.fixture(autouse=True)
def _quick_hashes(monkeypatch):
    quick = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
    monkeypatch.setattr(accounts_secrets, "HASHER", quick)
    monkeypatch.setattr(accounts_secrets, "nobodys", lambda: quick.hash("nobody"))


@pytest.fixture
def peopled(ledger):
    an_account(ledger, "rita", Role.REGISTRAR)
    an_account(ledger, "stefan", Role.STEWARD)
    return ledger


def last_events(ledger, count=1):
    with ledger.reading() as session:
        rows = session.execute(
            select(EventRow.actor, EventRow.verb, EventRow.record, EventRow.reason)
            .order_by(EventRow.sequence.desc())
            .limit(count)
        )
        return [tuple(row) for row in rows]


def test_a_disabled_account_is_out_at_once_and_comes_back_with_its_password(peopled):
    steward, rita = acting(peopled, "stefan"), acting(peopled, "rita").account_id
    token = sign_in(peopled, "rita", PASSWORD, NOW)
    disable(peopled, steward, "rita", because=WHY, now=NOW)
    assert last_events(peopled)[0][1:] == ("disable", f"account:{rita}", WHY)
    assert viewer_of(peopled, token, NOW) is None
    with pytest.raises(NotAllowedError):
        sign_in(peopled, "rita", PASSWORD, NOW)
    enable(peopled, steward, rita, because="came back", now=NOW)
    assert viewer_of(peopled, token, NOW) is None
    assert sign_in(peopled, "rita", PASSWORD, NOW)
    assert check_ledger(peopled, steward) == []


def test_a_role_holds_from_the_next_sign_in_and_no_open_session_has_it(peopled):
    steward = acting(peopled, "stefan")
    token = sign_in(peopled, "rita", PASSWORD, NOW)
    give_role(peopled, steward, "rita", Role.QUALITY_LEAD, because="takes over", now=NOW)
    assert last_events(peopled)[0][1::2] == ("give a role", "takes over")
    assert viewer_of(peopled, token, NOW) is None
    again = viewer_of(peopled, sign_in(peopled, "rita", PASSWORD, NOW), NOW)
    assert again.roles == {Role.REGISTRAR, Role.QUALITY_LEAD}
    with pytest.raises(ConflictError, match="has the role quality lead already"):
        give_role(peopled, steward, "rita", Role.QUALITY_LEAD, because="again", now=NOW)
    assert check_ledger(peopled, steward) == []


def test_a_role_is_taken_and_given_again(peopled):
    steward = acting(peopled, "stefan")
    token = sign_in(peopled, "rita", PASSWORD, NOW)
    take_role(peopled, steward, "rita", Role.REGISTRAR, because="left the unit", now=NOW)
    assert last_events(peopled)[0][1::2] == ("take a role", "left the unit")
    assert viewer_of(peopled, token, NOW) is None
    assert acting(peopled, "rita").roles == frozenset()
    with pytest.raises(ConflictError, match="does not have the role registrar"):
        take_role(peopled, steward, "rita", Role.REGISTRAR, because="again", now=NOW)
    give_role(peopled, steward, "rita", Role.REGISTRAR, because="is back", now=NOW)
    assert acting(peopled, "rita").roles == {Role.REGISTRAR}
    with pytest.raises(BadInputError, match="the last who can sign in as a steward"):
        take_role(peopled, steward, "stefan", Role.STEWARD, because="tired", now=NOW)
    assert check_ledger(peopled, steward) == []


def test_the_steward_ends_every_session_of_one_account(peopled):
    steward = acting(peopled, "stefan")
    tokens = [sign_in(peopled, "rita", PASSWORD, NOW) for _ in range(3)]
    own = sign_in(peopled, "stefan", PASSWORD, NOW)
    assert end_sessions(peopled, steward, "rita", because="left it open", now=NOW) == 3
    assert last_events(peopled)[0][1::2] == ("end all sessions", "left it open")
    assert [viewer_of(peopled, token, NOW) for token in tokens] == [None] * 3
    assert viewer_of(peopled, own, NOW) is not None
    assert check_ledger(peopled, steward) == []


def test_a_password_that_others_may_know_ends_at_once(peopled):
    # NIST SP 800-63B-4: change on evidence of compromise
    steward = acting(peopled, "stefan")
    token = sign_in(peopled, "rita", PASSWORD, NOW)
    link = invite_again(
        peopled, steward, "rita", now=NOW, ends_password=True, because="seen on a note"
    )
    assert last_events(peopled)[0][1::2] == ("end the password and invite again", "seen on a note")
    assert viewer_of(peopled, token, NOW) is None
    with pytest.raises(NotAllowedError):
        sign_in(peopled, "rita", PASSWORD, NOW)
    assert link
    assert check_ledger(peopled, steward) == []


@pytest.mark.parametrize("asking", ["stefan", None], ids=["a steward", "the shell"])
def test_the_last_who_can_sign_in_as_a_steward_is_not_disabled(peopled, asking):
    viewer = acting(peopled, asking)
    # Invited and without a password yet: not somebody who could let the others in.
    invite(peopled, viewer, "stella", [Role.STEWARD], person=None, now=NOW)
    with pytest.raises(BadInputError, match="stefan is the last who can sign in as a steward"):
        disable(peopled, viewer, "stefan", because=WHY, now=NOW)
    an_account(peopled, "stig", Role.STEWARD)
    disable(peopled, viewer, "stefan", because=WHY, now=NOW)
    with pytest.raises(BadInputError, match="the last"):
        disable(peopled, acting(peopled, None), "stig", because=WHY, now=NOW)


def test_the_shells_own_account_stays_as_it_is(peopled):
    operator = acting(peopled, None)
    for change in CHANGES.values():
        for account in (operator.account_id, operator.name):
            with pytest.raises(BadInputError, match="stays as it is"):
                change(peopled, operator, account, WHY)


def test_no_change_goes_without_a_reason(peopled):
    before = last_events(peopled)
    for change in CHANGES.values():
        for reason in ("", "  \t", "x" * 301, "bell\a"):
            with pytest.raises(BadInputError, match="needs its reason"):
                change(peopled, acting(peopled, "stefan"), "rita", reason)
    assert last_events(peopled) == before


def test_the_steward_alone_changes_accounts(peopled):
    others = [an_account(peopled, f"some {role}", role) for role in Role if role != Role.STEWARD]
    before = last_events(peopled)
    for change in CHANGES.values():
        for viewer in others:
            for account in (viewer.name, "rita", "stefan"):
                with pytest.raises(NotAllowedError, match=f"{viewer.name} may not manage accounts"):
                    change(peopled, viewer, account, WHY)
    assert last_events(peopled) == before


def test_an_account_that_is_not_there_is_not_changed(peopled):
    for change in CHANGES.values():
        for account in (4711, "nobody"):
            with pytest.raises(NotFoundError):
                change(peopled, acting(peopled, "stefan"), account, WHY)


def test_what_is_so_already_is_told(peopled):
    steward = acting(peopled, "stefan")
    with pytest.raises(ConflictError, match="is not disabled"):
        enable(peopled, steward, "rita", because=WHY, now=NOW)
    disable(peopled, steward, "rita", because=WHY, now=NOW)
    with pytest.raises(ConflictError, match="disabled already"):
        disable(peopled, steward, "rita", because=WHY, now=NOW)
