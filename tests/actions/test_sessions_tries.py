"""Guessing: by name, by address, by both, in known browsers, at invitations and confirmations."""

from __future__ import annotations

from datetime import timedelta

import pytest
from argon2 import PasswordHasher
from sqlalchemy import select

from registry.actions import accounts_secrets
from registry.actions.accounts import accept_invitation, acting, invite, invited_name
from registry.actions.sessions import account_of, confirm, sign_in, viewer_of
from registry.actions.sessions_tries import Origin, marked
from registry.domain.access import Role
from registry.domain.problems import NotAllowedError
from registry.domain.tries import (
    ADDRESS,
    CONFIRMATION,
    KNOWN_BROWSER,
    LONGEST_MEMORY,
    NAME,
    NAME_FROM_ADDRESS,
)
from registry.store.models.people import SignInFailure
from tests.build.loaded import NOW, PASSWORD, an_account

GUESS = "not the password at all"
SECOND = timedelta(seconds=1)
HERE, THERE = Origin("198.51.100.7"), Origin("203.0.113.9")  # RFC 5737: for documentation
WRONG = "name or password is not right"


@pytest.fixture(autouse=True)
def _quick_hashes(monkeypatch):
    quick = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
    monkeypatch.setattr(accounts_secrets, "HASHER", quick)
    monkeypatch.setattr(accounts_secrets, "nobodys", lambda: quick.hash("nobody"))


@pytest.fixture
def rita(ledger):
    an_account(ledger, "rita", Role.REGISTRAR)
    an_account(ledger, "anna", Role.SURGEON)
    return ledger


def told(ledger, name="rita", at=NOW, origin=HERE, password=GUESS):
    with pytest.raises(NotAllowedError) as problem:
        sign_in(ledger, name, password, at, origin)
    return str(problem.value)


def elsewhere(number):
    return Origin(f"192.0.2.{number % 250}")


def test_ten_wrong_tries_from_one_address_close_the_name_there_and_nowhere_else(rita):
    for _ in range(NAME_FROM_ADDRESS.allowed):
        assert told(rita) == WRONG
    assert told(rita, password=PASSWORD).startswith("too many failed sign-ins; try again in 15")
    assert sign_in(rita, "rita", PASSWORD, NOW, THERE)
    assert sign_in(rita, "anna", PASSWORD, NOW, HERE)
    assert sign_in(rita, "rita", PASSWORD, NOW + NAME_FROM_ADDRESS.longest_wait, HERE)


def test_a_name_tried_from_everywhere_waits_longer_each_time_and_never_for_ever(rita):
    for number in range(NAME.allowed):
        assert told(rita, origin=elsewhere(number)) == WRONG
    assert "try again in a minute" in told(rita, origin=THERE, password=PASSWORD)
    at = NOW + NAME.first_wait
    assert told(rita, at=at, origin=elsewhere(99)) == WRONG
    assert "too many" in told(rita, at=at + NAME.first_wait, origin=THERE, password=PASSWORD)
    assert sign_in(rita, "rita", PASSWORD, at + NAME.longest_wait, THERE)


def test_nobody_elsewhere_keeps_out_whoever_has_signed_in_with_their_browser_before(rita):
    # OWASP, "Slow Down Online Guessing Attacks with Device Cookies"
    token = sign_in(rita, "rita", PASSWORD, NOW, HERE)
    known = Origin(HERE.address, marked(rita, "", account_of(token)))
    for number in range(NAME.allowed + 5):
        told(rita, at=NOW + number * SECOND, origin=elsewhere(number))
    for _ in range(NAME_FROM_ADDRESS.allowed):
        told(rita, at=NOW + 60 * SECOND, origin=HERE)
    assert "too many" in told(rita, at=NOW + 61 * SECOND, origin=HERE, password=PASSWORD)
    assert sign_in(rita, "rita", PASSWORD, NOW + 61 * SECOND, known)


def test_a_known_browser_has_its_own_few_tries(rita):
    known = Origin(HERE.address, marked(rita, "", acting(rita, "rita").account_id))
    for _ in range(KNOWN_BROWSER.allowed):
        assert told(rita, origin=known) == WRONG
    assert "too many" in told(rita, origin=known, password=PASSWORD)
    # It is closed by itself alone.
    assert sign_in(rita, "rita", PASSWORD, NOW, HERE)


def forgeries(mark, other):
    return {
        "changed": mark[:-1] + ("0" if mark[-1] != "0" else "1"),
        "another account's": f"{other}." + mark.partition(".")[2],
        "unsigned": mark.rpartition(".")[0],
        "made up": f"{other}.made.up",
        "rubbish": "\udcff.~...~",
    }


