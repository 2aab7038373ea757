"""Every query and every command against every role, from tables that a person can read.

A query or command that has no line here fails: who may ask it has to be said first. A query that
asks no viewer has a reason and the list of who may call it; another caller fails as well.
"""

from __future__ import annotations

import ast
import inspect
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, date, timedelta
from importlib import import_module
from pathlib import Path
from pkgutil import iter_modules

import pytest
from sqlalchemy import select, true

import registry.store.queries
from registry.actions.accounts import acting
from registry.cli.main import COMMANDS, parser
from registry.domain.access import Role, Viewer
from registry.domain.problems import NotFoundError
from registry.domain.readings import CountedReading, ProposalSeen
from registry.domain.reply import quarter
from registry.store import visible, visible_notes
from registry.store.models.cases import Case, Screw
from registry.store.models.own_notes import OwnNoteShown
from registry.store.models.people import Account
from registry.store.models.proposals import ProposalRow
from registry.store.models.readings import Assignment, Reading
from registry.store.models.trail import EventRow
from registry.store.queries import (
    accounts,
    agreed,
    arrivals,
    assignments,
    constructs,
    correcting,
    drafts,
    drawn_scans,
    entering,
    evidence,
    exported,
    findings,
    known_truth,
    listed_cases,
    meeting,
    missing,
    ordered_readings,
    outcomes,
    own_notes,
    people,
    proposed,
    readings,
    replies,
    reported,
    research,
    scans,
    screw_readings,
    trail,
    vaulted,
)
from registry.store.vault import reference_hash
from tests.build.filled_once import filled_once
from tests.build.loaded import NOW, an_account, fill
from tests.build.read import read_screw
from tests.build.tables import a_log, a_readings
from tests.imaging.written_files import slices, write

ROOT = Path(__file__).parents[2]
WINDOW = (0, 90)
VIEWERS = {
    "registrar": ((Role.REGISTRAR,), "Rita Reader"),
    "surgeon": ((Role.SURGEON,), "Anna Berg"),
    "quality lead": ((Role.QUALITY_LEAD,), "Lena Lead"),
    "steward": ((Role.STEWARD,), "Stefan Steward"),
    "nobody in particular": ((Role.SURGEON,), None),
    "no role": ((), "Bodo Carl"),
}
EACH = [*VIEWERS, "local operator"]
# The ledger: Anna Berg is responsible for OP-1, OP-4 and OP-5 and has no part in OP-2 and OP-3.
ALL = ["OP-1", "OP-2", "OP-3", "OP-4", "OP-5"]
OWN = ["OP-1", "OP-4", "OP-5"]
NONE: list[str] = []


def references(session, viewer, query):
    return sorted(row.reference for row in session.execute(query(viewer)).scalars())


def ids(session, viewer, query):
    return sorted(row.id for row in session.execute(query(viewer)).scalars())


def one_case(session, viewer):
    try:
        return [constructs.case_in_full(session, viewer, WINDOW, 2).reference]
    except NotFoundError:
        return NONE


def named_scan_case(session, viewer):
    found = scans.case_for_scan(session, viewer, "OP-2")
    return NONE if found is None else [found.reference]


def exported_cases(session, viewer, ledger):
    tables = {t.shape.name: t for t in exported.exported_tables(session, viewer, ledger.settings)}
    named = {row[0] for row in tables["people"].rows}
    assert {row[5] for row in tables["cases"].rows} <= named
    return [row[1] for row in tables["cases"].rows]


def patient_cases(session, viewer, ledger):
    hashed = reference_hash(ledger.keys.references, "patient", "H200-7191")
    return sorted(case.reference for case in scans.cases_of_patient(session, viewer, hashed))


def earlier(session, viewer, ledger):
    hashed = reference_hash(ledger.keys.references, "patient", "H200-7191")
    found = entering.earlier_screws(session, viewer, hashed, None)
    return [f"{screw.level} {screw.side}" for screw in found]


def saved_ones(session, viewer):
    found = []
    for number in range(1, 6):
        with suppress(NotFoundError):
            found.append(entering.saved_case(session, viewer, number).reference)
    return found


EVENTS = ["account:1", "operation:1", "operation:2"]


def events_seen(session, viewer, condition=true()):  # noqa: B008 - holds of every event
    rows = session.execute(visible.visible_events(viewer).where(condition)).scalars()
    return sorted({row.record for row in rows} & set(EVENTS))


def trail_seen(session, viewer):
    lines, total = trail.trail_lines(session, viewer, trail.TrailAsked(), 0, 1000)
    assert total == len(lines)
    return sorted({line.record for line in lines} & set(EVENTS))


def found_by(ask):
    try:
        return [ask()]
    except NotFoundError:
        return NONE


def account_ids(session):
    return [account.id for account in session.execute(select(Account)).scalars()]


def accounts_seen(session, viewer):
    found = []
    for number in account_ids(session):
        with suppress(NotFoundError):
            found.append(accounts.listed_account(session, viewer, number, NOW))
    return [account.account_id == viewer.account_id or "other" for account in found]


def sessions_seen(session, viewer):
    return [
        number == viewer.account_id or "other"
        for number in account_ids(session)
        for _ in accounts.open_sessions(session, viewer, accounts.SessionsAsked(number, NOW, NOW))
    ]


def own(session, viewer):
    return sorted(r.reading_id for r in readings.own_readings_of(session, viewer))


def in_sight(session, viewer):
    asked = range(1, 6)
    return [n for n in asked if readings.reading_in_sight(session, viewer, n) is not None]


def seen_screws(session, viewer):
    found = []
    for number in (1, 5, 6):
        try:
            screw = screw_readings.screw_in_full(session, viewer, WINDOW, number)
            found.append(screw.case_reference)
        except NotFoundError:
            pass
    return found


def replied_cases(session, viewer):
    found = replies.own_reply_screws(session, viewer, quarter("2026Q1"), WINDOW)
    return sorted({screw.case_reference for screw in found})


def savable(session, viewer):
    return [n for n in range(1, 6) if assignments.saving_facts(session, viewer, n) is not None]


# Function: how it is asked, and what each of EACH gets. Assignments 1 to 4 are of OP-1 (Anna Berg),
# the fifth a second reading of OP-2 whose first Rita Reader made; Lena Lead has read in OP-2, but
# another screw. Readings 1 to 3 are of OP-2, 4 of OP-3, 5 of OP-5. Only OP-1's image is held here.
def drafts_seen(session, viewer):
    """Return the viewer's draft of a screw while another account has one, and once it is theirs."""
    other = replace(viewer, account_id=1 if viewer.account_id != 1 else 2)
    drafts.put_draft(session, other, 1, "another's", NOW)
    before = drafts.draft_text(session, viewer, 1)
    drafts.put_draft(session, viewer, 1, "own", NOW)
    found = [before, drafts.draft_text(session, viewer, 1)]
    drafts.note_saved(session, other, 1, key="k", outcome="{}", now=NOW)
    session.flush()
    found.append(drafts.saved_draft(session, viewer, 1))
    session.rollback()
    return found


