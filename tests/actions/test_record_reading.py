"""A reading is worked out on the server, saved whole with what follows from it, or not at all."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from registry.actions.check_ledger import check_ledger
from registry.actions.desk_answer import Shown, Submission, TypedExtents, unseen
from registry.actions.desk_marks import Bone, Marks
from registry.actions.desk_pictures import section_depths
from registry.actions.record_reading import record_reading
from registry.domain.access import Role
from registry.domain.consensus import ConsensusState
from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.problems import BadInputError, ConflictError
from registry.domain.readings import Confidence, Method, NotAssessableReason, ReadingRole
from registry.store.home import open_ledger
from registry.store.models.readings import Assignment, ConsensusRow, Reading
from registry.store.models.trail import EventRow
from tests.build.desk import (
    L3_LEFT,
    L4_LEFT,
    L4_RIGHT,
    LENGTH_MM,
    S1_LEFT,
    a_desk_ledger,
    matched_by,
    placed,
    ring_marks,
)
from tests.build.ledgers import (
    NOW,
    QUALITY_LEAD,
    REGISTRAR,
    SURGEONS,
    KnownAccount,
    an_account,
    local_operator,
    viewer,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from registry.domain.access import Viewer
    from registry.store.home import Ledger

LATER = NOW + timedelta(hours=2)
IS_SECOND = select(Assignment).where(Assignment.role == ReadingRole.SECOND)
EVERY_SECTION = Shown(section_depths(LENGTH_MM), frozenset({"medial"}))
CONTOUR = Submission(Method.CONTOUR, ring_marks(-4.0), confidence=Confidence.HIGH)
BY_EYE = Submission(Method.BY_EYE, Marks(placed()), shown=EVERY_SECTION, confidence=Confidence.HIGH)


@pytest.fixture(scope="module")
def made_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("desk") / "ledger"
    a_desk_ledger(home).close()
    return home


@pytest.fixture
def ledger(made_home: Path, tmp_path: Path) -> Iterator[Ledger]:
    shutil.copytree(made_home, tmp_path / "ledger")
    opened = open_ledger(tmp_path / "ledger", {})
    yield opened
    opened.close()


@pytest.fixture
def reader(ledger: Ledger) -> Viewer:
    return viewer(ledger, REGISTRAR)


def readings(ledger: Ledger) -> list[Reading]:
    with ledger.reading() as session:
        found = list(session.execute(select(Reading).order_by(Reading.id)).scalars())
        session.expunge_all()
    return found


def extents(reading: Reading) -> dict[Direction, Decimal | None]:
    return {wall: getattr(reading, f"{wall}_mm") for wall in Direction}


def lines_of(ledger: Ledger, reader: Viewer, submission: Submission) -> list[str]:
    with pytest.raises(BadInputError) as told:
        record_reading(ledger, reader, L4_LEFT, submission, LATER)
    assert readings(ledger) == []
    return told.value.lines()


def test_a_contour_is_saved_with_its_extents_uncertainties_and_marks(
    ledger: Ledger, reader: Viewer
):
    sent = replace(CONTOUR, note="  cortex thin ", seconds_spent=75, window_hu=(-450, 1050))
    done = record_reading(ledger, reader, L4_LEFT, sent, LATER)
    (kept,) = readings(ledger)
    assert done.grade == "C"
    assert extents(kept) == {
        **dict.fromkeys(Direction, None),
        **dict.fromkeys(PEDICLE_WALLS, Decimal("0.0")),
        Direction.MEDIAL: Decimal("2.3"),
    }
    assert kept.medial_sd_mm is not None
    assert kept.medial_sd_mm >= Decimal("0.1")
    assert kept.anterior_sd_mm is None
    assert kept.bearing_deg in {Decimal("0.0"), Decimal("359.9"), Decimal("0.1")}
    assert (kept.method, kept.role, kept.confidence) == ("contour", "first", "high")
    assert (kept.reader_id, kept.recorded_by_id) == (reader.person_id, reader.account_id)
    assert (kept.note, kept.seconds_spent, kept.is_blind) == ("cortex thin", 75, True)
    assert (kept.read_on, kept.recorded_at) == (LATER.date(), LATER)
    marks = json.loads(kept.marks or "")
    assert marks["window_hu"] == [-450, 1050]
    assert len(marks["marks"]["bones"]["outline"]) == 3


def test_the_consensus_and_the_second_reading_follow_in_the_same_transaction(
    ledger: Ledger, reader: Viewer
):
    record_reading(ledger, reader, L4_LEFT, CONTOUR, LATER)
    with ledger.reading() as session:
        row = session.execute(select(ConsensusRow)).scalar_one()
        assert row.state == ConsensusState.AWAITING_SECOND
        assert (row.medial_mm, row.is_provisional) == (Decimal("2.3"), True)
        second = session.execute(IS_SECOND).scalar_one()
        assert second.reason in {"2 mm or more", "near a cut-off"}
        events = session.execute(select(EventRow).order_by(EventRow.sequence)).scalars().all()
        assert [event.verb for event in events[-4:]] == [
            "read a screw",
            "draw a seed",
            "ask for a second reading",
            "work out consensus",
        ]
        assert {event.actor for event in events[-4:]} == {REGISTRAR.name}
    assert check_ledger(ledger, local_operator(ledger)) == []


def test_the_second_reader_is_another_person(ledger: Ledger, reader: Viewer):
    record_reading(ledger, reader, L4_LEFT, CONTOUR, LATER)
    with ledger.reading() as session:
        second = session.execute(IS_SECOND).scalar_one().id
    with pytest.raises(ConflictError):
        record_reading(ledger, reader, second, CONTOUR, LATER)
    record_reading(ledger, viewer(ledger, QUALITY_LEAD), second, CONTOUR, LATER)
    with ledger.reading() as session:
        row = session.execute(select(ConsensusRow)).scalar_one()
        assert (row.state, row.is_provisional) == (ConsensusState.AGREED, False)


def test_contained_by_eye_is_nought_in_every_wall_that_the_level_needs(
    ledger: Ledger, reader: Viewer
):
    record_reading(ledger, reader, L4_LEFT, BY_EYE, LATER)
    record_reading(ledger, reader, S1_LEFT, BY_EYE, LATER)
    lumbar, sacral = readings(ledger)
    assert [extents(lumbar)[wall] for wall in PEDICLE_WALLS] == [Decimal("0.0")] * 4
    assert {wall for wall, value in extents(sacral).items() if value is not None} == {
        Direction.MEDIAL,
        Direction.CAUDAL,
    }
    assert lumbar.method == "by eye"


@pytest.mark.parametrize(
    ("depths", "planes", "told"),
    [
        (section_depths(40.0), {"medial"}, []),
        (section_depths(40.0), {"cranial"}, []),
        (section_depths(40.0), set(), ["plane along"]),
        (section_depths(40.0)[1:], {"medial"}, ["0 to 1 mm"]),
        (section_depths(40.0)[:-1], {"medial"}, ["39 to 40 mm"]),
        ([d for d in section_depths(40.0) if d not in {12.0, 30.0}], {"medial"}, ["11 to 13"]),
        ((), set(), ["0 to 40 mm", "plane along"]),
        ((-5.0, 0.0, 20.0, 40.0, 70.0), {"medial"}, ["0 to 20 mm, 20 to 40 mm"]),
    ],
)
def test_every_section_and_another_plane_must_have_been_on_screen(
    depths: tuple[float, ...], planes: set[str], told: list[str]
):
    found = [fault.line() for fault in unseen(40.0, Shown(tuple(depths), frozenset(planes)))]
    assert len(found) == len(told)
    assert all(words in line for words, line in zip(told, found, strict=True))


def test_a_screw_is_not_contained_by_eye_before_it_was_looked_through(
    ledger: Ledger, reader: Viewer
):
    shown = Shown(section_depths(LENGTH_MM)[:20], frozenset())
    told = lines_of(ledger, reader, replace(BY_EYE, shown=shown))
    assert len(told) == 2


def test_typed_extents_are_kept_as_typed_and_the_rest_stays_empty(ledger: Ledger, reader: Viewer):
    typed = TypedExtents(
        {Direction.MEDIAL: Decimal("0.1"), Direction.ANTERIOR: Decimal("3.0")}, Decimal("0.5")
    )
    sent = Submission(Method.TYPED, typed=typed, confidence=Confidence.MODERATE)
    done = record_reading(ledger, reader, L4_LEFT, sent, LATER)
    (kept,) = readings(ledger)
    assert {wall: value for wall, value in extents(kept).items() if value is not None} == {
        Direction.MEDIAL: Decimal("0.1"),
        Direction.ANTERIOR: Decimal("3.0"),
    }
    assert (kept.medial_sd_mm, kept.lateral_sd_mm) == (Decimal("0.5"), None)
    assert done.grade is None


def test_not_assessable_is_an_answer_with_its_reason(ledger: Ledger, reader: Viewer):
    sent = Submission(None, not_assessable=NotAssessableReason.ARTEFACT)
    record_reading(ledger, reader, L4_LEFT, sent, LATER)
    (kept,) = readings(ledger)
    assert (kept.is_assessable, kept.not_assessable_reason) == (False, "artefact")
    assert set(extents(kept).values()) == {None}
    with ledger.reading() as session:
        assert not session.execute(select(ConsensusRow.is_assessable)).scalar_one()


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        (Submission(None), ["way"]),
        (replace(CONTOUR, way=None), ["way"]),
        (replace(CONTOUR, not_assessable=NotAssessableReason.ARTEFACT), ["way"]),
        (replace(CONTOUR, marks=None, confidence=None), ["confidence", "screw axis"]),
        (replace(CONTOUR, marks=Marks(placed())), ["marks"]),
        (Submission(Method.TYPED, confidence=Confidence.LOW), ["typed"]),
        (replace(CONTOUR, note="x" * 2001, seconds_spent=-1), ["note", "time spent"]),
        (
            replace(
                CONTOUR,
                marks=Marks(
                    placed(), {Bone.OUTLINE: {9.0: ring_marks(0).bones[Bone.OUTLINE][8.0][:4]}}
                ),
            ),
            ["section at 9.0 mm"],
        ),
    ],
)
def test_everything_that_is_missing_or_wrong_is_told_and_nothing_is_saved(
    ledger: Ledger, reader: Viewer, sent: Submission, words: list[str]
):
    told = lines_of(ledger, reader, sent)
    assert len(told) == len(words)
    assert all(line.startswith(word) for word, line in zip(words, told, strict=True))


def test_who_comes_second_to_the_same_reading_is_told_and_changes_nothing(
    ledger: Ledger, reader: Viewer
):
    record_reading(ledger, reader, L4_LEFT, CONTOUR, LATER)
    lena = viewer(ledger, QUALITY_LEAD)
    for again in (reader, lena):
        with pytest.raises(ConflictError, match="made meanwhile; nothing was saved"):
            record_reading(ledger, again, L4_LEFT, BY_EYE, LATER)
    assert len(readings(ledger)) == 1


def test_nobody_records_a_reading_of_their_own_case(ledger: Ledger):
    bodo = KnownAccount("bodo", frozenset({Role.REGISTRAR}), SURGEONS[1])
    an_account(ledger, bodo)
    with pytest.raises(ConflictError):
        record_reading(ledger, viewer(ledger, bodo), L3_LEFT, CONTOUR, LATER)
    assert readings(ledger) == []


def test_a_reading_by_who_matched_the_scan_is_marked_not_blind(ledger: Ledger, reader: Viewer):
    matched_by(ledger, reader.account_id)
    record_reading(ledger, reader, L4_LEFT, BY_EYE, LATER)
    assert [kept.is_blind for kept in readings(ledger)] == [False]


def test_the_next_screw_is_of_the_same_scan_until_it_is_done(ledger: Ledger, reader: Viewer):
    order = []
    following: int | None = L4_RIGHT
    while following is not None:
        order.append(following)
        done = record_reading(ledger, reader, following, BY_EYE, LATER)
        following = done.following.assignment_id if done.following else None
    assert order == [L4_RIGHT, L4_LEFT, S1_LEFT, L3_LEFT]
