"""What a reading was made on is kept with it, and the same reading opens again to the pixel."""

from __future__ import annotations

import io
import json
import shutil
from contextlib import suppress
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image
from sqlalchemy import select, update

from registry.actions import evidence
from registry.actions.check_ledger import check_ledger
from registry.actions.desk_answer import Submission
from registry.actions.desk_marks import FrontMarks, Marks, read_marks
from registry.actions.desk_pictures import (
    SECTION_HALF_WIDTH_MM,
    SECTION_SPACING_MM,
    section_pictures,
)
from registry.actions.evidence_document import read_document
from registry.actions.evidence_drawing import (
    PICTURE_SIZE,
    SECTION_SIZE,
    evidence_picture,
    section_values,
)
from registry.actions.withdraw import WhoWithdraws, withdraw
from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.problems import BadInputError, FailureError, NotFoundError
from registry.domain.readings import Confidence, Method
from registry.measure.sections import SectionGrid, section_to_pixel
from registry.store.home import open_ledger
from registry.store.models.evidence import Evidence
from registry.store.models.readings import Reading
from registry.store.models.scans import HeldImage
from registry.store.models.trail import EventRow
from tests.build.desk import L3_LEFT, L4_LEFT, L4_RIGHT, placed
from tests.build.evidenced import (
    BREACHED,
    BY_EYE,
    CALLIPER,
    CONTAINED_LOW,
    CONTOUR,
    WAYS,
    WINDOW,
)
from tests.build.ledgers import (
    QUALITY_LEAD,
    REGISTRAR,
    STEWARD,
    SURGEON,
    local_operator,
    viewer,
)
from tests.build.two_readings import JUDGE, LATER, SECOND_READER, asked, fill_for_two, read, typed

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from registry.store.home import Ledger


