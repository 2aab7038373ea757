"""Accounts: invited once, signed in by name and password, signed out by time."""

from __future__ import annotations

import hashlib
import threading
from datetime import timedelta

import pytest
from argon2 import PasswordHasher
from sqlalchemy import func, select

from registry.actions import accounts_secrets
from registry.actions.accounts import (
    INVITATION_DAYS,
    accept_invitation,
    acting,
    invite,
    invite_again,
    invited_name,
)
from registry.actions.check_ledger import check_ledger
from registry.actions.sessions import sign_in, sign_out, viewer_of
from registry.domain.access import Role
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    NotAllowedError,
    NotFoundError,
)
from registry.domain.tries import NAME_FROM_ADDRESS
from registry.store.models.people import Account, SignedIn, SignInFailure
from registry.store.models.trail import EventRow
from tests.build.loaded import NOW, PASSWORD, an_account, load_rows

MINUTE = timedelta(minutes=1)
FAILURES_ALLOWED = NAME_FROM_ADDRESS.allowed
FAILURE_WINDOW = NAME_FROM_ADDRESS.longest_wait
SAME_WORDS = "name or password is not right"


@pytest.fixture(autouse=True)
def _quick_hashes(monkeypatch):
    """Hash with little memory and time: what is tried here is the counting, many times over."""
    quick = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
    monkeypatch.setattr(accounts_secrets, "HASHER", quick)
    monkeypatch.setattr(accounts_secrets, "nobodys", lambda: quick.hash("nobody"))


def invited(ledger, name="rita", *roles, person=None, now=NOW, viewer=None):
    asking = viewer or acting(ledger, None)
    return invite(ledger, asking, name, roles or [Role.REGISTRAR], person=person, now=now)


def refused(ledger, name, password, now=NOW):
    with pytest.raises(NotAllowedError) as problem:
        sign_in(ledger, name, password, now)
    return str(problem.value)


def stored(ledger, column, name="rita"):
    with ledger.reading() as session:
        return session.execute(select(column).where(Account.name == name)).scalar_one()


def test_an_invitation_works_once(ledger):
    token = invited(ledger)
    assert invited_name(ledger, token, NOW) == "rita"
    accept_invitation(ledger, token, PASSWORD, NOW)
    assert invited_name(ledger, token, NOW) is None
    with pytest.raises(NotAllowedError, match="used up or too old"):
        accept_invitation(ledger, token, "another quiet heron by the weir", NOW)
    assert viewer_of(ledger, sign_in(ledger, "rita", PASSWORD, NOW), NOW).name == "rita"
    assert check_ledger(ledger, acting(ledger, None)) == []


def test_an_invitation_grows_too_old(ledger):
    token = invited(ledger)
    end = NOW + timedelta(days=INVITATION_DAYS)
    assert invited_name(ledger, token, end - MINUTE) == "rita"
    assert invited_name(ledger, token, end) is None
    with pytest.raises(NotAllowedError):
        accept_invitation(ledger, token, PASSWORD, end)


def test_who_let_an_invitation_lapse_is_invited_again(ledger):
    first = invited(ledger)
    later = NOW + timedelta(days=INVITATION_DAYS + 1)
    second = invited(ledger, now=later)
    assert invited_name(ledger, first, NOW) is None
    accept_invitation(ledger, second, PASSWORD, later)
    with pytest.raises(ConflictError, match="there is an account 'rita' already"):
        invited(ledger, now=later)
    assert check_ledger(ledger, acting(ledger, None)) == []


def test_being_invited_again_gives_no_other_role_or_person(ledger):
    load_rows(ledger)
    invited(ledger)
    with pytest.raises(ConflictError):
        invited(ledger, "rita", Role.STEWARD)
    with pytest.raises(ConflictError):
        invited(ledger, "RITA", Role.REGISTRAR, person="Anna Berg")