OWN_DRAFT = [[None, "own", None]] * 7

ASKING = {
    drafts.draft_text: (lambda s, v, _: drafts_seen(s, v), OWN_DRAFT),
    drafts.put_draft: (lambda s, v, _: drafts_seen(s, v), OWN_DRAFT),
    drafts.note_saved: (lambda s, v, _: drafts_seen(s, v), OWN_DRAFT),
    drafts.saved_draft: (lambda s, v, _: drafts_seen(s, v), OWN_DRAFT),
    visible.enterable_cases: (
        lambda s, v, _: references(s, v, visible.enterable_cases),
        [ALL, OWN, ALL, NONE, NONE, NONE, ALL],
    ),
    visible.entered_cases: (
        lambda s, v, _: references(s, v, visible.entered_cases),
        [NONE, NONE, NONE, NONE, NONE, NONE, ALL],
    ),
    entering.earlier_screws: (
        earlier,
        [["L2 L", "L3 L", "L3 R"], ["L2 L"], ["L2 L", "L3 L", "L3 R"], NONE, NONE, NONE,
         ["L2 L", "L3 L", "L3 R"]],
    ),
    entering.saved_case: (
        lambda s, v, _: saved_ones(s, v),
        [NONE, NONE, NONE, NONE, NONE, NONE, ALL],
    ),
    visible.visible_cases: (
        lambda s, v, _: references(s, v, visible.visible_cases),
        [NONE, OWN, ALL, NONE, NONE, NONE, ALL],
    ),
    visible.scannable_cases: (
        lambda s, v, _: references(s, v, visible.scannable_cases),
        [ALL, NONE, ALL, NONE, NONE, NONE, ALL],
    ),
    visible.visible_arrivals: (
        lambda s, v, _: ids(s, v, visible.visible_arrivals),
        [[1], NONE, [1], NONE, NONE, NONE, [1]],
    ),
    arrivals.listed_arrivals: (
        lambda s, v, _: [each.arrival_id for each in arrivals.listed_arrivals(s, v, 9)],
        [[1], NONE, [1], NONE, NONE, NONE, [1]],
    ),
    arrivals.kept_arrival: (
        lambda s, v, _: [e.arrival_id for e in [arrivals.kept_arrival(s, v, 1)] if e is not None],
        [[1], NONE, [1], NONE, NONE, NONE, [1]],
    ),
    arrivals.scan_of_arrival: (
        lambda s, v, _: [e.owed for e in [arrivals.scan_of_arrival(s, v, 1)] if e is not None],
        [[1], NONE, [1], NONE, NONE, NONE, [1]],
    ),
    arrivals.receiving_arrival: (
        lambda s, v, _: [arrivals.receiving_arrival(s, v, "0" * 64)],
        [[1], [None], [1], [None], [None], [None], [1]],
    ),
    arrivals.arrivals_waiting: (
        lambda s, v, _: [v.name for _ in range(arrivals.arrivals_waiting(s, v))],
        [NONE] * 7,
    ),
    visible.visible_readings: (
        lambda s, v, _: ids(s, v, visible.visible_readings),
        [NONE, [5], [1, 2, 3, 4, 5], NONE, NONE, NONE, [1, 2, 3, 4, 5]],
    ),
    visible.own_readings: (
        lambda s, v, _: ids(s, v, visible.own_readings),
        [[1, 3, 4, 5], NONE, [2], NONE, NONE, NONE, NONE],
    ),
    visible.reopenable_readings: (
        lambda s, v, _: ids(s, v, visible.reopenable_readings),
        [[1, 3, 4, 5], [5], [1, 2, 3, 4, 5], NONE, NONE, NONE, [1, 2, 3, 4, 5]],
    ),
    evidence.reading_evidence: (
        lambda s, v, _: [
            n for n in range(1, 6)
            if found_by(lambda n=n: evidence.reading_evidence(s, v, n).reading_id)
        ],
        [[1, 3, 4, 5], [5], [1, 2, 3, 4, 5], NONE, NONE, NONE, [1, 2, 3, 4, 5]],
    ),
    # The shell's own account alone has looked at a case, the first.
    visible.shown_screw: (
        lambda s, v, _: sorted(
            set(s.execute(select(Screw.case_id).where(visible.shown_screw(v))).scalars())
        ),
        [NONE, NONE, NONE, NONE, NONE, NONE, [1]],
    ),
    # None is drawn here; tests/house/test_drawn_cases_apart.py has some.
    visible.drawn_readings: (
        lambda s, v, _: ids(s, v, visible.drawn_readings),
        [NONE] * 7,
    ),
    drawn_scans.practice_of: (
        # Nobody was given any, and the unit asks for none; tests/actions/test_teaching.py does.
        lambda s, v, ledger: drawn_scans.practice_of(s, ledger.settings, v).given,
        [0] * 7,
    ),
    drawn_scans.must_practise: (
        lambda s, v, ledger: drawn_scans.must_practise(s, ledger.settings, v),
        [False] * 7,
    ),
    known_truth.known_axis: (
        lambda s, v, _: known_truth.known_axis(s, v, 1),
        [None] * 7,
    ),
    known_truth.known_truth_readings: (
        lambda s, v, _: known_truth.known_truth_readings(s, v),
        [NONE] * 7,
    ),
    # Anna Berg's one note, which she shows to the lead and to the shell's account, which has no
    # eyes for it; nobody else's role opens it.
    visible_notes.own_notes: (
        lambda s, v, _: ids(s, v, visible_notes.own_notes),
        [NONE, [1], NONE, NONE, NONE, NONE, NONE],
    ),
    visible_notes.shown_notes: (
        lambda s, v, _: ids(s, v, visible_notes.shown_notes),
        [NONE, NONE, [1], NONE, NONE, NONE, NONE],
    ),
    visible_notes.is_shown_to: (
        lambda s, v, _: len(
            s.execute(select(OwnNoteShown.id).where(visible_notes.is_shown_to(v))).all()
        ),
        [0, 0, 1, 0, 0, 0, 1],
    ),
    # The shell wrote these events, and its account is nobody's own either.
    visible_notes.is_anothers_note: (
        lambda s, v, _: len(
            s.execute(select(EventRow.sequence).where(visible_notes.is_anothers_note(v))).all()
        ),
        [3] * 7,
    ),
    own_notes.notes_of: (
        lambda s, v, _: [(note.note_id, len(note.shown)) for note in own_notes.notes_of(s, v)],
        [NONE, [(1, 2)], NONE, NONE, NONE, NONE, NONE],
    ),
    own_notes.notes_shown_to: (
        lambda s, v, _: [(note.author, note.words) for note in own_notes.notes_shown_to(s, v)],
        [NONE, NONE, [("Anna Berg", "Check each track with a probe.")], NONE, NONE, NONE, NONE],
    ),
    own_notes.colleagues: (
        lambda s, v, _: [each.name for each in own_notes.colleagues(s, v)],
        [NONE, ["Lena Lead"], NONE, NONE, ["Anna Berg", "Lena Lead"], NONE,
         ["Anna Berg", "Lena Lead"]],
    ),
    agreed.own_open_actions: (
        lambda s, v, _: [each.owner for each in agreed.own_open_actions(s, v, UTC, NOW)],
        [NONE, ["Anna Berg"], NONE, NONE, NONE, NONE, NONE],
    ),
    # The first reading of OP-2 alone has a picture.
    evidence.readings_with_pictures: (
        lambda s, v, _: sorted(evidence.readings_with_pictures(s, v, range(1, 6))),
        [[1], NONE, [1], NONE, NONE, NONE, [1]],
    ),
    evidence.decided_between: (
        # Nobody decided here; tests/actions/test_evidence.py has one who did.
        lambda s, v, _: found_by(lambda: evidence.decided_between(s, v, 1).case_id),
        [NONE] * 7,
    ),
    visible.ordered_assignments: (
        lambda s, v, _: ids(s, v, visible.ordered_assignments),
        [NONE, NONE, [1, 2, 3, 4, 5], NONE, NONE, NONE, [1, 2, 3, 4, 5]],
    ),
    readings.own_readings_of: (
        lambda s, v, _: own(s, v),
        [[1, 3, 4, 5], NONE, [2], NONE, NONE, NONE, NONE],
    ),
    readings.reading_in_sight: (
        lambda s, v, _: in_sight(s, v),
        [NONE, [5], [1, 2, 3, 4, 5], NONE, NONE, NONE, [1, 2, 3, 4, 5]],
    ),
    ordered_readings.open_adjudications: (
        # None is owed here; tests/actions/test_adjudicate.py has some.
        lambda s, v, _: [a.assignment_id for a in ordered_readings.open_adjudications(s, v)],
        [NONE] * 7,
    ),
    ordered_readings.ordered_readings: (
        lambda s, v, _: [o.reason for o in ordered_readings.ordered_readings(s, v)],
        [NONE, NONE, ["near a cut-off"], NONE, NONE, NONE, ["near a cut-off"]],
    ),
    ordered_readings.first_readings_by_day: (
        lambda s, v, _: [sum(ordered_readings.first_readings_by_day(s, v).values())],
        [[0], [1], [4], [0], [0], [0], [4]],
    ),
    ordered_readings.owed_orders: (
        lambda s, v, _: [o.role for o in ordered_readings.owed_orders(s, v)],
        [NONE, NONE, ["first"] * 4 + ["second"], NONE, NONE, NONE, ["first"] * 4 + ["second"]],
    ),
    missing.unscanned_cases: (
        lambda s, v, _: [c.reference for c in missing.unscanned_cases(s, v, WINDOW)],
        [NONE, ["OP-5", "OP-4"], ["OP-5", "OP-4"], NONE, NONE, NONE, ["OP-5", "OP-4"]],
    ),
    missing.screws_read: (
        lambda s, v, _: len(missing.screws_read(s, v, WINDOW, date(2026, 1, 1))),
        [0, 4, 7, 0, 0, 0, 7],
    ),
    screw_readings.screw_in_full: (
        lambda s, v, _: seen_screws(s, v),
        [NONE, ["OP-1"], ["OP-1", "OP-2", "OP-2"], NONE, NONE, NONE, ["OP-1", "OP-2", "OP-2"]],
    ),
    visible.readable_assignments: (
        lambda s, v, _: ids(s, v, visible.readable_assignments),
        [[1, 2, 3, 4], [5], [1, 2, 3, 4, 5], NONE, NONE, NONE, NONE],
    ),
    visible.visible_accounts: (
        lambda s, v, _: [a == v.account_id or "other" for a in ids(s, v, visible.visible_accounts)],
        [[True], [True], [True], "all", [True], [True], "all"],
    ),
    accounts.listed_accounts: (
        lambda s, v, _: [a.name == v.name or "other" for a in accounts.listed_accounts(s, v, NOW)],
        [[True], [True], [True], "all", [True], [True], "all"],
    ),
    accounts.listed_account: (
        lambda s, v, _: accounts_seen(s, v),
        [[True], [True], [True], "all", [True], [True], "all"],
    ),
    accounts.open_sessions: (
        lambda s, v, _: sessions_seen(s, v),
        [[True], [True], [True], "all", [True], [True], "all"],
    ),
    assignments.owed_readings: (
        lambda s, v, _: sorted(o.assignment_id for o in assignments.owed_readings(s, v)),
        [[1, 2, 3, 4], NONE, [1, 2, 3, 4], NONE, NONE, NONE, NONE],
    ),
    proposed.screw_of_assignment: (
        lambda s, v, _: [
            n for n in range(1, 6) if proposed.screw_of_assignment(s, v, n) is not None
        ],
        [[1, 2, 3, 4], NONE, [1, 2, 3, 4], NONE, NONE, NONE, NONE],
    ),
    proposed.screw_of_reading: (
        # None was read on images held here; tests/actions/test_proposed.py has some.
        lambda s, v, _: [n for n in range(1, 6) if proposed.screw_of_reading(s, v, n) is not None],
        [NONE] * 7,
    ),
    # The proposal of OP-1's first screw was shown to the shell's own account, to nobody else.
    proposed.proposal_seen: (
        lambda s, v, _: proposed.proposal_seen(s, v, 1, s.get(ProposalRow, 1).scan_id),
        [None] * 6 + [ProposalSeen.FROM_START],
    ),
    proposed.was_shown: (
        lambda s, v, _: [proposed.was_shown(s, v, 1, n) for n in (1, 2, None)],
        [[False] * 3] * 6 + [[True, False, False]],
    ),
    assignments.saving_facts: (
        lambda s, v, _: savable(s, v),
        [[1, 2, 3, 4], NONE, [1, 2, 3, 4], NONE, NONE, NONE, NONE],
    ),
    constructs.cases_in_full: (
        lambda s, v, _: sorted(c.reference for c in constructs.cases_in_full(s, v, WINDOW)),
        [NONE, OWN, ALL, NONE, NONE, NONE, ALL],
    ),
    constructs.case_in_full: (
        lambda s, v, _: one_case(s, v),
        [NONE, NONE, ["OP-2"], NONE, NONE, NONE, ["OP-2"]],
    ),
    meeting.meeting_screws: (
        lambda s, v, _: sorted(
            {
                one.case_reference
                for one in meeting.meeting_screws(s, v, WINDOW, meeting.ScrewsAsked())
            }
        ),
        [NONE, OWN, ALL, NONE, NONE, NONE, ALL],
    ),
    exported.exported_tables: (
        lambda s, v, ledger: sorted(exported_cases(s, v, ledger)),
        [NONE, OWN, ALL, NONE, NONE, NONE, ALL],
    ),
    research.research_screws: (
        lambda s, v, _: len(research.research_screws(s, v, WINDOW)),
        [0, 6, 9, 0, 0, 0, 9],
    ),
    scans.case_for_scan: (
        lambda s, v, _: named_scan_case(s, v),
        [["OP-2"], NONE, ["OP-2"], NONE, NONE, NONE, ["OP-2"]],
    ),
    scans.numbered_case_for_scan: (
        lambda s, v, _: [c.reference for c in [scans.numbered_case_for_scan(s, v, 2)] if c],
        [["OP-2"], NONE, ["OP-2"], NONE, NONE, NONE, ["OP-2"]],
    ),
    scans.cases_of_patient: (
        patient_cases,
        [["OP-2", "OP-5"], NONE, ["OP-2", "OP-5"], NONE, NONE, NONE, ["OP-2", "OP-5"]],
    ),
    scans.cases_not_seen: (
        lambda s, v, _: scans.cases_not_seen(s, v, [1, 2]),
        [[1, 2], NONE, [1, 2], NONE, NONE, NONE, [2]],
    ),
    vaulted.sealed_patient: (
        lambda s, v, _: [
            ref for ref in ("OP-1", "OP-2") if vaulted.sealed_patient(s, v, ref) is not None
        ],
        [["OP-1", "OP-2"], NONE, ["OP-1", "OP-2"], NONE, NONE, NONE, ["OP-1", "OP-2"]],
    ),
    visible.correctable_cases: (
        lambda s, v, _: references(s, v, visible.correctable_cases),
        [NONE, OWN, ALL, NONE, NONE, NONE, ALL],
    ),
    visible.visible_outcomes: (
        lambda s, v, _: ids(s, v, visible.visible_outcomes),
        [NONE, [1], [1], NONE, NONE, NONE, [1]],
    ),
    visible.visible_events: (
        lambda s, v, _: events_seen(s, v),
        [NONE, ["operation:1"], EVENTS, EVENTS, NONE, NONE, EVENTS],
    ),
    visible.has_visible_values: (
        lambda s, v, _: events_seen(s, v, visible.has_visible_values(v)),
        [NONE, ["operation:1"], EVENTS, ["account:1"], NONE, NONE, EVENTS],
    ),
    visible.has_visible_actor: (
        lambda s, v, _: events_seen(s, v, visible.has_visible_actor(v)),
        [NONE, ["operation:1"], EVENTS, EVENTS, NONE, NONE, EVENTS],
    ),
    trail.trail_lines: (
        lambda s, v, _: trail_seen(s, v),
        [NONE, ["operation:1"], EVENTS, EVENTS, NONE, NONE, EVENTS],
    ),
    trail.trail_line: (
        # The first that a viewer sees is the trail's first to who sees all, and nobody else's.
        lambda s, v, _: [
            record
            for record in found_by(lambda: trail.trail_line(s, v, 1).record)
            if record == "unit_settings:1"
        ],
        [NONE, NONE, ["unit_settings:1"], ["unit_settings:1"], NONE, NONE, ["unit_settings:1"]],
    ),
    correcting.case_as_entered: (
        lambda s, v, _: found_by(lambda: correcting.case_as_entered(s, v, 1).reference),
        [NONE, ["OP-1"], ["OP-1"], NONE, NONE, NONE, ["OP-1"]],
    ),
    correcting.correctable_case_id: (
        lambda s, v, _: found_by(lambda: correcting.correctable_case_id(s, v, "OP-2")),
        [NONE, NONE, [2], NONE, NONE, NONE, [2]],
    ),
    correcting.correctable_numbers: (
        lambda s, v, _: sorted(correcting.correctable_numbers(s, v)),
        [NONE, [1, 4, 5], [1, 2, 3, 4, 5], NONE, NONE, NONE, [1, 2, 3, 4, 5]],
    ),
    outcomes.outcomes_of_case: (
        lambda s, v, _: [o.outcome_id for o in outcomes.outcomes_of_case(s, v, 1)],
        [NONE, [1], [1], NONE, NONE, NONE, [1]],
    ),
    outcomes.case_for_outcome: (
        lambda s, v, _: found_by(lambda: outcomes.case_for_outcome(s, v, 1).reference),
        [NONE, ["OP-1"], ["OP-1"], NONE, NONE, NONE, ["OP-1"]],
    ),
    scans.correctable_case: (
        lambda s, v, _: found_by(lambda: scans.correctable_case(s, v, 2).reference),
        [NONE, NONE, ["OP-2"], NONE, NONE, NONE, ["OP-2"]],
    ),
    listed_cases.case_references: (
        lambda s, v, _: sorted(listed_cases.case_references(s, v, range(1, 6)).values()),
        [NONE, OWN, ALL, NONE, NONE, NONE, ALL],
    ),
    listed_cases.unseen_cases: (
        lambda s, v, _: listed_cases.unseen_cases(s, v, range(1, 6)),
        [NONE, NONE, [1, 2, 3, 4, 5], NONE, NONE, NONE, NONE],
    ),
    constructs.has_seen: (
        lambda s, v, _: found_by(lambda: constructs.has_seen(s, v, 1)),
        [NONE, [False], [False], NONE, NONE, NONE, [True]],
    ),
    visible.visible_findings: (
        lambda s, v, _: ids(s, v, visible.visible_findings),
        [NONE, NONE, [1], NONE, NONE, NONE, [1]],
    ),
    findings.listed_findings: (
        lambda s, v, _: [f.case_reference for f in findings.listed_findings(s, v)],
        [NONE, NONE, ["OP-2"], NONE, NONE, NONE, ["OP-2"]],
    ),
    findings.version_of_finding: (
        lambda s, v, _: [n for n in (1, 2) if findings.version_of_finding(s, v, n) is not None],
        [NONE, NONE, [1], NONE, NONE, NONE, [1]],
    ),
    # Own is what one took part in; whoever belongs to nobody has nothing of their own.
    visible.own_cases: (
        lambda s, v, _: references(s, v, visible.own_cases),
        [NONE, OWN, NONE, NONE, NONE, NONE, NONE],
    ),
    replies.own_reply_screws: (
        lambda s, v, _: replied_cases(s, v),
        [NONE, OWN, NONE, NONE, NONE, NONE, NONE],
    ),
    replies.own_answer: (
        lambda s, v, _: [replies.own_answer(s, v, 1) is not None],
        [[False], [True], [False], [False], [False], [False], [False]],
    ),
    # The round ended on the first of March; Anna Berg alone was responsible and asks.
    replies.own_open_rounds: (
        lambda s, v, _: [
            each.round.period
            for day in (date(2026, 3, 1), date(2026, 3, 2))
            for each in replies.own_open_rounds(s, v, day)
        ],
        [NONE, ["2026Q1"], NONE, NONE, NONE, NONE, NONE],
    ),
    replies.last_own_day: (
        lambda s, v, _: replies.last_own_day(s, v),
        [None, date(2026, 2, 20), None, None, None, None, None],
    ),
    replies.answer_row: (
        lambda s, v, _: [replies.answer_row(s, v, 1)],
        [[None], [1], [None], [None], [None], [None], [None]],
    ),
    reported.reported_case: (
        lambda s, v, _: found_by(lambda: reported.reported_case(s, v, WINDOW, "OP-2").reference),
        [NONE, NONE, ["OP-2"], NONE, NONE, NONE, ["OP-2"]],
    ),
    # The scan of OP-2, of which both screws have been read.
    reported.screws_to_report: (
        lambda s, v, _: [
            len(screw.readings) for case in (1, 2) for screw in
            reported.screws_to_report(s, v, case, 1, CountedReading.BLIND)
        ],
        [NONE, [0] * 4, [0] * 4 + [2, 1], NONE, NONE, NONE, [0] * 4 + [2, 1]],
    ),
    people.person_name: (
        lambda s, v, _: people.person_name(s, v),
        ["Rita Reader", "Anna Berg", "Lena Lead", "Stefan Steward", "nobody in particular",
         "Bodo Carl", "local operator"],
    ),
}  # fmt: skip

