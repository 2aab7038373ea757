"""What the program proposes leads no reader: shown after their own reading, kept and marked."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest
from sqlalchemy import select

from registry.actions.check_ledger import check_ledger
from registry.actions.desk_answer import Shown, Submission
from registry.actions.desk_marks import Marks
from registry.actions.desk_pictures import section_depths
from registry.actions.propose_case import proposal_of_case
from registry.actions.proposed import (
    NOT_FOUND,
    NOT_YET,
    is_proposed,
    own_beside_proposed,
    proposed_for_desk,
    read_again_with_proposal,
)
from registry.actions.read_again import ask_another_reader
from registry.actions.record_reading import record_reading
from registry.actions.resettle import resettle
from registry.domain.access import Role
from registry.domain.problems import ConflictError, NotAllowedError, NotFoundError
from registry.domain.readings import (
    Confidence,
    CountedReading,
    Method,
    ProposalExtents,
    ProposalSeen,
    ReadingRole,
)
from registry.measure.proposals.documents import to_json
from registry.store.home import open_ledger
from registry.store.models.cases import Screw
from registry.store.models.proposals import ProposalRow, ProposalShown
from registry.store.models.readings import Assignment, ConsensusRow, Reading
from registry.store.queries.proposals import scans_to_propose
from tests.build.desk import (
    L4_LEFT,
    L4_RIGHT,
    LENGTH_MM,
    S1_LEFT,
    a_desk_ledger,
    placed,
    ring_marks,
)
from tests.build.ledgers import (
    NOW,
    QUALITY_LEAD,
    REGISTRAR,
    SURGEON,
    KnownAccount,
    a_person,
    an_account,
    local_operator,
    viewer,
)
from tests.build.proposed import a_proposal, put_proposal, with_extra

LATER = NOW + timedelta(hours=2)
EVERY_SECTION = Shown(section_depths(LENGTH_MM), frozenset({"medial"}))
CONTAINED = Submission(
    Method.BY_EYE, Marks(placed()), shown=EVERY_SECTION, confidence=Confidence.HIGH
)
BREACHED = Submission(Method.CONTOUR, ring_marks(-4.0), confidence=Confidence.HIGH)
OTHER = KnownAccount("otto", frozenset({Role.REGISTRAR}), "Otto Other")


@pytest.fixture(scope="module")
def made_home(tmp_path_factory):
    home = tmp_path_factory.mktemp("proposed") / "ledger"
    ledger = a_desk_ledger(home)
    with ledger.writing(local_operator(ledger), NOW) as work:
        a_person(work, "Otto Other")
    an_account(ledger, OTHER)
    with ledger.reading() as session:
        scan = scans_to_propose(session, [1])[0]
    with ledger.writing(local_operator(ledger), NOW) as work:
        put_proposal(work, scan_id=1, image_digest=scan.image_digest, screws=scan.logged)
    ledger.close()
    return home


@pytest.fixture
def ledger(made_home, tmp_path):
    shutil.copytree(made_home, tmp_path / "ledger")
    opened = open_ledger(tmp_path / "ledger", {"PEDICLE_LEDGER_SECOND_SHARE": "0"})
    yield opened
    opened.close()


@pytest.fixture
def reader(ledger):
    return viewer(ledger, REGISTRAR)


def rows(ledger, model):
    with ledger.reading() as session:
        found = list(session.execute(select(model).order_by(model.id)).scalars())
        session.expunge_all()
    return found


def with_settings(ledger, **settings):
    made = replace(ledger, settings=replace(ledger.settings, **settings))
    vars(made)["engine"] = ledger.engine
    return made


def changed(ledger, reader, first=CONTAINED, second=BREACHED):
    """Read a screw blind, be shown its proposal, and change it; return both readings' numbers."""
    blind = record_reading(ledger, reader, L4_LEFT, first, LATER).reading_id
    own_beside_proposed(ledger, reader, blind, LATER)
    asked = read_again_with_proposal(ledger, reader, blind, "missed the medial wall", LATER)
    return blind, record_reading(ledger, reader, asked, second, LATER).reading_id


def what_counts(ledger):
    (row,) = [row for row in rows(ledger, ConsensusRow) if row.screw_id == 1]
    return row.reading_ids, row.medial_mm


