"""Second readings are drawn from a recorded seed; consensus follows what is owed."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.assign import assign_second_reading
from registry.actions.check_ledger import check_ledger
from registry.actions.settle import settle
from registry.domain.consensus import ConsensusState
from registry.domain.directions import Direction
from registry.domain.second_reading import is_drawn
from registry.store.models.readings import Assignment, ConsensusRow, Draw
from tests.build.loaded import LOG_ROWS, NOW, READING_ROWS, load_reading_rows, load_rows


@pytest.fixture
def read(ledger):
    load_rows(ledger, *LOG_ROWS)
    load_reading_rows(ledger, *READING_ROWS)
    return ledger


def ask(ledger, screw_id=6, scan_id=1, settings=None, **more):
    given = {
        "operated_on": date(2026, 2, 3),
        "extents_mm": {Direction.LATERAL: Decimal("1.0")},
        "is_near_cut_off": False,
        "is_low_confidence": False,
    } | more
    settings = settings or ledger.settings
    with ledger.writing(acting(ledger, None), NOW) as work:
        asked = assign_second_reading(work, settings, screw_id=screw_id, scan_id=scan_id, **given)
        settle(work, settings, [screw_id])
    return asked


def rows(ledger, *columns):
    with ledger.reading() as session:
        return [tuple(row) for row in session.execute(select(*columns))]


def test_a_reading_that_is_owed_makes_the_first_provisional(read):
    assert ask(read, is_near_cut_off=True)
    state = (ConsensusRow.state, ConsensusRow.is_provisional, ConsensusRow.version)
    with read.reading() as session:
        found = session.execute(select(*state).where(ConsensusRow.screw_id == 6)).one()
    assert tuple(found) == (ConsensusState.AWAITING_SECOND, True, 2)
    assert check_ledger(read, acting(read, None)) == []


def test_a_quarter_has_one_seed_and_keeps_its_share(read):
    every = replace(read.settings, second_share=Decimal(1))
    none = replace(read.settings, second_share=Decimal(0))
    assert ask(read, settings=every)
    # By now the setting says none, but this quarter was drawn with all.
    assert ask(read, screw_id=7, scan_id=2, settings=none)
    assert not ask(read, screw_id=9, scan_id=3, settings=none, operated_on=date(2026, 4, 1))
    found = rows(read, Draw.period, Draw.share_percent)
    assert found == [("2026Q1", Decimal("100.0")), ("2026Q2", Decimal("0.0"))]
    assert rows(read, Assignment.reason, Assignment.draw_id) == [("drawn at random", 1)] * 2
    assert check_ledger(read, acting(read, None)) == []


def test_the_draw_can_be_made_again_from_what_is_recorded(read):
    half = replace(read.settings, second_share=Decimal("0.5"))
    asked = {screw: ask(read, screw, 1, settings=half) for screw in (1, 2, 3, 4, 6, 7, 8, 9)}
    ((seed, share),) = rows(read, Draw.seed, Draw.share_percent)
    assert asked == {screw: is_drawn(seed, screw, share / 100) for screw in asked}


def test_a_reason_that_is_no_draw_names_no_draw(read):
    assert ask(read, extents_mm={Direction.MEDIAL: Decimal("2.0")})
    assert rows(read, Assignment.reason, Assignment.draw_id) == [("2 mm or more", None)]


@pytest.mark.parametrize("share", ["0.1", "0.125", "0", "1"])
def test_every_share_that_can_be_set_can_be_recorded(place, share):
    (place.home / "config.toml").write_text(f"second_share = {share}\n", encoding="utf-8")
    ledger = place.open()
    load_rows(ledger, *LOG_ROWS)
    load_reading_rows(ledger, *READING_ROWS)
    ask(ledger)
    assert rows(ledger, Draw.share_percent) == [(Decimal(share) * 100,)]
    ledger.close()


def test_a_share_that_could_not_be_recorded_is_refused(place):
    (place.home / "config.toml").write_text("second_share = 0.1234\n", encoding="utf-8")
    answer = place.command("verify")
    assert (answer.status, answer.out) == (2, "")
    assert answer.err.startswith("config.toml: second_share cannot be 0.1234; give a number")


def test_settling_again_changes_nothing(read):
    with read.writing(acting(read, None), NOW) as work:
        settle(work, read.settings, range(1, 10))
        assert work._events == []
