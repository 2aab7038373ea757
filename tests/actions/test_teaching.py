"""Practice comes first where the unit says so; what is mixed in looks like any other screw."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from datetime import timedelta
from decimal import Decimal

import pytest
from sqlalchemy import func, select

from registry.actions.check_ledger import check_ledger
from registry.actions.desk_answer import Submission, TypedExtents
from registry.actions.desk_marks import Marks
from registry.actions.desk_screw import OpenedScrew, Placing
from registry.actions.evidence import reopened
from registry.actions.evidence_document import Seen, document_of
from registry.actions.evidence_drawing import SECTION_SIZE, along_panel
from registry.actions.homes import to_read
from registry.actions.known_truth import known_truth, missed_words, own_practice, practised
from registry.actions.read_again import my_readings
from registry.actions.record_reading import record_reading
from registry.actions.teaching import begin_practice, make_teaching_set, mix_in
from registry.actions.worklist import blind_screw, worklist
from registry.domain.directions import PEDICLE_WALLS, Direction, Side
from registry.domain.disclosure import quarter_end
from registry.domain.known_truth import Purpose
from registry.domain.levels import level
from registry.domain.problems import ConflictError, NotAllowedError, NotFoundError
from registry.domain.readings import Confidence, Method
from registry.measure.axes import ScrewAxis
from registry.store.home import Ledger, open_ledger
from registry.store.models.findings import Finding
from registry.store.models.readings import Assignment, ConsensusRow, Draw
from registry.store.queries.trail import TrailAsked, trail_line, trail_lines
from tests.build.desk import L4_LEFT, a_desk_ledger
from tests.build.drawn import CONTAINED, MEDIAL, SLIGHT, a_drawing
from tests.build.ledgers import NOW, QUALITY_LEAD, REGISTRAR, SURGEON, local_operator, viewer

LATER = NOW + timedelta(days=1, hours=2)
TODAY, NEXT_QUARTER = LATER.date(), quarter_end(LATER.date()) + timedelta(days=1)


@pytest.fixture
def ledger(tmp_path):
    made = a_desk_ledger(tmp_path / "home")
    drawings = [
        (Purpose.PRACTICE, a_drawing(2, MEDIAL, SLIGHT)),
        (Purpose.MIXED, a_drawing(3, MEDIAL, CONTAINED, CONTAINED)),
        (Purpose.MIXED, a_drawing(5, {"caudal": 2.5}, MEDIAL)),
    ]
    assert make_teaching_set(made, local_operator(made), drawings, NOW) == (3, 0)
    assert make_teaching_set(made, local_operator(made), drawings, NOW) == (0, 3)
    yield made
    made.close()


def by(ledger, **settings) -> Ledger:
    return replace(ledger, settings=replace(ledger.settings, **settings))


def typed(**out):
    walls = {wall: Decimal(out.get(wall.value, "0.0")) for wall in PEDICLE_WALLS}
    return Submission(Method.TYPED, typed=TypedExtents(walls), confidence=Confidence.HIGH)


def read(ledger, who, assignment, now=LATER, **out):
    return record_reading(ledger, who, assignment, typed(**out), now)


def test_a_new_reader_is_offered_practice_alone_until_it_is_done(ledger):
    rita, first = viewer(ledger, REGISTRAR), by(ledger, practice_screws=2)
    assert worklist(first, rita, LATER) == []
    assert begin_practice(first, rita, NOW) == 2
    with pytest.raises(ConflictError, match="to be read yet"):
        begin_practice(first, rita, NOW)
    one, other = worklist(first, rita, LATER)
    assert (one.is_practice, other.is_practice) == (True, True)
    assert to_read(first, rita, LATER).owed == 2
    with pytest.raises(NotFoundError, match="practice screws come before"):
        blind_screw(first, rita, L4_LEFT, LATER)
    done = read(first, rita, one.assignment_id, medial="3.0")
    assert (done.is_practice, done.following.assignment_id) == (True, other.assignment_id)
    assert len(worklist(first, rita, LATER)) == 1
    read(first, rita, other.assignment_id)
    assert not any(screw.is_practice for screw in worklist(first, rita, LATER))
    assert blind_screw(first, rita, L4_LEFT, LATER).assignment_id == L4_LEFT
    with pytest.raises(ConflictError, match="no drawn scan is left"):
        begin_practice(first, rita, NOW)
    # Who has read for the audit already is not new, whatever the unit asks for later.
    read(first, rita, L4_LEFT)
    assert len(worklist(by(ledger, practice_screws=99), rita, LATER)) == 3


def test_practice_shows_the_truth_beside_each_reading_and_what_they_come_to(ledger):
    rita = viewer(ledger, REGISTRAR)
    begin_practice(ledger, rita, NOW)
    breached, slight = worklist(ledger, rita, LATER, in_practice=True)
    saved = read(ledger, rita, breached.assignment_id, medial="1.9")
    read(ledger, rita, slight.assignment_id, lateral="1.0")
    beside = practised(ledger, rita, saved.reading_id)
    assert beside.truth_mm[Direction.MEDIAL] == Decimal("3.4")
    assert beside.judged.is_missed
    result = own_practice(ledger, rita, TODAY).result
    assert (result.missed.count, result.missed.of, result.called_contained.count) == (1, 1, 0)
    # 1.9 for 3.4 and 0 for 0; 1.0 for 0.7 and 0 for 0.
    medial, lateral, *_ = result.walls
    assert medial.bias.value == pytest.approx(-0.75)
    assert lateral.bias.value == pytest.approx(0.15)
    assert (result.exact.count, result.exact.of) == (1, 2)
    with pytest.raises(NotFoundError):
        practised(ledger, viewer(ledger, SURGEON), saved.reading_id)
    # It is none of the unit's: nothing follows from it.
    with ledger.reading() as session:
        for model in (ConsensusRow, Draw):
            assert session.execute(select(func.count()).select_from(model)).scalar_one() == 0
    assert check_ledger(ledger, local_operator(ledger)) == []


def test_the_words_stand_clear_of_the_picture_of_a_short_screw(ledger):
    begin_practice(ledger, rita := viewer(ledger, REGISTRAR), NOW)
    first, _ = worklist(ledger, rita, LATER, in_practice=True)
    screw = OpenedScrew(level("T5"), Side.LEFT, 4.5, ledger.images.open(first.image_digest))
    marks = Marks(Placing(ScrewAxis((0.0, 0.0, 0.0), (0.0, -22.0, 0.0))))
    seen = Seen(None, frozenset(), "as it was drawn", "contained")
    document = document_of(screw, marks, None, seen)
    _, high = along_panel(screw.image, marks, document, document.across).size
    # A heading and five lines stand above it, in as much as a section is high.
    assert high <= SECTION_SIZE[1] - 6 * 20


def mixed_ledger(ledger, **settings):
    shared = by(ledger, known_truth_share=Decimal("0.2"), **settings)
    mixed = mix_in(shared, LATER)
    # A fifth: 20 of the unit's own ahead bring 5, of which the two scans have four to offer.
    assert mixed.given == 4 * mixed.lacking > 0
    return shared


def drawn_of(ledger, rita):
    """Return the offered screws that are drawn and those that are the unit's own."""
    with ledger.reading() as session:
        own = set(session.execute(select(Assignment.id)).scalars())
    offered = worklist(ledger, rita, LATER)
    drawn = [screw for screw in offered if screw.assignment_id not in own]
    return drawn, [screw for screw in offered if screw.assignment_id in own]