def test_the_axis_is_proposed_at_once_and_no_extent_nor_trace_of_a_showing(ledger, reader):
    found = proposed_for_desk(ledger, reader, L4_LEFT, LATER)
    assert found.found.screw.logged.level == "L4"
    assert not found.extents_are_shown
    assert rows(ledger, ProposalShown) == []
    done = record_reading(ledger, reader, L4_LEFT, CONTAINED, LATER)
    (kept,) = rows(ledger, Reading)
    assert (kept.is_blind, kept.proposal_seen) == (True, None)
    assert is_proposed(ledger, reader, done.reading_id)


def test_after_their_own_reading_a_reader_is_shown_the_proposal_and_it_is_kept(ledger, reader):
    blind = record_reading(ledger, reader, L4_LEFT, CONTAINED, LATER).reading_id
    with pytest.raises(ConflictError, match="not shown yet"):
        read_again_with_proposal(ledger, reader, blind, "missed a wall", LATER)
    for _ in range(2):
        found = own_beside_proposed(ledger, reader, blind, LATER)
    assert found.reading.reading_id == blind
    assert found.proposed.screw.logged.level == "L4"
    (shown,) = rows(ledger, ProposalShown)
    assert (shown.screw_id, shown.account_id, shown.reading_id, shown.shown_at) == (
        1, reader.account_id, blind, LATER,
    )  # fmt: skip
    assert not is_proposed(ledger, reader, blind)
    # Of no other screw, and to nobody else.
    assert not proposed_for_desk(ledger, reader, L4_RIGHT, LATER).extents_are_shown
    for other in (OTHER, QUALITY_LEAD):
        with pytest.raises(NotFoundError):
            own_beside_proposed(ledger, viewer(ledger, other), blind, LATER)


def test_a_change_is_a_new_reading_that_says_so_and_both_are_kept(ledger, reader):
    blind, after = changed(ledger, reader)
    first, second = rows(ledger, Reading)
    assert (first.id, first.proposal_seen, first.medial_mm) == (blind, None, Decimal("0.0"))
    assert (second.id, second.supersedes_id, second.medial_mm) == (after, blind, Decimal("2.3"))
    assert second.proposal_seen == ProposalSeen.AFTER_OWN
    assert second.superseded_reason == "missed the medial wall"
    assert second.is_blind
    # A change that does not count asks for no second reading, C or not.
    assert ReadingRole.SECOND not in {row.role for row in rows(ledger, Assignment)}
    assert check_ledger(ledger, local_operator(ledger)) == []


def test_the_unit_states_which_of_the_two_counts_and_verify_works_it_out_again(ledger, reader):
    blind, after = changed(ledger, reader)
    assert what_counts(ledger) == (str(blind), Decimal("0.0"))
    other = with_settings(ledger, counted_reading=CountedReading.AFTER_PROPOSAL)
    wrong = [each.line() for each in check_ledger(other, local_operator(ledger))]
    assert wrong == ["consensus:1: is not what its readings come to"]
    assert resettle(other, LATER) == 1
    assert what_counts(ledger) == (str(after), Decimal("2.3"))
    assert check_ledger(other, local_operator(ledger)) == []
    assert resettle(ledger, LATER) == 1
    assert what_counts(ledger) == (str(blind), Decimal("0.0"))


def test_what_another_reader_makes_afterwards_counts_and_is_blind(ledger, reader):
    _, after = changed(ledger, reader)
    lead, other = viewer(ledger, QUALITY_LEAD), viewer(ledger, OTHER)
    asked = ask_another_reader(ledger, lead, after, "the wrong screw", LATER)
    assert not proposed_for_desk(ledger, other, asked, LATER).extents_are_shown
    third = record_reading(ledger, other, asked, BREACHED, LATER).reading_id
    assert rows(ledger, Reading)[-1].proposal_seen is None
    assert what_counts(ledger) == (str(third), Decimal("2.3"))


def test_where_the_unit_shows_it_at_once_first_readings_alone_see_it_and_say_so(ledger, reader):
    at_once = with_settings(ledger, proposal_extents=ProposalExtents.AT_ONCE)
    assert proposed_for_desk(at_once, reader, L4_LEFT, LATER).extents_are_shown
    (shown,) = rows(ledger, ProposalShown)
    assert (shown.screw_id, shown.reading_id) == (1, None)
    done = record_reading(at_once, reader, L4_LEFT, BREACHED, LATER)
    assert rows(ledger, Reading)[0].proposal_seen == ProposalSeen.FROM_START
    assert not is_proposed(at_once, reader, done.reading_id)
    # At C a second reading is asked for; its reader sees no extent before their own.
    (second,) = [row.id for row in rows(ledger, Assignment) if row.role == ReadingRole.SECOND]
    assert not proposed_for_desk(at_once, viewer(ledger, OTHER), second, LATER).extents_are_shown