# Function: why no viewer is asked, and the only modules that may call it.
LOADING = ("registry.actions.load_log", "registry.actions.load_readings")
ACCOUNTS = ("registry.actions.accounts",)
SESSIONS = ("registry.actions.sessions",)
TRIES = ("registry.actions.sessions_tries",)
CHANGES = ("registry.actions.accounts_changes",)
SETTLING = ("registry.actions.settle", "registry.store.verification")
ASSIGNING = ("registry.actions.assign",)
SCANNING = ("registry.actions.attach_scan",)
ATTACHED = (*SCANNING, "registry.actions.look_through")
FOLLOWING = ("registry.actions.follow_case",)
CORRECTING = ("registry.actions.correct_case", "registry.actions.correct_screw")
PROPOSING = ("registry.actions.propose",)
SHOWING = ("registry.actions.proposed", "registry.actions.propose_case")
WORKING = ("registry.actions.work_arrivals",)
HOLDING = ("registry.actions.held_arrival",)
ARRIVING = ("registry.actions.arrivals",)
WITHDRAWING = ("registry.actions.withdraw",)
REPLYING = ("registry.actions.replies",)
RATES = ("registry.actions.count", "registry.actions.whole_unit")
COUNTED = ("registry.actions.counted_unit",)
COMPLETING = ("registry.actions.completeness",)
AGREEING = ("registry.actions.agreement",)
CLOSING = ("registry.actions.quarter_numbers",)
SEALING = ("registry.actions.quarter_standing", "registry.actions.seal_quarter")
AGREEING_ON = ("registry.actions.agree", *CLOSING)
CLOSING_ON_PAGES = (*SEALING[:1], "registry.actions.closing")
ENTERING = ("registry.actions.enter_case",)
ADJUDICATING = ("registry.actions.adjudicate",)
SECONDS = ("registry.actions.second_readings",)
TEACHING = ("registry.actions.teaching",)
DRAWING = ("registry.actions.drawn_scans",)
NOT_ASKING = {
    "assignments.has_second": ("asks for readings, shows none", ASSIGNING),
    "assignments.to_be_replaced": ("asks for readings, shows none", ASSIGNING),
    "assignments.asked_adjudications": ("asks for readings, shows none", SETTLING[:1]),
    "assignments.uncounted_screws": ("asks for readings, shows none", SETTLING[:1]),
    "assignments.withdrawn_screws": ("asks for readings, shows none", SETTLING[:1]),
    "ordered_readings.is_free_to_read": ("refuses a reader, after the lead was let", ADJUDICATING),
    "ordered_readings.readers": ("names, for the lead alone", (*ADJUDICATING, *SECONDS, *TEACHING)),
    "ordered_readings.quarter_draws": ("seeds, for the lead alone", SECONDS),
    "readings.screws_settled_otherwise": ("works consensus out", ("registry.actions.resettle",)),
    "entering.names_to_choose": ("names of a form, for who may enter cases", ENTERING),
    "entering.is_reference_taken": (
        "whether a case is there, for who may enter it",
        (*ENTERING, *CORRECTING[:1]),
    ),
    "visible.took_part": (
        "a part of the rules themselves",
        (
            "registry.store.visible",
            "registry.store.queries.findings",
            "registry.store.queries.listed_cases",
            "registry.store.queries.ordered_readings",
            "registry.store.queries.readings",
            "registry.store.queries.screw_readings",
        ),
    ),
    "drawn_scans.kept_drawings": (
        "gives copies, shows none",
        (*TEACHING, "registry.cli.demo_teaching"),
    ),
    "drawn_scans.copies_of": ("gives copies, shows none", TEACHING),
    "drawn_scans.surgeon_of_drawn": ("gives copies, shows none", DRAWING),
    "drawn_scans.shell_account": ("gives copies, shows none", DRAWING),
    "drawn_scans.proposal_of_drawing": ("gives copies, shows none", DRAWING),
    "drawn_scans.to_practise_on": ("gives copies, shows none", TEACHING),
    "drawn_scans.own_audit_readings": ("a count, to give copies by", TEACHING),
    "drawn_scans.mixed_given": ("a count, to give copies by", TEACHING),
    "drawn_scans.own_mixed_readings": (
        "sums, for the reader themselves",
        ("registry.actions.known_truth",),
    ),
    "evidence.is_picture_kept": (
        "whether a file is named, shows nothing",
        ("registry.actions.keep_evidence",),
    ),
    "visible.is_fulfilled": (
        "a part of the rules themselves",
        (
            "registry.store.visible",
            "registry.store.queries.arrivals",
            "registry.store.queries.owed",
            "registry.store.queries.ordered_readings",
            "registry.store.queries.replies",
            "registry.store.queries.screw_readings",
        ),
    ),
    "replies.round_of": ("a quarter's days, nothing of its cases", REPLYING),
    "replies.days_operated": ("the first and last day of operation alone", REPLYING),
    "replies.surgeons_of_quarter": ("for who lays it before them", REPLYING),
    "replies.cover_screws": ("drawn from, never shown", REPLYING),
    "replies.owed_rereadings": ("a count, for who lays it before them", REPLYING),
    "replies.asked_rereadings": ("a count, for who lays it before them", REPLYING),
    "seals.remarks_of": ("for who may seal the quarter", CLOSING_ON_PAGES),
    "seals.seals_of": ("for who may seal the quarter", CLOSING_ON_PAGES),
    "seals.sealed_periods": ("which ones are, for who may seal", CLOSING_ON_PAGES[1:]),
    "seals.sealed_at": ("an instant, for who lays it before them", (*REPLYING, *CLOSING)),
    "seals.is_sealed_since": ("whether anything was sealed, shows nothing", AGREEING_ON[:1]),
    "agreed.agreed_actions": ("the unit's actions, for who may seal", AGREEING_ON),
    "seals.trail_end": ("whether anything was written, shows nothing", SEALING),
    "seals.part_taken": ("own cases by number, to hold who may sign", CLOSING_ON_PAGES),
    "seals.is_any_sealed": ("whether a key has to be there, shows nothing", SEALING[1:]),
    "findings.findings_of_quarter": ("no case and no person, for the lead's report", CLOSING),
    "replies.open_findings_of": ("a count, for who lays it before them", REPLYING),
    "replies.unread_screws": ("a count, for who lays it before them", REPLYING),
    "replies.unsettled": ("for who lays it before them", REPLYING),
    "assignments.screws_without_first": ("asks for readings, shows none", ASSIGNING),
    "assignments.held_scans": (
        "which images are held, by number alone",
        (*ASSIGNING, "registry.store.queries.replies"),
    ),
    "proposals.scans_to_propose": (
        "the worker's, and after a screw or case was allowed",
        (*PROPOSING, *SHOWING, "registry.store.queries.proposals"),
    ),
    "proposals.owed_proposals": ("the worker's, shows nothing", PROPOSING),
    "proposals.trail_length": ("the worker's, shows nothing", PROPOSING),
    "proposals.kept_proposal": (
        "the worker's, and after a screw or case was allowed",
        (*PROPOSING, *SHOWING),
    ),
    "proposals.take_proposal": ("the worker's, shows nothing", PROPOSING),
    "proposals.let_proposal_go": ("the worker's, shows nothing", PROPOSING),
    "proposals.give_try_back": ("the worker's, shows nothing", PROPOSING),
    "assignments.draw_of": ("asks for readings, shows none", ASSIGNING),
    "counted_screws.audit_scans": (
        "which scan counts, by number alone",
        (
            *ASSIGNING,
            *FOLLOWING,
            *CORRECTING[:1],
            "registry.store.queries.counted_screws",
            "registry.store.queries.constructs",
            "registry.store.queries.screw_readings",
            "registry.actions.settle",
            "registry.store.queries.exported",
            "registry.store.queries.research",
            "registry.store.queries.replies",
            "registry.store.queries.second_reads",
            "registry.store.queries.imaging_reasons",
            "registry.store.queries.read_pairs",
            "registry.store.queries.steps",
            "registry.store.queries.angles",
            "registry.store.queries.missing",
            "registry.store.queries.reported",
            "registry.store.queries.proposals",
            *("registry.store.queries.meeting", "registry.actions.meeting_pack"),
        ),
    ),
    "imaging_reasons.imaging_reasons": (
        "counted by surgeon there, for who may see them; of own cases alone",
        ("registry.actions.count_surgeons", "registry.actions.own_screws"),
    ),
    "imaging_reasons.last_read_days": (
        "marks late operations of a run, for who may see it",
        ("registry.actions.count_runs",),
    ),
    "imaged.imaged_since": (
        "instants alone, beside rows that were asked for",
        (
            "registry.store.queries.counted_screws",
            "registry.store.queries.constructs",
            "registry.store.queries.meeting",
        ),
    ),
    "angles.screw_angles": (
        "sums over all, for who may see them all",
        ("registry.actions.angles",),
    ),
    "steps.steps": ("sums over all, for who may see them all", COMPLETING),
    "read_pairs.screws_read_twice": (
        "sums over all pairs, for who may see them all; to a reader many own ones",
        AGREEING,
    ),
    "second_reads.second_reads": (
        "sums over all, for who may see them all",
        COUNTED,
    ),
    "counted_screws.counted_screws": (
        "pooled whoever asks; strata are hidden there",
        (*COUNTED, *SEALING[:1]),
    ),
    "counted_screws.surgeons_with_placed": (
        "whose runs to offer, to who may see every surgeon",
        ("registry.actions.count_runs",),
    ),
    "counted_screws.first_operation": ("a day, with which the periods to offer begin", RATES[:1]),
    "counted_screws.participants": (
        "refuses a reader's own case; says what a viewer has seen anyway",
        (*LOADING[1:], *RATES[:1], "registry.store.queries.seals"),
    ),
    "known_cases.known_cases": ("compares a table, shows no value", LOADING),
    "known_cases.known_patients": (
        "compares a table or form, shows no value",
        (*LOADING[:1], *ENTERING),
    ),
    "known_readings.known_scans": ("compares a table, shows no value", LOADING[1:]),
    "known_readings.known_readings": ("compares a table, shows no value", LOADING[1:]),
    "people.person_ids": (
        "the table holds the name already",
        (
            *ACCOUNTS,
            *ENTERING,
            *AGREEING_ON[:1],
            "registry.actions.persons",
            "registry.actions.corrections",
        ),
    ),
    "people.viewer_named": ("who acts is found by it", ACCOUNTS),
    "people.local_operator": (
        "who acts is found by it",
        (*ACCOUNTS, "registry.actions.initialise", "registry.web.pages.health.views"),
    ),
    "people.sign_in_named": ("before anybody is signed in", SESSIONS),
    "people.account_named": ("for who may invite and change", (*ACCOUNTS, *CHANGES)),
    "people.account_numbered": ("for who may invite and change", (*ACCOUNTS, *CHANGES)),
    "people.role_row": ("for who may change accounts", CHANGES),
    "people.is_disabled": ("for who may change accounts", CHANGES),
    "people.other_stewards": ("a count, for who may change accounts", CHANGES),
    "people.is_waiting": ("whether a name is taken, for who may invite", ACCOUNTS),
    "people.invited": ("before anybody is signed in", ACCOUNTS),
    "people.signed_in": ("before anybody is signed in", SESSIONS),
    "arrivals.add_arrival": ("keeps what comes in, for who may load scans", ARRIVING),
    "arrivals.change_arrival": (
        "takes an arrival further, shows nothing",
        (*ARRIVING, "registry.actions.decide_arrival", *WITHDRAWING),
    ),
    "arrivals.count_file": ("keeps what comes in, for who may load scans", ARRIVING),
    "withdrawing.surveyed_arrivals": ("drops what came in, shows nothing", WITHDRAWING),
    "working_arrivals.close_quiet": ("the worker's, shows nothing", WORKING),
    "working_arrivals.is_quiet_there": ("the worker's, shows nothing", WORKING),
    "working_arrivals.is_work_there": ("the worker's, shows nothing", WORKING),
    "working_arrivals.expired": ("the worker's, shows nothing", WORKING),
    "working_arrivals.drop": ("the worker's, shows nothing", WORKING),
    "working_arrivals.living_tokens": ("the worker's, shows nothing", WORKING),
    "working_arrivals.take_next": ("the worker's, shows nothing", WORKING),
    "working_arrivals.change_held": ("the worker's, shows nothing", HOLDING),
    "working_arrivals.let_go": ("the worker's, shows nothing", HOLDING),
    "working_arrivals.finish_step": ("the worker's, shows nothing", HOLDING),
    "drafts.drop_drafts_before": ("drops, shows nothing", ("registry.actions.drafts",)),
    "drafts.drop_drafts_of_cases": ("drops, shows nothing", WITHDRAWING),
    "people.note_seen": ("sign-ins", SESSIONS),
    "people.start_session": ("sign-ins", SESSIONS),
    "people.turn_session": ("sign-ins", SESSIONS),
    "people.end_session": ("sign-ins", SESSIONS),
    "people.end_sessions_of": ("sign-ins", (*ACCOUNTS, *CHANGES, *SESSIONS)),
    "people.password_hash_of": ("compares a password, shows nothing", SESSIONS),
    "people.note_failure": ("sign-ins", TRIES),
    "people.other_failures": ("sign-ins", TRIES),
    "people.forget_failure": ("sign-ins", (*TRIES, *SESSIONS)),
    "people.name_key": ("a spelling and no record", TRIES),
    "people.all_person_names": (
        "labels or codes, decided there; names that no cover may hold",
        (
            *COUNTED,
            *AGREEING,
            *AGREEING_ON[:1],
            "registry.actions.meeting_pack",
            "registry.actions.count_runs",
        ),
    ),
    "readings.current_readings": ("works consensus out", SETTLING),
    "readings.counted_ids": (
        "which readings count, by number alone",
        ("registry.store.queries.reported", "registry.store.queries.second_reads"),
    ),
    "readings.owed_seconds": ("works consensus out", SETTLING),
    "readings.levels_of": ("works consensus out", SETTLING),
    "readings.consensus_rows": ("works consensus out", SETTLING[:1]),
    "scans.scan_of_series": ("whether a series is there, after the case was allowed", ATTACHED),
    "scans.scan_there": (
        "whether a scan is there, after the case was allowed",
        (*SCANNING, "registry.actions.scans_of_case"),
    ),
    "scans.screws_in_image": (
        "sides of a case's screws, after the case was allowed",
        ("registry.actions.side_note",),
    ),
    "scans.known_image": ("whether an image is there, by its digest", SCANNING),
    "visible.events_of_cases": (
        "a part of the rules themselves",
        ("registry.store.visible", "registry.store.queries.trail"),
    ),
    "correcting.assistant_rows": ("after the case was allowed", CORRECTING[:1]),
    "correcting.standing_readers": ("refuses who has read, after the case was allowed", CORRECTING),
    "visible.is_withdrawn": (
        "a part of the rules themselves",
        (
            "registry.store.visible",
            "registry.store.queries.assignments",
            "registry.store.queries.meeting",
            "registry.store.queries.outcomes",
        ),
    ),
    "owed.asked_of_cases": ("keeps what is owed right, shows none", FOLLOWING),
    "withdrawing.patient_of_case": ("for who may withdraw", WITHDRAWING),
    "withdrawing.patient_of_hash": ("for who may withdraw", WITHDRAWING),
    "withdrawing.patients_not_yet_withdrawn": ("for who may withdraw", WITHDRAWING),
    "withdrawing.withdrawn_in_rows": ("for who may withdraw", WITHDRAWING),
    "withdrawing.held_of_patient": ("for who may withdraw", WITHDRAWING),
}