def test_a_weak_password_leaves_the_invitation_open(ledger):
    token = invited(ledger)
    with pytest.raises(BadInputError, match="password: use 15 characters"):
        accept_invitation(ledger, token, "short", NOW)
    assert invited_name(ledger, token, NOW) == "rita"


def test_two_who_use_one_invitation_at_once_do_not_both_succeed(ledger):
    token = invited(ledger)
    done, said = [], []

    def use(password):
        try:
            accept_invitation(ledger, token, password, NOW)
            done.append(password)
        except NotAllowedError as problem:
            said.append(str(problem))

    threads = [
        threading.Thread(target=use, args=(f"number {n} quiet heron weir",)) for n in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(done), len(said)) == (1, 3)
    sign_in(ledger, "rita", done[0], NOW)


def test_a_wrong_name_and_a_wrong_password_are_refused_in_the_same_words(ledger):
    an_account(ledger, "rita", Role.REGISTRAR)
    invited(ledger, "not-yet")
    an_account(ledger, "gone", Role.REGISTRAR)
    with ledger.writing("test", NOW) as work:
        work.update(Account, "disable", acting(ledger, "gone").account_id, is_disabled=True)
    words = {
        refused(ledger, "rita", "wrong"),
        refused(ledger, "nobody", PASSWORD),
        refused(ledger, "not-yet", PASSWORD),
        refused(ledger, "gone", PASSWORD),
        refused(ledger, "local operator", ""),
        refused(ledger, "", ""),
        refused(ledger, "r\0ta" * 40, "x" * 500),
    }
    assert words == {SAME_WORDS}


@pytest.mark.parametrize("name", ["Özil", "STRASSE", "İpek", "Ρένα", "two  words"])
def test_a_name_is_known_in_any_case(ledger, name):
    an_account(ledger, "_", Role.STEWARD)
    token = invited(ledger, name)
    accept_invitation(ledger, token, PASSWORD, NOW)
    for spelling in (name, name.upper(), f"  {name} ", name.swapcase()):
        assert sign_in(ledger, spelling, PASSWORD, NOW)
    with pytest.raises(ConflictError):
        invited(ledger, name.upper())


def test_ten_failures_close_a_name_for_a_while_whoever_it_is(ledger):
    an_account(ledger, "rita", Role.REGISTRAR)
    an_account(ledger, "anna", Role.SURGEON)
    for name in ("rita", "nobody"):
        for turn in range(FAILURES_ALLOWED):
            spelled = name if turn % 2 else f" {name.upper()}"
            assert refused(ledger, spelled, "wrong", NOW + turn * MINUTE / 10) == SAME_WORDS
        assert "too many failed sign-ins" in refused(ledger, name, PASSWORD, NOW + MINUTE)
    # Another name is not touched, and the first opens again by itself.
    assert sign_in(ledger, "anna", PASSWORD, NOW + MINUTE)
    assert sign_in(ledger, "rita", PASSWORD, NOW + FAILURE_WINDOW + MINUTE)


def test_being_refused_while_closed_does_not_keep_it_closed(ledger):
    an_account(ledger, "rita", Role.REGISTRAR)
    for _ in range(FAILURES_ALLOWED):
        refused(ledger, "rita", "wrong")
    for turn in range(1, 15):
        assert "too many" in refused(ledger, "rita", "wrong", NOW + turn * MINUTE)
    assert sign_in(ledger, "rita", PASSWORD, NOW + FAILURE_WINDOW + MINUTE)