@pytest.fixture(scope="module")
def made_home(templates, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Make a ledger with screws to be read, to be copied."""
    with templates.copied("sqlite", tmp_path_factory.mktemp("evidence") / "home") as place:
        made = place.open()
        fill_for_two(made)
        made.close()
        yield place.home


@pytest.fixture
def desk(made_home: Path, tmp_path: Path) -> Iterator[Ledger]:
    """Give that ledger, for what both databases do alike."""
    shutil.copytree(made_home, tmp_path / "desk")
    opened = open_ledger(tmp_path / "desk", {})
    yield opened
    opened.close()


def rows(ledger: Ledger, model=Evidence) -> list:
    with ledger.reading() as session:
        found = list(session.execute(select(model).order_by(model.id)).scalars())
        session.expunge_all()
    return found


def wrong(ledger: Ledger) -> list[str]:
    return [each.line() for each in check_ledger(ledger, local_operator(ledger))]


def without_evidence(ledger: Ledger) -> None:
    """Make the readings what an older program left: marks, and no picture."""
    with ledger.writing(local_operator(ledger), LATER) as work:
        for row in rows(ledger):
            work.remove(Evidence, "as it was before", row.id)


def pixels(picture: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(picture)).convert("RGB"))


def test_a_reading_is_kept_with_its_picture_and_its_data_in_one_transaction(ledger: Ledger):
    fill_for_two(ledger)
    number = read(ledger, REGISTRAR, L4_LEFT, CONTOUR)
    (row,) = rows(ledger)
    assert (row.reading_id, row.screw_id, row.removed_at) == (number, 1, None)
    assert row.kept_at == LATER
    assert ledger.pictures.digests() == [row.picture_digest]
    held = json.loads(row.document)
    assert held["image"] in ledger.images.digests()
    assert held["window_hu"] == list(WINDOW)
    assert (held["level"], held["side"], held["diameter_mm"]) == ("L4", "L", 6.5)
    assert held["extents"]["medial"]["mm"] == "2.3"
    # The screw's edge is 3.25 mm out, the cortex 5 mm about a point 4 mm lateral: see ring().
    assert held["extents"]["medial"]["measured_mm"] == pytest.approx(3.25 + 4.0 - 5.0, abs=0.02)
    assert held["depth_mm"] == held["extents"]["medial"]["depth_mm"] == 10.0
    assert set(held["made_with"]) == {"pedicle-ledger", "numpy", "scipy", "pillow"}
    # The trail names the document by its digest: it is long, and grows with every reading.
    with ledger.reading() as session:
        events = session.execute(select(EventRow).where(EventRow.record == "evidence:1"))
        (event,) = events.scalars()
        assert "bearing_deg" not in event.after
        assert row.picture_digest in event.after
        assert event.actor == REGISTRAR.name
    assert wrong(ledger) == []


def test_a_picture_that_is_gone_or_another_and_data_that_were_changed_are_named(ledger: Ledger):
    fill_for_two(ledger)
    read(ledger, REGISTRAR, L4_LEFT, CONTOUR)
    (row,) = rows(ledger)
    path = ledger.home / "images" / f"{row.picture_digest}.png"
    whole = path.read_bytes()
    path.chmod(0o600)
    path.write_bytes(whole[:-1])
    assert wrong(ledger) == [
        f"picture {row.picture_digest[:12]}: picture {row.picture_digest} is not what was written"
    ]
    with pytest.raises(FailureError, match="is damaged"):
        evidence.picture(ledger, viewer(ledger, REGISTRAR), row.reading_id)
    path.unlink()
    assert wrong(ledger) == [f"picture {row.picture_digest[:12]}: is not in the image folder"]
    path.write_bytes(whole)
    with ledger.engine.begin() as connection:
        connection.execute(update(Evidence).values(document=row.document.replace("2.3", "0.3")))
    assert wrong(ledger) == ["evidence:1: differs from its last event in document"]


def test_nothing_is_left_of_a_reading_that_is_not_saved(ledger: Ledger, monkeypatch):
    fill_for_two(ledger)

    def broken(*_given, **_named):
        raise BadInputError

    # A fault of the database's in mid-transaction stands for any: the row comes after the file.
    monkeypatch.setattr("registry.actions.record_reading.settle", broken)
    with pytest.raises(BadInputError):
        read(ledger, REGISTRAR, L4_LEFT, CONTOUR)
    assert (rows(ledger), rows(ledger, Reading)) == ([], [])
    assert ledger.pictures.digests() == []
    monkeypatch.undo()
    read(ledger, REGISTRAR, L4_LEFT, CONTOUR)
    # A second one with the same picture that fails leaves the first one's.
    monkeypatch.setattr("registry.actions.record_reading.settle", broken)
    (second,) = asked(ledger, "second")
    with pytest.raises(BadInputError):
        read(ledger, SECOND_READER, second.id, CONTOUR)
    assert len(ledger.pictures.digests()) == 1
    assert wrong(ledger) == []


def test_a_withdrawn_patient_s_pictures_are_deleted_and_the_numbers_stay(ledger: Ledger):
    fill_for_two(ledger)
    number = read(ledger, REGISTRAR, L4_LEFT, CONTOUR)
    read(ledger, REGISTRAR, L3_LEFT, BY_EYE)
    kept, other = (row.picture_digest for row in rows(ledger))
    done = withdraw(
        ledger, local_operator(ledger), WhoWithdraws(case_ref="OP-0"), "asked for it", LATER
    )
    assert done.pictures == 1
    assert ledger.pictures.digests() == [other]
    row = rows(ledger)[0]
    assert (row.picture_digest, row.document, row.removed_at) == (kept, "", LATER)
    found = evidence.reopened(ledger, viewer(ledger, REGISTRAR), number)
    assert found.found.startswith("medial 2.3 ± ")
    assert (found.document, found.is_kept) == (None, False)
    assert found.why_without == "its pictures were deleted when the patient was withdrawn"
    with pytest.raises(NotFoundError, match="were deleted"):
        evidence.picture(ledger, viewer(ledger, REGISTRAR), number)
    assert wrong(ledger) == []


def test_a_backup_holds_the_pictures_and_gives_them_back(place, tmp_path, templates):
    ledger = place.open()
    fill_for_two(ledger)
    read(ledger, REGISTRAR, L4_LEFT, CONTOUR)
    (digest,) = ledger.pictures.digests()
    content = ledger.pictures.content(digest)
    ledger.close()
    answer = place.command("backup", tmp_path / "it.backup", "--rehearse")
    assert (answer.status, answer.err) == (0, "")
    for kind in ("sqlite", "postgresql"):
        with templates.empty(kind, tmp_path / kind) as new:
            said = new.command("restore", tmp_path / "it.backup", "--keys", place.home / "keys")
            assert (said.status, said.err) == (0, "")
            other = new.open()
            assert other.pictures.content(digest) == content
            assert wrong(other) == []
            other.close()


@pytest.mark.parametrize("way", WAYS)
def test_the_kept_picture_is_drawn_again_to_the_byte(desk: Ledger, way: str):
    assignment, sent = WAYS[way]
    number = read(desk, REGISTRAR, assignment, sent)
    kept = evidence.picture(desk, viewer(desk, REGISTRAR), number)
    (row,), (reading,) = rows(desk), rows(desk, Reading)
    document = read_document(row.document)
    marks = read_marks(json.loads(reading.marks)["marks"])
    image = desk.images.open(document.image)
    assert evidence_picture(image, marks, document) == kept
    assert read_document(document.to_json()) == document
    assert pixels(kept).shape == (PICTURE_SIZE[1], PICTURE_SIZE[0], 3)
    # An older reading, without a picture, is given the same one but for the words that say so.
    without_evidence(desk)
    later = evidence.picture(desk, viewer(desk, REGISTRAR), number)
    assert later != kept
    height = SECTION_SIZE[1]
    assert (pixels(later)[:height, :504] == pixels(kept)[:height, :504]).all()
    assert not evidence.reopened(desk, viewer(desk, REGISTRAR), number).is_kept


@pytest.mark.parametrize("way", WAYS)
def test_a_reopened_section_holds_the_values_that_were_on_screen(desk: Ledger, way: str):
    assignment, sent = WAYS[way]
    reader = viewer(desk, REGISTRAR)
    on_screen = section_pictures(desk, reader, assignment, sent.marks.placing, LATER)
    number = read(desk, REGISTRAR, assignment, sent)
    (row,), (reading,) = rows(desk), rows(desk, Reading)
    document, marks = read_document(row.document), read_marks(json.loads(reading.marks)["marks"])
    image = desk.images.open(document.image)
    for plane, depth in zip(on_screen.values, on_screen.layout["depths_mm"], strict=True):
        again = section_values(image, marks, document, depth)
        assert again.astype("<i2").tobytes() == plane.astype("<i2").tobytes()
    # And each pixel of the picture is that value in the window: 3 by 3 squares, in between lines.
    found = evidence.reopened(desk, reader, number)
    at = found.sections_mm.index(document.depth_mm)
    drawn = pixels(evidence.section_of(desk, reader, number, at))
    values = section_values(image, marks, document, document.depth_mm).astype(float)
    low, high = document.window_hu
    grey = np.floor(255 * np.clip((values - low) / (high - low), 0, 1) + 0.5).astype(np.uint8)
    corner = drawn[60:150, 60:150]
    expected = grey[20:50, 20:50].repeat(3, axis=0).repeat(3, axis=1)
    assert (corner == expected[:, :, None]).all()


def test_the_extent_s_line_ends_where_it_was_measured(desk: Ledger):
    """The line is drawn from the cortex to the screw's edge: its ends, by the section's own map."""
    number = read(desk, REGISTRAR, L4_LEFT, CONTOUR)
    drawn = pixels(evidence.section_of(desk, viewer(desk, REGISTRAR), number, 1)).astype(int)
    # Ours: nothing else on the sheet is of the extent's colour, light red.
    is_line = (abs(drawn - [255, 180, 162]) < 40).all(axis=2)
    rows_, columns = np.nonzero(is_line)
    grid = SectionGrid(SECTION_HALF_WIDTH_MM, SECTION_SPACING_MM)
    for u, edge in ((1.0, columns.min()), (3.25, columns.max())):
        _, column = section_to_pixel([u, 0.0], grid)
        assert (column + 0.5) * 3 == pytest.approx(edge, abs=3.0)
    assert rows_.mean() == pytest.approx(240, abs=2.0)


def test_a_front_s_line_and_an_estimated_diameter_are_drawn_too(desk: Ledger):
    marks = Marks(
        placed(),
        contained=frozenset(PEDICLE_WALLS),
        front=FrontMarks("cranial", ((37.0, -6.0), (38.0, 0.0), (37.0, 6.0))),
    )
    sent = Submission(Method.CALLIPER, marks, confidence=Confidence.HIGH)
    read(desk, REGISTRAR, L4_LEFT, sent)
    document = read_document(rows(desk)[0].document)
    assert document.extents[Direction.ANTERIOR].mm == "2.0"
    assert (document.across, document.depth_mm) == ("cranial", 20.0)
    assert document.why == "half way along the screw"


def test_a_typed_reading_has_no_picture_and_says_why(desk: Ledger):
    number = read(desk, REGISTRAR, L4_LEFT, typed(medial="2.4"))
    reader = viewer(desk, REGISTRAR)
    assert rows(desk) == []
    assert evidence.with_pictures(desk, reader, [number]) == frozenset()
    found = evidence.reopened(desk, reader, number)
    assert found.why_without == "no picture: the screw was not set on an image here"
    with pytest.raises(NotFoundError, match="not set on an image"):
        evidence.picture(desk, reader, number)


def test_an_older_reading_whose_image_is_gone_says_so(desk: Ledger):
    number = read(desk, REGISTRAR, L4_LEFT, CONTOUR)
    without_evidence(desk)
    reader = viewer(desk, REGISTRAR)
    assert evidence.with_pictures(desk, reader, [number]) == {number}
    with desk.writing(local_operator(desk), LATER) as work:
        work.update(HeldImage, "delete an image", 1, removed_at=LATER)
    assert evidence.with_pictures(desk, reader, [number]) == frozenset()
    assert "not held here" in evidence.reopened(desk, reader, number).why_without


def test_who_may_see_what_a_reading_was_made_on(desk: Ledger):
    """By person: who read it, who sees its case, who decided and then looked; nobody else."""
    first = read(desk, REGISTRAR, L4_LEFT, BREACHED)
    (owed,) = asked(desk, "second")
    second = read(desk, SECOND_READER, owed.id, CONTAINED_LOW)
    (judging,) = asked(desk, "adjudication")
    with desk.writing(local_operator(desk), LATER) as work:
        work.update(type(judging), "appoint", judging.id, reader_id=viewer(desk, JUDGE).person_id)

    def seen_by(account) -> list[int]:
        found = []
        for number in range(1, 4):
            with suppress(NotFoundError):
                evidence.picture(desk, viewer(desk, account), number)
                found.append(number)
        return found

    assert (seen_by(REGISTRAR), seen_by(SECOND_READER)) == ([first], [second])
    assert seen_by(JUDGE) == []
    assert seen_by(QUALITY_LEAD) == [first, second]
    # The case is Anna Berg's, of the surgeon who has the account.
    assert seen_by(SURGEON) == [first, second]
    assert seen_by(STEWARD) == []
    with pytest.raises(NotFoundError):
        evidence.decided(desk, viewer(desk, REGISTRAR), first, LATER)
    third = read(desk, JUDGE, judging.id, CONTOUR)
    assert seen_by(JUDGE) == [third]
    own, others = evidence.decided(desk, viewer(desk, JUDGE), third, LATER)
    assert own.reading.reading_id == third
    assert [each.reading.reading_id for each in others] == [first, second]
    assert seen_by(JUDGE) == [first, second, third]
    # From now on a reading of theirs in this case is not blind.
    number = read(desk, JUDGE, L4_RIGHT, CALLIPER)
    assert [row.is_blind for row in rows(desk, Reading) if row.id == number] == [False]
    evidence.decided(desk, viewer(desk, JUDGE), third, LATER)
    assert wrong(desk) == []