def query_modules():
    path = registry.store.queries.__path__
    found = {m.name: import_module(f"registry.store.queries.{m.name}") for m in iter_modules(path)}
    return {"visible": visible, "visible_notes": visible_notes, **found}


def public_functions():
    return {
        f"{short}.{name}": function
        for short, module in query_modules().items()
        for name, function in inspect.getmembers(module, inspect.isfunction)
        if function.__module__ == module.__name__ and not name.startswith("_")
    }


@pytest.fixture
def filled(ledger, tmp_path):
    return add_everybody(fill(ledger, tmp_path))


@filled_once
def add_everybody(ledger):
    with ledger.writing("test", NOW) as work:
        person = work.insert(people.Person, "add a person", name="Stefan Steward")
        work.insert(people.PersonAlias, "add a name", person_id=person, folded="stefan steward")
    for name, (roles, person_name) in VIEWERS.items():
        an_account(ledger, name, *roles, person=person_name)
    with ledger.untracked() as session:
        came = {"token": "0" * 32, "study_hash": "0" * 64, "account_id": 1, "opened_at": NOW}
        came |= {"source": "receiver", "last_at": NOW, "state": "receiving", "scan_id": 1}
        arrivals.add_arrival(session, came)
        for number in account_ids(session):
            digest, ends = f"{number:064}", NOW + timedelta(hours=1)
            people.start_session(
                session, number, people.NewSession(digest, number, "", NOW, NOW, ends)
            )
    return ledger