def test_what_was_worked_out_for_another_log_is_not_shown(ledger, reader):
    done = record_reading(ledger, reader, L4_LEFT, CONTAINED, LATER)
    with ledger.writing(local_operator(ledger), LATER) as work:
        work.update(Screw, "correct a screw", 2, diameter_mm=Decimal("5.5"))
    assert proposed_for_desk(ledger, reader, L4_RIGHT, LATER).found.why_not == NOT_YET
    found = own_beside_proposed(ledger, reader, done.reading_id, LATER).proposed
    assert (found.screw, found.why_not) == (None, NOT_YET)
    assert rows(ledger, ProposalShown) == []


def test_a_screw_that_was_not_found_and_a_scan_that_failed_are_told_in_words(ledger, reader):
    with ledger.reading() as session:
        scan = scans_to_propose(session, [1])[0]
    (row,) = rows(ledger, ProposalRow)
    made = to_json(with_extra(a_proposal(scan.logged)))
    with ledger.writing(local_operator(ledger), LATER) as work:
        work.update(ProposalRow, "propose", row.id, document=made)
    found = proposed_for_desk(ledger, reader, S1_LEFT, LATER).found
    assert (found.screw, found.why_not) == (None, NOT_FOUND)
    failed = {"document": None, "failure": "not worked out within 300 seconds"}
    with ledger.writing(local_operator(ledger), LATER) as work:
        work.update(ProposalRow, "propose", row.id, **failed)
    found = proposed_for_desk(ledger, reader, S1_LEFT, LATER).found
    assert found.why_not.endswith("could not work this scan out: not worked out within 300 seconds")


def test_a_lead_who_was_shown_a_case_s_proposal_reads_it_neither_blind_nor_unseen(ledger):
    lead, surgeon = viewer(ledger, QUALITY_LEAD), viewer(ledger, SURGEON)
    for who in (lead, surgeon):
        found = proposal_of_case(ledger, who, "OP-0", pytest.fail, LATER)
        assert len(found.proposal.screws) == 3
    for account, refused in ((REGISTRAR, NotAllowedError), (SURGEON, NotFoundError)):
        with pytest.raises(refused):
            proposal_of_case(ledger, viewer(ledger, account), "OP-1", pytest.fail, LATER)
    done = record_reading(ledger, lead, L4_LEFT, CONTAINED, LATER)
    assert not is_proposed(ledger, lead, done.reading_id)
    (kept,) = rows(ledger, Reading)
    assert (kept.is_blind, kept.proposal_seen) == (False, ProposalSeen.FROM_START)


def test_a_case_s_proposal_is_worked_out_and_kept_where_there_is_none(ledger):
    asked = []

    def run(scan):
        asked.append(scan)
        return to_json(a_proposal(scan.logged))

    for _ in range(2):
        found = proposal_of_case(ledger, local_operator(ledger), "OP-1", run, LATER)
    assert [each.logged.level for each in found.proposal.screws] == ["L3"]
    assert len(asked) == 1


@pytest.mark.parametrize(
    ("note", "is_told"),
    [
        ("slices of 3 mm", True),
        ("the log fits the metal far better with left and right exchanged: check the sides", True),
        ("the left screw of L4 lies near the spine's middle line: check its side", True),
        ("the right screw of L4 lies near the spine's middle line: check its side", False),
        ("the left screw of L3 lies near the spine's middle line: check its side", False),
        ("S2 alar-iliac left has 2 in the log: which is which was judged by size", False),
        ("the screws of one vertebra could be of L3, L4 or of none in the log", True),
    ],
)
def test_a_note_on_another_screw_is_not_told_before_that_one_is_read(ledger, reader, note, is_told):
    (row,) = rows(ledger, ProposalRow)
    with ledger.reading() as session:
        logged = scans_to_propose(session, [1])[0].logged
    document = to_json(replace(a_proposal(logged), notes=(note,)))
    with ledger.writing(local_operator(ledger), NOW) as work:
        work.update(ProposalRow, "propose", row.id, document=document)
    blind = record_reading(ledger, reader, L4_LEFT, CONTAINED, LATER).reading_id
    found = own_beside_proposed(ledger, reader, blind, LATER)
    assert found.proposed.notes == ((note,) if is_told else ())
