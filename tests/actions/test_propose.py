"""Every audit scan gets its proposal once, and anew for another log; nothing hangs or is lost."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from functools import partial

import pytest
from sqlalchemy import select

from registry.actions import propose
from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.propose import LEASE_SECONDS, ProposalWorker, StoppedError
from registry.actions.propose_apart import propose_apart
from registry.domain.problems import BadInputError, FailureError, Fault
from registry.measure.proposals.documents import from_json, to_json
from registry.store.models.cases import Case, Screw
from registry.store.models.proposals import ProposalRow, ProposalWork
from registry.store.queries import proposals as queries
from tests.build.loaded import NOW, load_rows
from tests.build.proposed import a_proposal
from tests.build.scanned import with_held_scan

LATER = NOW + timedelta(hours=3)
CHILD = "tests.build.proposing_child"


@pytest.fixture
def imaged(ledger):
    """Give a ledger with one case of two screws and its image."""
    rows = [{"case_ref": "OP-1", "level": "L4", "side": side} for side in "LR"]
    load_rows(ledger, *rows)
    with_held_scan(ledger, "OP-1")
    return ledger


def rows(ledger, model=ProposalRow):
    with ledger.reading() as session:
        found = list(
            session.execute(select(model).order_by(*model.__table__.primary_key)).scalars()
        )
        session.expunge_all()
    return found


def change_a_screw(ledger, **changes):
    with ledger.writing(acting(ledger, None), LATER) as work:
        work.update(Screw, "correct a screw", 1, **changes)


class Runs:
    """Proposes what was made by hand, and counts how often it was asked."""

    def __init__(self):
        self.asked = []

    def __call__(self, scan):
        self.asked.append(scan)
        return to_json(a_proposal(scan.logged))


def test_a_scan_is_worked_out_once_and_its_trail_names_what_it_was_made_from(imaged):
    run = Runs()
    worker = ProposalWorker(imaged, run)
    assert [worker.once(LATER) for _ in range(3)] == [True, False, False]
    (scan,) = run.asked
    assert [(each.level, str(each.side)) for each in scan.logged] == [("L4", "L"), ("L4", "R")]
    (kept,) = rows(imaged)
    assert from_json(kept.document) == from_json(to_json(a_proposal(scan.logged)))
    assert (kept.image_digest, kept.made_at) == (scan.image_digest, LATER)
    assert rows(imaged, ProposalWork) == []
    assert check_ledger(imaged, acting(imaged, None)) == []


@pytest.mark.parametrize(
    "changes",
    [
        {"side": "R", "number": 2},
        {"level": "L5"},
        {"diameter_mm": Decimal("5.9")},
        {"life": "removed"},
    ],
    ids=["side", "level", "diameter", "removed"],
)
def test_a_log_that_changes_has_it_worked_out_anew(imaged, changes):
    run = Runs()
    worker = ProposalWorker(imaged, run)
    assert worker.once(LATER)
    change_a_screw(imaged, **changes)
    assert [worker.once(LATER) for _ in range(2)] == [True, False]
    first, second = rows(imaged)
    assert (first.replaced_at, second.replaced_at) == (LATER, None)
    assert first.log_digest != second.log_digest
    # What the log says of who and how changes nothing that is measured.
    with imaged.writing(acting(imaged, None), LATER) as work:
        work.update(Screw, "correct a screw", 2, guidance="navigation")
        work.update(Case, "correct a case", 1, indication="fracture")
    assert not worker.once(LATER)


def test_a_failure_is_kept_in_one_line_and_tried_again_by_a_new_version_alone(imaged, monkeypatch):
    def refuse(scan):  # noqa: ARG001 - takes what the other takes
        raise BadInputError(Fault("no metal that could be a screw"))

    assert [ProposalWorker(imaged, refuse).once(LATER) for _ in range(2)] == [True, False]
    (kept,) = rows(imaged)
    assert (kept.document, kept.failure) == (None, "no metal that could be a screw")
    assert not ProposalWorker(imaged, Runs()).once(LATER)
    monkeypatch.setattr(queries, "VERSION", "next")
    monkeypatch.setattr(propose, "VERSION", "next")
    assert ProposalWorker(imaged, Runs()).once(LATER)
    assert [row.failure is None for row in rows(imaged)] == [False, True]


def test_what_ends_the_worker_three_times_is_given_up_in_words(imaged):
    def end(scan):
        raise SystemExit(scan.scan_id)

    for _ in range(3):
        with pytest.raises(SystemExit):
            ProposalWorker(imaged, end).once(LATER)
        assert rows(imaged) == []
    assert ProposalWorker(imaged, end).once(LATER)
    (kept,) = rows(imaged)
    assert kept.failure == "the program ended 3 times while it was at it"


def test_one_that_was_killed_at_it_is_begun_again_once_its_lease_is_over(imaged):
    with imaged.untracked() as session:
        until = LATER + timedelta(seconds=LEASE_SECONDS)
        assert queries.take_proposal(session, 1, "killed", LATER, until) == 1
    worker = ProposalWorker(imaged, Runs())
    assert [worker.once(LATER) for _ in range(2)] == [False, False]
    assert worker.once(until + timedelta(seconds=1))
    # Should the first come back to life, it keeps nothing.
    scan = worker._run.asked[0]
    propose.keep_proposal(imaged, "killed", scan, until, failure="late", worker="killed")
    assert [row.failure for row in rows(imaged)] == [None]


def test_two_workers_at_once_work_it_out_once(imaged):
    second = ProposalWorker(imaged, Runs())

    def run(scan):
        assert not second.once(LATER)
        return Runs()(scan)

    assert ProposalWorker(imaged, run).once(LATER)
    assert not second.once(LATER)
    assert len(rows(imaged)) == 1


def test_what_a_command_has_worked_out_meanwhile_stands(imaged):
    def run(scan):
        made = to_json(a_proposal(scan.logged))
        propose.keep_proposal(imaged, acting(imaged, None), scan, NOW, document=made)
        return made

    assert ProposalWorker(imaged, run).once(LATER)
    assert [(row.made_at, row.replaced_at) for row in rows(imaged)] == [(NOW, None)]
    assert rows(imaged, ProposalWork) == []


def test_who_was_told_to_stop_has_not_failed_at_it(imaged):
    def stop(scan):  # noqa: ARG001 - takes what the other takes
        raise StoppedError

    for _ in range(5):
        assert ProposalWorker(imaged, stop).once(LATER)
    assert rows(imaged) == []
    assert [work.tries for work in rows(imaged, ProposalWork)] == [0]


def test_what_was_worked_out_for_a_log_that_changed_meanwhile_is_not_kept(imaged):
    def run(scan):
        change_a_screw(imaged, level="L5")
        return to_json(a_proposal(scan.logged))

    worker = ProposalWorker(imaged, run)
    assert worker.once(LATER)
    assert rows(imaged) == []
    assert ProposalWorker(imaged, Runs()).once(LATER)
    assert [each.logged.level for each in from_json(rows(imaged)[0].document).screws] == [
        "L4",
        "L5",
    ]


WAYS = {
    "hangs": "not worked out within 2 seconds",
    "killed": "the program ended with status -9 while it was at it",
    "refuses": "no metal that could be a screw",
    "breaks": "the program failed at it; the log has the details",
}


@pytest.mark.parametrize(("way", "words"), WAYS.items(), ids=WAYS)
def test_a_process_that_goes_wrong_becomes_one_line(imaged, monkeypatch, way, words):
    monkeypatch.setenv("PROPOSING", way)
    run = partial(propose_apart, imaged.images.folder, module=CHILD, limit_seconds=2)
    if way != "hangs":
        run = partial(run, limit_seconds=60)
    assert ProposalWorker(imaged, run).once(LATER)
    assert [row.failure for row in rows(imaged)] == [words]


def test_a_process_of_its_own_proposes_on_the_image_that_is_held(imaged):
    with imaged.reading() as session:
        (scan,) = queries.scans_to_propose(session)
    found = propose_apart(imaged.images.folder, scan, module=CHILD)
    assert found == to_json(a_proposal(scan.logged, medial=2.44))
    with pytest.raises(StoppedError):
        propose_apart(imaged.images.folder, scan, module=CHILD, should_stop=lambda: True)
    with pytest.raises(FailureError, match="ended with status 1 "):
        propose_apart(imaged.images.folder, scan, module="tests.build.no_such_child")
