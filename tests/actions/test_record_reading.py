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
from registry.actions.desk_marks import Bone, Calliper, FrontMarks, Marks
from registry.actions.desk_pictures import section_depths
from registry.actions.desk_screw import Placing
from registry.actions.record_reading import record_reading
from registry.domain.access import Role
from registry.domain.consensus import ConsensusState
from registry.domain.directions import PEDICLE_WALLS, Direction, Side
from registry.domain.problems import BadInputError, ConflictError
from registry.domain.readings import Confidence, Method, NotAssessableReason, ReadingRole
from registry.measure.axes import ScrewAxis
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
RIGHT = Marks(placed(Side.RIGHT))
TWO_RINGS = Marks(
    placed(), {Bone.OUTLINE: dict(list(ring_marks(-4.0).bones[Bone.OUTLINE].items())[:2])}
)
A_LINE = Calliper(9.0, (1.0, 0.0), (3.25, 0.0))
MIDPLANE = ((0.0, -40.0, 0.0), (0.0, 20.0, 0.0))


def moved(entry_mm: float, tip_mm: float, side: Side = Side.LEFT) -> Marks:
    """Return the drawn screw of a side with its ends moved up."""
    (x, y, z), (tip_x, tip_y, tip_z) = placed(side).axis.entry_mm, placed(side).axis.tip_mm
    return Marks(Placing(ScrewAxis((x, y, z + entry_mm), (tip_x, tip_y, tip_z + tip_mm))))


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
        assert [event.verb for event in events[-5:]] == [
            "read a screw",
            "keep what a reading was made on",
            "draw a seed",
            "ask for a second reading",
            "work out consensus",
        ]
        assert {event.actor for event in events[-5:]} == {REGISTRAR.name}
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
    record_reading(ledger, reader, S1_LEFT, replace(BY_EYE, axis_confirmed=True), LATER)
    lumbar, sacral = readings(ledger)
    assert [extents(lumbar)[wall] for wall in PEDICLE_WALLS] == [Decimal("0.0")] * 4
    assert {wall for wall, value in extents(sacral).items() if value is not None} == {
        Direction.MEDIAL,
        Direction.CAUDAL,
    }
    assert (lumbar.method, lumbar.convergence_deg) == ("by eye", None)


