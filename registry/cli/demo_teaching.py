"""The demo's teaching set: two drawn scans, and what its younger reader is said to find on them."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from registry.domain.access import Viewer
    from registry.domain.directions import Direction
    from registry.store.home import Ledger

READER = "mateo"
COARSE = {"operated": ("L3", "L4"), "in_plane_mm": 1.0, "slice_mm": 2.5, "margin_mm": 6.0}
"""Of a drawn scan that is made quickly."""
_ONE_LEVEL = COARSE | {"operated": ("L4", "L4")}
# What the invented reader adds to the truth, in turn; a wall under the floor is read as contained.
_OFF_MM = tuple(map(Decimal, ("0.4", "-0.6", "0.2", "-1.9", "0.0", "-0.3")))


def teach(ledger: Ledger, operator: Viewer) -> int:
    """Keep two drawn scans and read them as the invented reader; return how many screws."""
    from registry.actions.accounts import acting
    from registry.actions.drawn_scans import give_copy
    from registry.actions.teaching import PROGRAM, begin_practice, make_teaching_set
    from registry.actions.worklist import offered
    from registry.cli.drawing import drawn
    from registry.cli.opening import instant
    from registry.domain.known_truth import Purpose
    from registry.store.queries.drawn_scans import kept_drawings

    purposes = (Purpose.PRACTICE, Purpose.MIXED)
    scans = (
        (Purpose.PRACTICE, drawn(100_002, Purpose.PRACTICE, **COARSE)),
        (Purpose.MIXED, drawn(100_003, Purpose.MIXED, **_ONE_LEVEL)),
    )
    make_teaching_set(ledger, operator, scans, instant())
    reader = acting(ledger, READER)
    before = {each.assignment_id for each in offered(ledger, reader)}
    begin_practice(ledger, reader, instant())
    with ledger.reading() as session:
        drawings = {each.purpose: each for each in kept_drawings(session)}
    with ledger.writing(PROGRAM, instant()) as work:
        # Here at once; `serve` does so by itself where the setting known_truth_share asks for it.
        assert reader.person_id is not None  # noqa: S101 - the demo's readers are persons
        give_copy(work, ledger.settings, drawings[Purpose.MIXED], reader.person_id)
    count = 0
    for purpose in purposes:
        owed = offered(ledger, reader, in_practice=purpose is Purpose.PRACTICE)
        truths = {(each.level, each.side): each.truth_mm for each in drawings[purpose].screws}
        for each in owed:
            if each.assignment_id not in before:
                truth = truths[each.level, each.side]
                _read(ledger, reader, each.assignment_id, truth, _OFF_MM[count % len(_OFF_MM)])
                count += 1
    return count


def _read(
    ledger: Ledger,
    reader: Viewer,
    assignment_id: int,
    truth_mm: Mapping[Direction, Decimal | None],
    off_mm: Decimal,
) -> None:
    from registry.actions.desk_answer import Submission, TypedExtents
    from registry.actions.record_reading import record_reading
    from registry.cli.opening import instant
    from registry.domain.directions import PEDICLE_WALLS
    from registry.domain.readings import Confidence, Method

    nothing = Decimal(0)
    read = {
        wall: max(nothing, value + off_mm) if value > nothing else nothing
        for wall in PEDICLE_WALLS
        if (value := truth_mm.get(wall)) is not None
    }
    submission = Submission(
        Method.TYPED,
        typed=TypedExtents(read),
        confidence=Confidence.HIGH,
        note="invented for the demo",
        seconds_spent=75,
    )
    record_reading(ledger, reader, assignment_id, submission, instant())
