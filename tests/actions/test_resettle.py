"""A changed rule works every consensus out again, once, with its reason; it rights nothing else."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.resettle import resettle
from registry.domain.consensus import ConsensusState
from registry.store.models.readings import Assignment, ConsensusRow
from registry.store.models.trail import EventRow
from tests.build.loaded import LOG_ROWS, NOW, load_reading_rows, load_rows

PAIR = (
    {"case_ref": "OP-2", "level": "L3", "medial_mm": "0.0"},
    {"case_ref": "OP-2", "level": "L3", "medial_mm": "1.5", "reader": "Lena Lead",
     "role": "second"},
    {"case_ref": "OP-2", "level": "L3", "side": "R", "lateral_mm": "1.0"},
)  # fmt: skip


@pytest.fixture
def read(ledger):
    load_rows(ledger, *LOG_ROWS)
    load_reading_rows(ledger, *PAIR)
    return ledger


def states(ledger):
    with ledger.reading() as session:
        query = select(ConsensusRow.state).order_by(ConsensusRow.screw_id)
        return list(session.execute(query).scalars())


def wrong(ledger):
    return [found.line() for found in check_ledger(ledger, acting(ledger, None))]


def configured(place, words):
    (place.home / "config.toml").write_text(words, encoding="utf-8")
    return place.open()


def test_nothing_is_written_while_the_rule_is_the_same(read):
    with read.reading() as session:
        before = session.execute(select(EventRow.sequence)).all()
    assert resettle(read, NOW) == 0
    with read.reading() as session:
        assert session.execute(select(EventRow.sequence)).all() == before


@pytest.mark.usefixtures("read")
def test_another_tolerance_settles_every_screw_anew_and_says_why(place):
    ledger = configured(place, "tolerance_mm = 1.5\n")
    assert states(ledger) == [ConsensusState.AWAITING_ADJUDICATION, ConsensusState.SINGLE]
    # As a loaded table would, before anybody has served: the settings are in the trail already.
    load_rows(ledger, {"case_ref": "NEW", "patient_ref": "HN"})
    assert len(wrong(ledger)) == 2
    assert resettle(ledger, NOW) == 2
    assert states(ledger) == [ConsensusState.AGREED, ConsensusState.SINGLE]
    assert wrong(ledger) == []
    with ledger.reading() as session:
        (closed,) = session.execute(select(Assignment.closed_reason)).scalars()
        reasons = session.execute(
            select(EventRow.reason).where(EventRow.verb == "work out consensus again")
        ).scalars()
        told = "scale Gertzbein-Robbins, two greatest extents at most 1.5 mm apart on the same side"
        assert set(reasons) == {f"rule 2: {told} of 2 mm"}
    assert closed == "the two readings agree now"
    ledger.close()


@pytest.mark.usefixtures("read")
@pytest.mark.parametrize("words", ["headline_mm = 0.9\n", 'scale = "laine"\n'])
def test_upgrade_settles_what_another_setting_settled(place, words):
    configured(place, words).close()
    assert place.command("verify").status == 1
    answer = place.command("upgrade")
    assert "consensus worked out again by the present rule: 2" in answer.out
    assert place.command("verify").status == 0
    assert "worked out again" not in place.command("upgrade").out


def test_a_row_that_somebody_else_changed_is_not_put_right_unseen(read, place):
    with place.raw() as connection:
        connection.exec_driver_sql("UPDATE consensus SET medial_mm = 1 WHERE id = 1")
    assert resettle(read, NOW) == 0
    assert wrong(read) == [
        "consensus:1: differs from its last event in medial_mm",
        "consensus:1: is not what its readings come to",
    ]