def test_drawn_screws_are_mixed_in_by_the_unit_s_share_and_once_a_day(ledger):
    rita, lead = viewer(ledger, REGISTRAR), viewer(ledger, QUALITY_LEAD)
    assert mix_in(ledger, LATER).given == 0
    shared = mixed_ledger(ledger)
    drawn, own = drawn_of(shared, rita)
    assert (len(drawn), len(own)) == (4, 4)
    assert mix_in(shared, LATER).given == 0
    # Who sees the known truth is given none.
    assert drawn_of(shared, lead)[0] == []
    # Nor a reader who is still to practise.
    assert mix_in(by(shared, practice_screws=1), LATER + timedelta(days=1)).given == 0


def test_nothing_that_a_reader_is_told_tells_a_drawn_screw_from_another(ledger):
    rita = viewer(ledger, REGISTRAR)
    shared = mixed_ledger(
        ledger, policy_words="Tell somebody.", policy_mm=((Direction.MEDIAL, Decimal(9)),)
    )
    drawn, own = drawn_of(shared, rita)
    # What differs by chance alone: which screw, of which scan.
    chance = {"assignment_id", "level", "side", "number", "image_digest", "waiting_days"}
    told = {
        tuple(getattr(screw, f.name) for f in fields(screw) if f.name not in chance)
        for screw in (*drawn, *own)
    }
    assert len(told) == 1
    saved = [read(shared, rita, each.assignment_id, medial="9.5") for each in (drawn[0], own[0])]
    # Both meet the unit's policy, and both are asked about; one is no finding to anybody else.
    assert all(each.finding_id is not None and not each.is_practice for each in saved)
    with shared.reading() as session:
        assert session.execute(select(func.count()).select_from(Finding)).scalar_one() == 1
    lines = [
        replace(each, reading_id=0, level="", side="", number=0, saved_at=NOW)
        for each in my_readings(shared, rita)
    ]
    assert lines[0] == lines[1]
    # Each opens again to its reader, and the drawn one to no other reader.
    for each in saved:
        assert reopened(shared, rita, each.reading_id).reading.method == Method.TYPED
    with pytest.raises(NotFoundError):
        reopened(shared, viewer(shared, SURGEON), saved[0].reading_id)
    # Of the unit's own more follows than of drawn ones, which a gap in the numbers would tell.
    with shared.reading() as session:
        trail, total = trail_lines(session, rita, TrailAsked(), 0, 100)
        numbers = [line.number for line in trail]
        assert numbers == list(range(total, 0, -1))
        for line in trail:
            assert trail_line(session, rita, line.number).record == line.record
        with pytest.raises(NotFoundError):
            trail_line(session, rita, total + 1)
    assert {line.record.partition(":")[0] for line in trail} >= {"reading"}
    own = own_practice(shared, rita, TODAY)
    assert (own.readings, own.mixed) == ([], None)
    assert check_ledger(shared, local_operator(shared)) == []