def test_many_tries_at_once_are_no_more_tries(ledger):
    an_account(ledger, "rita", Role.REGISTRAR)
    said = []

    def guess(number):
        said.append(refused(ledger, "rita", f"guess {number}"))

    threads = [threading.Thread(target=guess, args=(n,)) for n in range(FAILURES_ALLOWED + 6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert said.count(SAME_WORDS) <= FAILURES_ALLOWED
    assert len(said) == FAILURES_ALLOWED + 6


def test_a_right_password_counts_as_no_failure(ledger):
    an_account(ledger, "rita", Role.REGISTRAR)
    for _ in range(FAILURES_ALLOWED + 2):
        sign_in(ledger, "rita", PASSWORD, NOW)
    with ledger.reading() as session:
        assert session.execute(select(func.count()).select_from(SignInFailure)).scalar() == 0


def test_what_was_typed_as_a_name_is_not_kept(ledger):
    refused(ledger, PASSWORD, "rita")  # the two fields mixed up
    with ledger.reading() as session:
        (kept,) = session.execute(select(SignInFailure.name)).scalars()
    assert PASSWORD not in kept


def test_a_session_ends_when_idle(ledger):
    an_account(ledger, "rita", Role.REGISTRAR)
    idle = timedelta(minutes=ledger.settings.session_idle_minutes)
    token = sign_in(ledger, "rita", PASSWORD, NOW)
    at = NOW
    for _ in range(3):
        at += idle - MINUTE
        assert viewer_of(ledger, token, at).name == "rita"
    assert viewer_of(ledger, token, at + idle + MINUTE) is None
    assert viewer_of(ledger, token, at) is None


def test_a_session_ends_after_its_hours_however_busy(ledger):
    an_account(ledger, "rita", Role.REGISTRAR)
    token = sign_in(ledger, "rita", PASSWORD, NOW)
    end = NOW + timedelta(hours=ledger.settings.session_hours)
    at = NOW
    while at < end:
        assert viewer_of(ledger, token, at).name == "rita"
        at += timedelta(minutes=30)
    assert viewer_of(ledger, token, end) is None


def test_a_session_ends_with_sign_out_and_with_the_account(ledger):
    an_account(ledger, "rita", Role.REGISTRAR)
    tokens = [sign_in(ledger, "rita", PASSWORD, NOW) for _ in range(2)]
    assert len(set(tokens)) == 2
    sign_out(ledger, tokens[0])
    assert viewer_of(ledger, tokens[0], NOW) is None
    assert viewer_of(ledger, tokens[1], NOW).name == "rita"
    with ledger.writing("test", NOW) as work:
        work.update(Account, "disable", acting(ledger, "rita").account_id, is_disabled=True)
    assert viewer_of(ledger, tokens[1], NOW) is None
    with pytest.raises(BadInputError, match="there is no account 'rita'"):
        acting(ledger, "rita")


def test_a_page_does_not_wait_for_whoever_writes(ledger):
    an_account(ledger, "rita", Role.REGISTRAR)
    token = sign_in(ledger, "rita", PASSWORD, NOW)
    with ledger.writing("test", NOW):
        assert viewer_of(ledger, token, NOW + MINUTE / 2).name == "rita"


def test_neither_password_nor_token_is_kept(ledger):
    token = invited(ledger)
    assert stored(ledger, Account.invitation_digest) != token
    accept_invitation(ledger, token, PASSWORD, NOW)
    assert stored(ledger, Account.invitation_digest) is None
    hashed = stored(ledger, Account.password_hash)
    assert hashed.startswith("$argon2id$v=19$")  # RFC 9106's hybrid, version 1.3
    session_token = sign_in(ledger, "rita", PASSWORD, NOW)
    with ledger.reading() as session:
        digests = session.execute(select(SignedIn.token_digest)).scalars().all()
        trail = session.execute(select(EventRow.before, EventRow.after)).all()
    assert session_token not in digests
    text = str(trail)
    assert not any(secret in text for secret in (token, hashed, PASSWORD))
    assert "keyed:" in text


@pytest.mark.parametrize("role", Role)
def test_the_steward_alone_invites(ledger, role):
    viewer = an_account(ledger, "someone", role)
    if role is Role.STEWARD:
        assert invited(ledger, viewer=viewer)
    else:
        with pytest.raises(NotAllowedError, match="someone may not manage accounts"):
            invited(ledger, viewer=viewer)


@pytest.mark.parametrize("name", ["", "  ", "x" * 101, "a\x1b[31mb", "a\0b", "a\u202eb"])
def test_a_name_that_is_no_name_is_refused(ledger, name):
    with pytest.raises(BadInputError, match="a name of 1 to 100 characters"):
        invited(ledger, name)


def test_an_account_belongs_to_a_person_who_is_known(ledger):
    with pytest.raises(BadInputError, match="nobody is known as 'Anna Berg'"):
        invited(ledger, "anna", Role.SURGEON, person="Anna Berg")
    load_rows(ledger)
    invited(ledger, "anna", Role.SURGEON, person="anna berg")
    assert acting(ledger, "anna").person_id == 1


def test_a_reader_whom_no_table_has_named_is_added_with_their_account(ledger):
    steward = acting(ledger, None)
    roles = {Role.REGISTRAR}
    token = invite(ledger, steward, "nia", roles, person="Nia  Newly", now=NOW, new_person=True)
    accept_invitation(ledger, token, PASSWORD, NOW)
    viewer = viewer_of(ledger, sign_in(ledger, "nia", PASSWORD, NOW), NOW)
    assert viewer.person_id is not None
    again = invite(ledger, steward, "nia two", roles, person="nia newly", now=NOW)
    accept_invitation(ledger, again, PASSWORD, NOW)
    same = viewer_of(ledger, sign_in(ledger, "nia two", PASSWORD, NOW), NOW)
    assert same.person_id == viewer.person_id
    assert check_ledger(ledger, steward) == []


def test_a_lost_password_is_replaced_through_a_new_link_and_goes_on_until_then(ledger):
    steward = acting(ledger, None)
    accept_invitation(ledger, invited(ledger), PASSWORD, NOW)
    open_session = sign_in(ledger, "rita", PASSWORD, NOW)
    token = invite_again(ledger, steward, "Rita", now=NOW)
    assert sign_in(ledger, "rita", PASSWORD, NOW)
    accept_invitation(ledger, token, "another seven quiet ferries", NOW)
    assert viewer_of(ledger, open_session, NOW) is None
    assert sign_in(ledger, "rita", "another seven quiet ferries", NOW)
    with pytest.raises(NotAllowedError, match=SAME_WORDS):
        sign_in(ledger, "rita", PASSWORD, NOW)


@pytest.mark.parametrize("name", ["nobody", "local operator"])
def test_no_link_leads_to_an_account_that_is_not_there_or_is_the_shells(ledger, name):
    with pytest.raises(NotFoundError):
        invite_again(ledger, acting(ledger, None), name, now=NOW)


def test_a_session_made_or_turned_in_the_database_alone_signs_nobody_in(ledger):
    operator = acting(ledger, None)
    accept_invitation(ledger, invited(ledger), PASSWORD, NOW)
    token = sign_in(ledger, "rita", PASSWORD, NOW)
    with ledger.untracked() as session:
        session.add(
            SignedIn(
                token_digest=hashlib.sha256(b"made").hexdigest(),
                account_id=operator.account_id,
                started_at=NOW,
                seen_at=NOW,
                expires_at=NOW + timedelta(hours=1),
            )
        )
        row = session.execute(select(SignedIn)).scalars().first()
        row.account_id = operator.account_id
    assert viewer_of(ledger, "made", NOW) is None
    assert viewer_of(ledger, token, NOW) is None


def test_the_program_itself_hashes_as_hard_as_the_library_does(monkeypatch):
    monkeypatch.undo()
    made = accounts_secrets.HASHER
    # RFC 9106 section 4, second recommended option: t = 3, m = 64 MiB, p = 4.
    assert (made.time_cost, made.memory_cost, made.parallelism) == (3, 65536, 4)
    assert made.salt_len * 8 >= 32  # NIST SP 800-63B-4 section 3.1.1.2: a salt of 32 bits or more