def test_contained_by_eye_has_its_angle_where_the_midplane_is_set(ledger: Ledger, reader: Viewer):
    # The plane leans by atan(10 / 56.7128) = 10 degrees, towards the left behind.
    leaning = Placing(placed().axis, ((-5.0, -40.0, 0.0), (5.0, 16.7128, 0.0)))
    # The endplate rises by t = tan 5 degrees to the front: its sine is t / hypot(1, t / cos 10).
    leaning = replace(leaning, endplate_mm=((0.0, -30.0, 2.6247), (0.0, 0.0, 0.0)))
    record_reading(ledger, reader, L4_LEFT, replace(BY_EYE, marks=Marks(leaning)), LATER)
    (found,) = readings(ledger)
    assert found.convergence_deg == Decimal("-10.0")
    assert found.sagittal_deg == Decimal("-5.0")


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
        (replace(CONTOUR, marks=TWO_RINGS), ["contour: 2 sections marked; mark at least three"]),
        (Submission(Method.TYPED, confidence=Confidence.LOW), ["typed"]),
        (replace(CONTOUR, note="x" * 2001, seconds_spent=-1), ["note", "time spent"]),
        (
            replace(
                CONTOUR,
                marks=Marks(
                    placed(), {Bone.OUTLINE: {9.0: ring_marks(0).bones[Bone.OUTLINE][8.0][:4]}}
                ),
            ),
            ["section at 9.0 mm: 1 more mark makes", "contour: 0 sections marked"],
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
        sent = replace(BY_EYE, axis_confirmed=True)
        if following == L4_RIGHT:
            sent = replace(sent, marks=RIGHT)
        done = record_reading(ledger, reader, following, sent, LATER)
        following = done.following.assignment_id if done.following else None
    assert order == [L4_RIGHT, L4_LEFT, S1_LEFT, L3_LEFT]


def test_a_screw_of_the_other_side_is_not_taken_in_silence(ledger: Ledger, reader: Viewer):
    (told,) = lines_of(ledger, reader, replace(BY_EYE, marks=RIGHT))
    assert told == (
        "side: this looks like the patient's right side; the screw to be read is on the left; "
        "find the other screw, or tick that this is the one"
    )
    sent = replace(BY_EYE, marks=RIGHT, side_confirmed=True)
    record_reading(ledger, reader, L4_LEFT, sent, LATER)
    assert len(readings(ledger)) == 1


@pytest.mark.parametrize("is_confirmed", [False, True])
def test_an_entry_beyond_the_midplane_is_refused_whatever_is_ticked(
    ledger: Ledger, reader: Viewer, *, is_confirmed: bool
):
    marks = Marks(Placing(RIGHT.placing.axis, MIDPLANE))
    sent = replace(BY_EYE, marks=marks, side_confirmed=is_confirmed)
    (told,) = lines_of(ledger, reader, sent)
    assert told.startswith("side: the entry lies on the patient's right of the midplane; ")


def test_a_screw_that_was_read_under_another_level_is_refused_and_nothing_of_it_told(
    ledger: Ledger, reader: Viewer
):
    record_reading(ledger, reader, L4_LEFT, CONTOUR, LATER)
    lena = viewer(ledger, QUALITY_LEAD)
    near = replace(BY_EYE, marks=moved(2.9, 2.9))
    with pytest.raises(BadInputError) as told:
        record_reading(ledger, lena, S1_LEFT, near, LATER)
    (line,) = told.value.lines()
    assert line == (
        "screw axis: this screw was read already under another level or side; "
        "look at the level again"
    )
    assert len(readings(ledger)) == 1
    record_reading(ledger, lena, S1_LEFT, replace(near, axis_confirmed=True), LATER)
    assert len(readings(ledger)) == 2


@pytest.mark.parametrize(("entry_mm", "tip_mm"), [(3.1, 0.0), (0.0, 3.1)])
def test_a_neighbour_with_one_end_elsewhere_is_another_screw(
    ledger: Ledger, reader: Viewer, entry_mm: float, tip_mm: float
):
    record_reading(ledger, reader, L4_LEFT, CONTOUR, LATER)
    marks = moved(entry_mm, tip_mm)
    shown = Shown(section_depths(marks.placing.axis.length_mm), frozenset({"medial"}))
    sent = replace(BY_EYE, marks=marks, shown=shown)
    assert record_reading(ledger, reader, S1_LEFT, sent, LATER).grade == "A"


def test_a_reading_that_used_no_axis_stands_in_no_other_ones_way(ledger: Ledger, reader: Viewer):
    marks = Marks(placed())
    typed = TypedExtents({Direction.MEDIAL: Decimal("0.0")})
    sent = Submission(Method.TYPED, marks, typed, confidence=Confidence.HIGH)
    record_reading(ledger, reader, L4_LEFT, sent, LATER)
    unread = Submission(
        None, Marks(placed(Side.RIGHT)), not_assessable=NotAssessableReason.ARTEFACT
    )
    record_reading(ledger, reader, L4_RIGHT, unread, LATER)
    assert record_reading(ledger, reader, S1_LEFT, BY_EYE, LATER).grade == "A"


@pytest.mark.parametrize(
    "marks",
    [
        ring_marks(-4.0),
        Marks(placed(), callipers=(A_LINE,)),
        Marks(placed(), front=FrontMarks("medial", ((38.0, 0.0),))),
    ],
)
def test_an_answer_that_its_own_marks_contradict_is_refused(
    ledger: Ledger, reader: Viewer, marks: Marks
):
    for sent in (
        BY_EYE,
        Submission(
            Method.TYPED,
            typed=TypedExtents({Direction.MEDIAL: Decimal("0.0")}),
            confidence=Confidence.HIGH,
        ),
        Submission(None, not_assessable=NotAssessableReason.ARTEFACT),
    ):
        assert lines_of(ledger, reader, replace(sent, marks=marks)) == [
            "marks: marks stand on this screw; remove them, or read by the contour or the calliper"
        ]


@pytest.mark.parametrize(
    ("assignment", "sent", "words"),
    [
        (L4_LEFT, BY_EYE, "L4 left: contained, grade A"),
        (L4_RIGHT, replace(BY_EYE, marks=RIGHT), "L4 right: contained, grade A"),
        (L4_LEFT, CONTOUR, "L4 left: medial 2.3 mm, grade C"),
        (
            L4_LEFT,
            Submission(
                Method.TYPED,
                typed=TypedExtents(
                    {
                        Direction.MEDIAL: Decimal("1.2"),
                        Direction.LATERAL: Decimal("0.0"),
                        Direction.CRANIAL: Decimal("0.0"),
                    }
                ),
                confidence=Confidence.LOW,
            ),
            "L4 left: partly read: medial 1.2 mm, caudal missing, no grade",
        ),
        (
            S1_LEFT,
            Submission(None, not_assessable=NotAssessableReason.ARTEFACT),
            "S1 left: not assessable: artefact",
        ),
    ],
)
def test_what_was_saved_is_told_to_its_reader_in_words(
    ledger: Ledger, reader: Viewer, assignment: int, sent: Submission, words: str
):
    assert record_reading(ledger, reader, assignment, sent, LATER).words == words
