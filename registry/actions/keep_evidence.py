"""Keep what a reading is made on, with the reading: its picture, and the data behind it."""

from __future__ import annotations

from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from registry.actions.evidence_document import Seen, document_of
from registry.actions.evidence_drawing import evidence_picture
from registry.domain.extent_words import found_words
from registry.domain.problems import ProblemError
from registry.domain.readings import Method
from registry.store.models.evidence import Evidence
from registry.store.queries.evidence import is_picture_kept

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from decimal import Decimal

    from registry.actions.desk_answer import Answer, Submission
    from registry.actions.desk_screw import OpenedScrew
    from registry.domain.access import Viewer
    from registry.domain.directions import Direction
    from registry.store.home import Ledger
    from registry.store.writing import Writing


@dataclass(frozen=True)
class DrawnEvidence:
    """A picture and what it was drawn from, not kept yet."""

    picture: bytes = field(repr=False)
    document: str = field(repr=False)


def draw_evidence(
    screw: OpenedScrew, submission: Submission, answer: Answer
) -> DrawnEvidence | None:
    """Return what a reading is made on; None for one that was typed, or that set no screw."""
    marks = submission.marks
    if marks is None or submission.way is Method.TYPED:
        return None
    sds: dict[Direction, Decimal | None] = {
        wall: extent.sd_mm
        for wall, extent in (answer.measured.extents if answer.measured else {}).items()
    }
    is_assessable = submission.not_assessable is None
    found = found_words(answer.extents, sds, is_assessable=is_assessable)
    if not is_assessable:
        found = f"not assessable: {submission.not_assessable}"
    seen = Seen(submission.window_hu, submission.shown.planes, read_words(submission.way), found)
    document = document_of(screw, marks, answer.measured, seen)
    return DrawnEvidence(evidence_picture(screw.image, marks, document), document.to_json())


def read_words(way: str | None) -> str:
    """Return how a screw was read, as the picture says it."""
    by = {Method.CONTOUR: "contour", Method.CALLIPER: "calliper"}
    return f"read by {by.get(Method(way), 'eye')}" if way else "looked at"


class Keeping:
    """Keeps what was drawn, if anything was."""

    def __init__(self, ledger: Ledger, drawn: DrawnEvidence | None) -> None:
        self._ledger = ledger
        self._drawn = drawn
        self.digest: str | None = None

    def keep(self, work: Writing, reading_id: int, screw_id: int) -> None:
        """Keep it inside the reading's transaction; the file is on the disk before its row."""
        if self._drawn is None:
            return
        self.digest = self._ledger.pictures.keep(self._drawn.picture)
        work.insert(
            Evidence,
            "keep what a reading was made on",
            reading_id=reading_id,
            screw_id=screw_id,
            picture_digest=self.digest,
            document=self._drawn.document,
            kept_at=work.now,
        )


@contextmanager
def keeping(
    ledger: Ledger, viewer: Viewer, drawn: DrawnEvidence | None, now: datetime
) -> Iterator[Keeping]:
    """Give what keeps a picture; where the reading is not saved after all, its file goes again."""
    held = Keeping(ledger, drawn)
    try:
        yield held
    except BaseException:
        if held.digest is not None:
            with suppress(ProblemError):
                _drop_unkept(ledger, viewer, held.digest, now)
        raise


def _drop_unkept(ledger: Ledger, viewer: Viewer, digest: str, now: datetime) -> None:
    """Delete a picture that no reading names, under the lock under which others are kept."""
    with ledger.writing(viewer, now) as work:
        if not is_picture_kept(work.session, digest):
            ledger.pictures.remove(digest)
