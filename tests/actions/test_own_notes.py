"""Own reflections and actions: nobody's but the author's until shown, and gone when taken out."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from registry.actions import own_notes as action
from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.domain.access import Role
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    NotAllowedError,
    NotFoundError,
)
from registry.store.models.own_notes import OwnNote, OwnNoteShown
from registry.store.models.trail import EventRow
from registry.store.queries.trail import TrailAsked, trail_lines
from tests.build.loaded import NOW, TODAY, an_account

WORDS = "I hurried the left side."
TYPED = {"kind": "reflection", "words": WORDS, "noted_on": "2026-03-30"}
ACTION = {"kind": "action", "words": "Probe each track.", "due_on": "2026-06-30"}


@pytest.fixture
def people(ledger):
    roles = {"anna": Role.SURGEON, "bodo": Role.SURGEON, "lena": Role.QUALITY_LEAD,
             "rita": Role.REGISTRAR}  # fmt: skip
    found = {
        name: an_account(ledger, name, role, person=f"{name.title()} Own", new_person=True)
        for name, role in roles.items()
    }
    found["stefan"] = an_account(ledger, "stefan", Role.STEWARD)
    return found | {"local": acting(ledger, None)}


def written(ledger, people, typed=TYPED):
    return action.write_note(ledger, people["anna"], typed, today=TODAY, now=NOW)


def readers_of(ledger, people):
    """Return who reads any of another's notes, whatever their role."""
    found = set()
    for name, viewer in people.items():
        try:
            if action.notes_shown(ledger, viewer):
                found.add(name)
        except NotAllowedError:
            continue
    return found


def test_a_note_is_read_by_nobody_until_its_author_says_whom_and_no_longer_than_that(
    ledger, people
):
    note = written(ledger, people)
    assert readers_of(ledger, people) == set()
    bodo = people["bodo"]
    action.show_note(ledger, people["anna"], note, str(bodo.account_id), NOW)
    assert readers_of(ledger, people) == {"bodo"}
    action.show_note(ledger, people["anna"], note, "", NOW)
    assert readers_of(ledger, people) == {"bodo", "lena"}
    (shown,) = action.notes_shown(ledger, bodo)
    assert (shown.author, shown.words, shown.shown) == ("Anna Own", WORDS, ())
    (own,) = action.own_notes(ledger, people["anna"])
    assert [showing.to for showing in own.shown] == ["Bodo Own", "the quality lead"]
    for showing in own.shown:
        action.stop_showing(ledger, people["anna"], note, showing.showing_id, NOW)
    assert readers_of(ledger, people) == set()
    assert check_ledger(ledger, people["local"]) == []


def test_a_note_s_number_tells_nothing_of_how_many_others_there_are(ledger, people):
    numbers = [written(ledger, people) for _ in range(6)]
    assert len(set(numbers)) == 6
    assert numbers != sorted(numbers) or numbers[-1] - numbers[0] > 1000
    assert min(numbers) > 0
    assert max(numbers) < 2**31


def test_nobody_else_has_a_hand_in_a_note_and_only_who_may_read_screws_and_rates_is_shown_it(
    ledger, people
):
    note = written(ledger, people)
    for name in ("anna", "rita", "stefan", "local"):
        with pytest.raises(BadInputError, match="cannot be shown"):
            action.show_note(ledger, people["anna"], note, str(people[name].account_id), NOW)
    for name in ("bodo", "lena"):
        action.show_note(ledger, people["anna"], note, str(people[name].account_id), NOW)
    for name in ("bodo", "lena", "local"):
        other = people[name]
        for act in (
            lambda who: action.own_note(ledger, who, note),
            lambda who: action.change_note(ledger, who, note, TYPED, today=TODAY, now=NOW),
            lambda who: action.take_out_note(ledger, who, note, NOW),
            lambda who: action.show_note(ledger, who, note, "", NOW),
            lambda who: action.stop_showing(ledger, who, note, 1, NOW),
        ):
            with pytest.raises((NotAllowedError, NotFoundError)):
                act(other)
    assert len(action.own_note(ledger, people["anna"], note).shown) == 2


def test_the_trail_tells_others_that_there_was_a_note_and_nothing_of_it(ledger, people):
    note = written(ledger, people, ACTION)
    done = {**ACTION, "done_on": "2026-03-31", "outcome": WORDS, "version": "1"}
    action.change_note(ledger, people["anna"], note, done, today=TODAY, now=NOW)
    action.show_note(ledger, people["anna"], note, str(people["bodo"].account_id), NOW)
    action.take_out_note(ledger, people["anna"], note, NOW)
    with ledger.reading() as session:
        stored = session.execute(select(EventRow.before, EventRow.after, EventRow.reason)).all()
        assert WORDS not in str(stored)
        assert ACTION["words"] not in str(stored)
        for name in ("lena", "stefan", "local"):
            lines, _ = trail_lines(session, people[name], TrailAsked(actor="anna"), 0, 100)
            told = [line for line in lines if line.record.startswith("own_note")]
            assert len(told) == 5
            assert not any(line.changes or line.has_values or line.reason for line in told)
            assert not any("action" in line.verb or "reflection" in line.verb for line in told)
        for name in ("bodo", "rita"):
            lines, _ = trail_lines(session, people[name], TrailAsked(), 0, 100)
            assert not [line for line in lines if line.record.startswith("own_note")]
        for model in (OwnNote, OwnNoteShown):
            assert not session.execute(select(model)).all()
    assert check_ledger(ledger, people["local"]) == []


def test_an_action_is_changed_and_done_and_of_two_at_once_one_is_told(ledger, people):
    note = written(ledger, people, ACTION)
    done = {**ACTION, "done_on": "2026-03-31", "outcome": "Three of four.", "version": "1"}
    action.change_note(ledger, people["anna"], note, done, today=TODAY, now=NOW)
    found = action.own_note(ledger, people["anna"], note)
    assert (found.done_on, found.outcome, found.version) == (TODAY, "Three of four.", 2)
    with pytest.raises(ConflictError, match="changed meanwhile"):
        action.change_note(ledger, people["anna"], note, done, today=TODAY, now=NOW)


def test_what_cannot_be_kept_is_told_whole_and_nothing_is_kept(ledger, people):
    typed = {"kind": "reflection", "words": " \r\n ", "noted_on": "soon"}
    with pytest.raises(BadInputError) as told:
        written(ledger, people, typed)
    assert [line.split(":")[0] for line in told.value.lines()] == ["day", "words"]
    with pytest.raises(BadInputError, match="kind"):
        written(ledger, people, {"kind": "letter", "words": WORDS})
    assert action.own_notes(ledger, people["anna"]) == []
