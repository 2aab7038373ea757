"""Own screws of a period one by one: what was found of each, why others have no grade."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np

from registry.actions.evidence import with_pictures
from registry.domain.directions import Direction
from registry.domain.extent_words import wall_words
from registry.domain.problems import ConflictError, Fault
from registry.domain.reply import Quarter
from registry.domain.scales import grade, greatest_extent
from registry.store.queries.evidence import reading_evidence
from registry.store.queries.imaging_reasons import imaging_reasons
from registry.store.queries.replies import own_reply_screws
from reports.documents.own import OwnScrew, Ungraded, Unscanned

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import pandas as pd

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.replies import ReplyScrew
    from reports.tables.rates import Question

_NO_SCAN = {
    "none that counts": "outside the window, or not adequate",
    "none but for symptoms": "one for symptoms alone",
    "none, not said why": "not said why",
}
"""What `imaging_reasons` says of a case without an audit scan, as the end of a sentence."""


@dataclass(frozen=True)
class OwnScrews:
    """Own screws of a period, one by one.

    Attributes
    ----------
    breached : those with the event, the latest operation first, each with its picture's reading
    provisional : graded ones of which another reading is owed, the latest first
    ungraded : why the others have no grade, the most screws first
    unscanned : own cases without an audit scan, the latest first
    """

    breached: tuple[OwnScrew, ...]
    provisional: tuple[OwnScrew, ...]
    ungraded: tuple[Ungraded, ...]
    unscanned: tuple[Unscanned, ...]


def own_screws(
    ledger: Ledger, viewer: Viewer, screws: pd.DataFrame, question: Question
) -> OwnScrews:
    """Return the own screws of a frame that holds no others; the event is the question's.

    ConflictError where one of them is not the viewer's, or not of these days, any more.
    """
    graded = question.event.graded(screws).to_numpy(dtype=np.bool_)
    breached = question.event.breached(screws).to_numpy(dtype=np.bool_)
    owed = graded & screws["provisional"].to_numpy(dtype=np.bool_)
    days = Quarter("own", question.start or date.min, question.end or date.max)
    window = ledger.settings.audit_window_days
    with ledger.reading() as session:
        found = {screw.screw_id: screw for screw in own_reply_screws(session, viewer, days, window)}
        reasons = imaging_reasons(session, window)
    if not set(screws["screw_id"].tolist()) <= found.keys():
        what = "your own screws were corrected while they were looked up"
        raise ConflictError(Fault(what, mend="ask again"))
    rows = _rows(screws, found, ledger.settings.scale)
    return OwnScrews(
        breached=_pictured(ledger, viewer, _latest(rows, breached), found),
        provisional=tuple(_latest(rows, owed)),
        ungraded=_ungraded(screws, graded, found, reasons),
        unscanned=_unscanned(screws, found, reasons),
    )


def _rows(screws: pd.DataFrame, found: Mapping[int, ReplyScrew], scale: str) -> list[OwnScrew]:
    """Return each screw of the frame, in its order."""
    made = []
    for row in screws.to_dict("records"):
        known = found[row["screw_id"]]
        letter = grade(known.extents_mm, known.level, scale) if known.is_assessable else None
        size = row["diameter_mm"]
        made.append(
            OwnScrew(
                screw_id=known.screw_id,
                case_id=known.case_id,
                case_reference=known.case_reference,
                operated_on=known.operated_on,
                level=known.level,
                side=known.side,
                number=known.number,
                entry_technique=row["entry_technique"],
                guidance=row["guidance"],
                diameter_mm=None if np.isnan(size) else size,
                found=_found(known),
                grade=letter or "",
                state=known.state or "not read",
                is_provisional=known.is_provisional,
            )
        )
    return made


def _found(known: ReplyScrew) -> str:
    """Return the walls beyond which the screw stands: medial 2.4 mm."""
    if not known.is_assessable:
        return "not read" if known.state is None else "not assessable"
    beyond = [
        f"{wall_words(wall)} {mm} mm"
        for wall in Direction
        if (mm := known.extents_mm.get(wall)) is not None and mm > 0
    ]
    return ", ".join(beyond) or ("contained" if known.is_contained else "partly read")


def _latest(rows: Sequence[OwnScrew], asked: Iterable[bool]) -> list[OwnScrew]:
    """Return the screws asked for, the latest operation first, within it as they stand."""
    chosen = [row for row, is_asked in zip(rows, asked, strict=True) if is_asked]
    return sorted(chosen, key=lambda row: (-row.operated_on.toordinal(), row.case_id))


def _pictured(
    ledger: Ledger, viewer: Viewer, screws: Sequence[OwnScrew], found: Mapping[int, ReplyScrew]
) -> tuple[OwnScrew, ...]:
    """Return the screws, each with the reading whose picture shows the most."""
    used = {screw.screw_id: found[screw.screw_id].reading_ids for screw in screws}
    asked = {reading for readings in used.values() for reading in readings}
    there = with_pictures(ledger, viewer, asked)
    made = []
    for screw in screws:
        readings = used[screw.screw_id]
        shown = [reading for reading in readings if reading in there]
        if not shown:
            made.append(screw)
            continue
        worst = shown[0] if len(shown) == 1 else _worst(ledger, viewer, shown)
        which = f"reading {readings.index(worst) + 1} of {len(readings)}"
        made.append(replace(screw, reading_id=worst, which=which))
    return tuple(made)


def _worst(ledger: Ledger, viewer: Viewer, readings: Sequence[int]) -> int:
    """Return the reading that found the greatest extent; of two alike the earlier."""
    with ledger.reading() as session:
        extents = {each: reading_evidence(session, viewer, each).extents_mm for each in readings}
    return max(readings, key=lambda each: greatest_extent(extents[each]) or Decimal(0))


def _ungraded(
    screws: pd.DataFrame,
    graded: Iterable[bool],
    found: Mapping[int, ReplyScrew],
    reasons: Mapping[int, str],
) -> tuple[Ungraded, ...]:
    """Return why placed screws of levels with a pedicle grade have none."""
    gone: dict[str, list[int]] = defaultdict(list)
    for row, is_graded in zip(screws.to_dict("records"), graded, strict=True):
        if row["pedicle"] and not is_graded:
            known = found[row["screw_id"]]
            gone[_why(known, reasons, is_imaged=row["imaged"])].append(known.case_id)
    listed = [Ungraded(why, len(cases), len(set(cases))) for why, cases in gone.items()]
    return tuple(sorted(listed, key=lambda each: (-each.screws, each.why)))


def _why(known: ReplyScrew, reasons: Mapping[int, str], *, is_imaged: bool) -> str:
    if not is_imaged:
        return f"no scan that counts: {_no_scan(reasons, known.case_id)}"
    if known.state is None:
        return "not read yet"
    if not known.is_assessable:
        return "not assessable"
    return "partly read: a wall that the level needs was not measured"


def _no_scan(reasons: Mapping[int, str], case_id: int) -> str:
    said = reasons.get(case_id, "not known")
    return _NO_SCAN.get(said, said.removeprefix("none: "))


def _unscanned(
    screws: pd.DataFrame, found: Mapping[int, ReplyScrew], reasons: Mapping[int, str]
) -> tuple[Unscanned, ...]:
    """Return the own cases without an audit scan, the latest first."""
    there = screws[~screws["imaged"]].groupby("case_id", sort=False)["screw_id"].agg(list)
    made = []
    for held in there:
        known = found[int(held[0])]
        why = _no_scan(reasons, known.case_id)
        made.append(Unscanned(known.case_reference, known.operated_on, len(held), why))
    return tuple(sorted(made, key=lambda each: (each.operated_on, each.case_reference)))[::-1]