def test_the_lead_sees_who_missed_what_and_the_reader_sums_once_there_are_enough(
    ledger, monkeypatch
):
    rita, lead = viewer(ledger, REGISTRAR), viewer(ledger, QUALITY_LEAD)
    shared = mixed_ledger(ledger)
    for number, screw in enumerate(drawn_of(shared, rita)[0]):
        read(shared, rita, screw.assignment_id, medial="3.0" if number else "0.0")
    found = known_truth(shared, lead, Purpose.MIXED)
    (only,) = found.readers
    assert (only.name, only.read, only.missed.of) == ("Rita Reader", 4, 3)
    assert only.missed.share.low <= only.missed.share.value <= only.missed.share.high
    assert missed_words(only).startswith("Of 3 drawn screws that stand 2 mm or more outside, ")
    json.dumps(only.as_json())
    with pytest.raises(NotAllowedError):
        known_truth(shared, rita, Purpose.MIXED)
    assert own_practice(shared, rita, NEXT_QUARTER).mixed is None
    monkeypatch.setattr("registry.actions.known_truth.LEAST_TOLD", 3)
    assert own_practice(shared, rita, NEXT_QUARTER).mixed.missed == only.missed
    # Sums that grew with a saving would tell that the screw just saved was drawn.
    assert own_practice(shared, rita, TODAY).mixed is None


def test_a_drawn_screw_that_meets_the_unit_s_policy_is_given_to_nobody(ledger):
    strict = by(
        ledger,
        known_truth_share=Decimal("0.2"),
        policy_words="Tell somebody.",
        policy_mm=((Direction.MEDIAL, Decimal(3)),),
    )
    assert mix_in(strict, LATER).given == 0


def test_a_reopened_ledger_knows_the_same(ledger, tmp_path):
    rita = viewer(ledger, REGISTRAR)
    begin_practice(ledger, rita, NOW)
    opened = open_ledger(tmp_path / "home", {"PEDICLE_LEDGER_PRACTICE_SCREWS": "2"})
    assert own_practice(opened, rita, TODAY).state.is_needed
    opened.close()
