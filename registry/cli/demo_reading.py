"""The demo's CT that has been read: loaded, read, read again where the rule asks, answered for."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path

    from registry.actions.desk_answer import Submission
    from registry.actions.desk_screw import Placing
    from registry.domain.access import Viewer
    from registry.domain.directions import Side
    from registry.store.home import Ledger

READERS, LEAD = ("elif", "mateo"), "greta"
_SECONDS = 140


def read_drawn(ledger: Ledger, operator: Viewer, unit: Any, folder: Path) -> int:  # noqa: ANN401 - the scenario's
    """Load the case's CT and read it as its invented readers; return how many readings were made.

    The files are drawn into `folder` and go again: what is to be loaded by hand is the other CT.
    """
    from registry.actions.load_scan import ScanOrder, load_scan

    try:
        unit.draw_read_ct(folder)
        order = ScanOrder(case_ref=unit.read_case.reference)
        load_scan(ledger, operator, [folder], order, unit.read_at(1, 9))
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    marked = {(each.level, each.side): each for each in unit.marked_screws()}
    made = _read_all(ledger, 0, marked, unit.read_at(5, 9))
    _answer_findings(ledger, unit.read_at(5, 11))
    return made + _read_all(ledger, 1, marked, unit.read_at(8, 9))


def _read_all(ledger: Ledger, number: int, marked: Mapping[Any, Any], now: datetime) -> int:
    """Read whatever is owed on images: no other image is held here yet."""
    from dataclasses import replace

    from registry.actions.accounts import acting
    from registry.actions.desk_endplate import found_endplate
    from registry.actions.record_reading import record_reading
    from registry.actions.worklist import offered
    from registry.domain.directions import Side

    reader = acting(ledger, READERS[number])
    owed = offered(ledger, reader)
    for each in owed:
        screw = marked[each.level, each.side]
        placing = _placing(screw)
        if number == 0:
            # The second reader sets no endplate: an angle that is empty says why.
            endplate = found_endplate(ledger, reader, each.assignment_id, placing, now)
            placing = replace(placing, endplate_mm=endplate)
        submission = _submission(placing, Side(each.side), screw.cortex_mm[number])
        record_reading(ledger, reader, each.assignment_id, submission, now)
    return len(owed)


def _placing(screw: Any) -> Placing:  # noqa: ANN401 - the scenario's
    from registry.actions.desk_screw import Placing
    from registry.measure.axes import ScrewAxis, point

    front, back = screw.midplane_mm
    axis = ScrewAxis(point(screw.entry_mm), point(screw.tip_mm))
    return Placing(axis, (point(front), point(back)))


def _submission(placing: Placing, side: Side, cortex_mm: Mapping[float, Any]) -> Submission:
    """Return a reading by the contour."""
    from registry.actions.desk_answer import Shown, Submission
    from registry.actions.desk_marks import Bone, Marks
    from registry.actions.desk_pictures import section_depths
    from registry.domain.readings import Confidence, Method
    from registry.measure.axes import patient_to_section

    outlines = {
        depth: tuple(
            (round(float(u), 3), round(float(v), 3))
            for u, v in patient_to_section(places, placing.frame(depth, side))
        )
        for depth, places in cortex_mm.items()
    }
    is_found = placing.endplate_mm is not None
    marks = Marks(
        placing,
        {Bone.OUTLINE: outlines},
        found=frozenset({"endplate"} if is_found else ()),
    )
    return Submission(
        Method.CONTOUR,
        marks=marks,
        shown=Shown(section_depths(placing.axis.length_mm), frozenset({"medial"})),
        confidence=Confidence.HIGH,
        note="invented for the demo",
        seconds_spent=_SECONDS,
        window_hu=(-450, 1050),
    )


def _answer_findings(ledger: Ledger, now: datetime) -> None:
    """Say what was done about what met the unit's policy, and close it as the lead."""
    from registry.actions.accounts import acting
    from registry.actions.policy import PolicyAnswer, answer_finding, close_finding, findings

    reader, lead = acting(ledger, READERS[0]), acting(ledger, LEAD)
    told = PolicyAnswer(
        is_followed=True,
        told_whom="the registrar on call",
        told_at=now,
        told_how="by telephone, invented for the demo",
    )
    for each in findings(ledger, reader):
        answer_finding(ledger, reader, each.finding_id, told, seen_version=each.version, now=now)
    for each in findings(ledger, lead):
        words = "told the same morning; invented for the demo"
        close_finding(ledger, lead, each.finding_id, words, seen_version=each.version, now=now)