def test_a_mark_that_is_not_the_ledgers_own_exempts_nobody(rita):
    mark = marked(rita, "", acting(rita, "rita").account_id)
    for name in ("rita", "anna"):
        for _ in range(NAME_FROM_ADDRESS.allowed):
            told(rita, name)
    for forged in forgeries(mark, acting(rita, "anna").account_id).values():
        for name in ("rita", "anna"):
            origin = Origin(HERE.address, forged)
            assert "too many" in told(rita, name, origin=origin, password=PASSWORD)
    assert sign_in(rita, "rita", PASSWORD, NOW, Origin(HERE.address, mark))


def test_a_browser_keeps_the_marks_of_the_last_five_accounts_and_no_rubbish(rita):
    marks = "rubbish~1.a.b"
    for number in (1, 2, 3, 4, 5, 6, 2):
        marks = marked(rita, marks, number)
    assert [mark.partition(".")[0] for mark in marks.split("~")] == ["2", "6", "5", "4", "3"]
    # OWASP ASVS 5.0.0, 3.3.5: no cookie above 4096 bytes
    assert len(marked(rita, marks, 2**31 - 1)) < 1000


def test_many_names_tried_from_one_address_close_the_address(rita):
    for number in range(ADDRESS.allowed):
        assert told(rita, f"name {number}") == WRONG
    assert "too many" in told(rita, password=PASSWORD)
    assert sign_in(rita, "rita", PASSWORD, NOW, THERE)
    assert sign_in(rita, "rita", PASSWORD, NOW + ADDRESS.longest_wait, HERE)


def test_a_whole_network_of_ipv6_is_one_address(rita):
    for number in range(NAME_FROM_ADDRESS.allowed):
        told(rita, origin=Origin(f"2001:db8:1:2::{number:x}"))  # RFC 3849: for documentation
    same, other = Origin("2001:db8:1:2:ffff::1"), Origin("2001:db8:1:3::1")
    assert "too many" in told(rita, origin=same, password=PASSWORD)
    assert sign_in(rita, "rita", PASSWORD, NOW, other)


def test_invitations_cannot_be_guessed_at_from_one_address_for_long(rita):
    token = invite(rita, acting(rita, None), "nina", [Role.REGISTRAR], person=None, now=NOW)
    for number in range(ADDRESS.allowed):
        assert invited_name(rita, f"guess {number}", NOW, HERE.address) is None
    with pytest.raises(NotAllowedError, match="too many links that lead nowhere"):
        invited_name(rita, token, NOW, HERE.address)
    assert invited_name(rita, token, NOW, THERE.address) == "nina"
    later = NOW + ADDRESS.longest_wait
    assert invited_name(rita, token, later, HERE.address) == "nina"
    accept_invitation(rita, token, PASSWORD, later)


def test_opening_ones_own_link_many_times_counts_as_no_guess(rita):
    token = invite(rita, acting(rita, None), "nina", [Role.REGISTRAR], person=None, now=NOW)
    for _ in range(ADDRESS.allowed + 2):
        assert invited_name(rita, token, NOW, HERE.address) == "nina"


def test_too_many_wrong_passwords_within_a_session_end_it(rita):
    token = sign_in(rita, "rita", PASSWORD, NOW)
    for _ in range(CONFIRMATION.allowed):
        with pytest.raises(NotAllowedError, match="the password is not right"):
            confirm(rita, token, "wrong", NOW)
    assert viewer_of(rita, token, NOW) is not None
    with pytest.raises(NotAllowedError, match="too many wrong passwords"):
        confirm(rita, token, PASSWORD, NOW)
    assert viewer_of(rita, token, NOW) is None


def test_confirming_turns_the_token_and_keeps_the_sessions_end(rita):
    token = sign_in(rita, "rita", PASSWORD, NOW)
    turned = confirm(rita, token, PASSWORD, NOW + SECOND)
    assert viewer_of(rita, token, NOW + SECOND) is None
    assert viewer_of(rita, turned, NOW + SECOND).name == "rita"
    end = NOW + timedelta(hours=rita.settings.session_hours)
    at = NOW
    while at < end:
        assert viewer_of(rita, turned, at) is not None
        at += timedelta(minutes=30)
    assert viewer_of(rita, turned, end) is None
    with pytest.raises(NotAllowedError, match="sign in first"):
        confirm(rita, token, PASSWORD, NOW)


def test_no_address_and_no_name_is_kept_and_nothing_longer_than_it_counts(rita):
    told(rita, "a name of mine", NOW)
    told(rita, "another", NOW + LONGEST_MEMORY + SECOND)
    with rita.reading() as session:
        ((name, address_hash),) = session.execute(
            select(SignInFailure.name, SignInFailure.address_hash)
        )
    assert HERE.address not in f"{name}{address_hash}"
    assert "another" not in name