def viewers(ledger) -> list[Viewer]:
    return [acting(ledger, name) for name in VIEWERS] + [acting(ledger, None)]


def test_every_query_stands_in_the_matrix():
    named = {f"{f.__module__.rsplit('.', 1)[1]}.{f.__name__}" for f in ASKING} | set(NOT_ASKING)
    assert set(public_functions()) == named


def test_whatever_takes_a_viewer_is_asked_with_each():
    for name, function in public_functions().items():
        takes_viewer = "viewer" in inspect.signature(function).parameters
        # An account that was found by its name is handed on under that name as well.
        assert takes_viewer == (function in ASKING) or name == "people.is_waiting", name


def test_each_query_gives_each_role_what_the_matrix_says(filled):
    with filled.reading() as session:
        for function, (ask, expected) in ASKING.items():
            for who, viewer, wanted in zip(EACH, viewers(filled), expected, strict=True):
                found = ask(session, viewer, filled)
                if wanted == "all":
                    assert found.count("other") == len(found) - 1 > len(VIEWERS), function
                else:
                    assert found == wanted, (function.__name__, who)


def calls_of(path: Path) -> set[str]:
    """Return the queries that a module names, by import or through its module."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found, modules = set(), {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            short = node.module.rsplit(".", 1)[-1]
            if node.module.startswith("registry.store.queries.") or short.startswith("visible"):
                found |= {f"{short}.{name.name}" for name in node.names}
            if node.module in {"registry.store.queries", "registry.store"}:
                modules |= {(name.asname or name.name): name.name for name in node.names}
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            short = modules.get(node.value.id)
            if short:
                found.add(f"{short}.{node.attr}")
    return found


def test_what_asks_no_viewer_is_called_only_where_the_matrix_says():
    for path in sorted((ROOT / "registry").rglob("*.py")):
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for name in calls_of(path) & set(NOT_ASKING):
            assert module in NOT_ASKING[name][1], f"{module} calls {name}"


def test_the_unit_that_is_ready_is_counted_only_by_who_hides_strata():
    importing = {
        path.stem
        for path in (ROOT / "registry" / "actions").glob("*.py")
        if "import counted_unit" in path.read_text(encoding="utf-8")
    }
    assert importing == {name.rpartition(".")[2] for name in RATES}


def test_every_allowed_caller_is_one():
    for name, (_, callers) in NOT_ASKING.items():
        for caller in callers:
            path = ROOT.joinpath(*caller.split(".")).with_suffix(".py")
            own = caller.endswith("." + name.split(".")[0])
            assert own or name in calls_of(path), f"{caller} does not call {name}"


def test_the_rows_behind_the_matrix_are_there(filled):
    with filled.reading() as session:
        for model, count in ((Case, 5), (Reading, 5), (Assignment, 5)):
            assert len(session.execute(model.__table__.select()).all()) == count
        assert len(session.execute(Account.__table__.select()).all()) > len(VIEWERS)


YES, NO = 0, 2
# Command: its words, and the exit status for each of EACH. 2 is said in one line and changes
# nothing.
COMMANDS_BY_ROLE = {
    "account add": (
        ["account", "add", "new", "--role", "registrar"],
        [NO, NO, NO, YES, NO, NO, YES],
    ),
    "account end-sessions": (
        ["account", "end-sessions", "rita", "--reason", "left it open"],
        [NO, NO, NO, YES, NO, NO, YES],
    ),
    "load-log": (["load-log", "LOG"], [YES, NO, YES, NO, NO, NO, YES]),
    "load-log, own": (["load-log", "OWN"], [YES, YES, YES, NO, NO, NO, YES]),
    "load-readings": (["load-readings", "READINGS"], [NO, NO, YES, NO, NO, NO, YES]),
    "load-ct": (
        ["load-ct", "CT", "--case", "OP-3"],
        [YES, NO, YES, NO, NO, NO, YES],
    ),
    "load-ct, listed": (["load-ct", "CT", "--list"], [YES, NO, YES, NO, NO, NO, YES]),
    # There is no archive to ask: who may, fails at it (1).
    "fetch-ct": (
        ["fetch-ct", "--case", "OP-3", "--url", "http://127.0.0.1:9"],
        [1, NO, 1, NO, NO, NO, 1],
    ),
    # What is proposed of OP-1 is kept, and need not be worked out.
    "propose": (["propose", "--case", "OP-1"], [NO, YES, YES, NO, NO, NO, YES]),
    "rates": (["rates"], [YES, YES, YES, NO, YES, NO, YES]),
    "completeness": (["completeness"], [NO, NO, YES, NO, NO, NO, YES]),
    "teaching mix": (["teaching", "mix"], [NO, NO, YES, NO, NO, NO, YES]),
    "teaching results": (["teaching", "results"], [NO, NO, YES, NO, NO, NO, YES]),
    "agreement": (["agreement", "--named"], [NO, NO, YES, NO, NO, NO, YES]),
    "case-mix": (["case-mix", "--by", "level"], [NO, NO, YES, NO, NO, NO, YES]),
    "compare": (["compare", "--by", "guidance"], [NO, NO, YES, NO, NO, NO, YES]),
    "rates by level": (["rates", "--by", "level"], [YES, YES, YES, NO, YES, NO, YES]),
    "rates by diameter": (["rates", "--by", "diameter"], [YES, YES, YES, NO, YES, NO, YES]),
    "rates by surgeon": (["rates", "--by", "surgeon"], [NO, YES, YES, NO, NO, NO, YES]),
    "rates, own as surgeon": (["rates", "--own", "surgeon"], [NO, YES, NO, NO, NO, NO, NO]),
    "rates, own as operator": (
        ["rates", "--own", "operator", "--by", "level,side"],
        [YES, YES, NO, NO, NO, NO, NO],
    ),
    "rates by operator": (["rates", "--by", "operator"], [YES, YES, YES, NO, NO, NO, YES]),
    "surgeons": (["surgeons"], [NO, YES, YES, NO, NO, NO, YES]),
    "own": (["own", "--out", "FILE"], [NO, YES, NO, NO, NO, NO, NO]),
    "runs": (["runs"], [NO, YES, YES, NO, NO, NO, YES]),
    "export": (["export", "--out", "FILE"], [NO, NO, YES, NO, NO, NO, YES]),
    "quarter": (["quarter", "2026Q1", "--out", "FILE"], [NO, NO, YES, NO, NO, NO, YES]),
    "export for research": (
        ["export", "--research", "--out", "FILE"],
        [NO, NO, YES, NO, NO, NO, YES],
    ),
    "meeting-pack": (
        ["meeting-pack", "--case", "OP-1", "--out", "FILE"],
        [NO, YES, YES, NO, NO, NO, YES],
    ),
    "export-sr": (
        ["export-sr", "--case", "OP-1", "--out", "FILE"],
        [NO, NO, YES, NO, NO, NO, YES],
    ),
    "export-sr, pseudonymous": (
        ["export-sr", "--case", "OP-1", "--pseudonymous", "--out", "FILE"],
        [NO, NO, YES, NO, NO, NO, YES],
    ),
    "export-ct": (
        ["export-ct", "--case", "OP-1", "--out", "FILE"],
        [NO, NO, YES, NO, NO, NO, YES],
    ),
    "withdraw": (
        ["withdraw", "--case", "REF", "--reason", "asked"],
        [NO, NO, YES, YES, NO, NO, YES],
    ),
    "verify": (["verify"], [NO, NO, YES, YES, NO, NO, YES]),
    "backup": (["backup", "FILE"], [NO, NO, NO, YES, NO, NO, YES]),
    "backup, rehearsed": (["backup", "FILE", "--rehearse"], [NO, NO, NO, YES, NO, NO, YES]),
    "move": (["move", "sqlite:///FILE"], [NO, NO, NO, YES, NO, NO, YES]),
}
TO_WITHDRAW = {"quality lead": "OP-1", "steward": "OP-3", "local operator": "OP-4"}
"""A case each, of three patients: a patient is withdrawn once."""
# Nobody is asked: who has a shell on the machine makes and serves the ledger.
WITHOUT_ACCOUNT = {"demo", "init", "upgrade", "restore", "serve", "listen"}


def test_every_command_stands_in_the_matrix():
    named = {words[0] for words, _ in COMMANDS_BY_ROLE.values()}
    assert named | WITHOUT_ACCOUNT == set(COMMANDS)
    for name in COMMANDS:
        usage = parser()._subparsers._group_actions[0].choices[name].format_help()
        assert ("--as" in usage) is (name not in WITHOUT_ACCOUNT), name


@pytest.mark.parametrize("name", COMMANDS_BY_ROLE)
def test_each_command_serves_each_role_as_the_matrix_says(place, filled, tmp_path, name):
    words, expected = COMMANDS_BY_ROLE[name]
    if words[0] == "export-sr":
        read_screw(filled, acting(filled, "registrar"), 1, 4, NOW)
    files = {
        "LOG": a_log({"case_ref": "NEW-1", "surgeon": "Bodo Carl"}),
        "OWN": a_log({"case_ref": "NEW-2", "surgeon": "Anna Berg"}),
        "READINGS": a_readings({"case_ref": "OP-3", "level": "S1", "reader": "Lena Lead",
                                "scan_on": "2026-02-09"}),
    }  # fmt: skip
    for file, data in files.items():
        (tmp_path / file).write_bytes(data)
    write(slices(12, series=8, study=8, PatientID="H300-7191"), tmp_path / "CT")
    given = [str(tmp_path / word) if word in {*files, "CT"} else word for word in words]
    for who, status in zip(EACH, expected, strict=True):
        # As a dry run where there is one, so that each role meets the same ledger.
        dry = ["--check"] if words[0] in {"load-log", "load-readings"} else []
        acting_as = [] if who == "local operator" else ["--as", who]
        own_words = {"new": f"{who[:3]}-new", "REF": TO_WITHDRAW.get(who, "OP-5")}
        words_now = [own_words.get(word, word) for word in given]
        words_now = [w.replace("FILE", str(tmp_path / f"made for {who}")) for w in words_now]
        answer = place.command(*words_now, *dry, *acting_as)
        assert answer.status == status, (who, answer)
        if status == NO:
            assert answer.out == ""
            assert len(answer.err.splitlines()) == 1
    assert place.command("verify").status == 0
