"""Angles and lengths of counted screws, as their counted readings or the program have them.

No viewer is asked here: `actions.angles` shows sums, to who may see them all.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.store.models.cases import Screw
from registry.store.models.proposals import ProposalRow
from registry.store.models.readings import ConsensusRow, Reading
from registry.store.queries.counted_screws import audit_scans

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sqlalchemy.orm import Session


@dataclass(frozen=True)
class ScrewAngles:
    """How one screw lies on its audit scan.

    Attributes
    ----------
    length_mm : as logged, None where not stated
    convergence_deg, sagittal_deg : None where nobody measured it
    is_convergence_read, is_sagittal_read : by a reader; else by the program
    """

    length_mm: float | None = None
    convergence_deg: float | None = None
    sagittal_deg: float | None = None
    is_convergence_read: bool = False
    is_sagittal_read: bool = False


def screw_angles(session: Session, window_days: tuple[int, int]) -> dict[int, ScrewAngles]:
    """Return the angles of every screw that has been read, and its length.

    The mean of the readings that its consensus used; where none of them has the angle, what the
    program measured. A screw that nobody has read has none, so that no reader is told of it before.
    """
    audit = set(audit_scans(session, window_days).values())
    read = _readings(session)
    program = _proposed(session, audit)
    lengths = session.execute(
        select(Screw.id, Screw.length_mm, Screw.level, Screw.side, Screw.number)
    )
    keys = {row[0]: (tuple(row[2:]), row[1]) for row in lengths}
    found = {screw: ScrewAngles(_float(length)) for screw, (_, length) in keys.items()}
    settled = select(ConsensusRow.screw_id, ConsensusRow.scan_id, ConsensusRow.reading_ids)
    for screw, scan, used in session.execute(settled):
        if scan not in audit:
            continue
        own = [read[int(number)] for number in used.split(",") if int(number) in read]
        convergence, sagittal = (_mean([each[place] for each in own]) for place in (0, 1))
        key, length = keys[screw]
        by_program = program.get((scan, *key), (None, None))
        found[screw] = ScrewAngles(
            _float(length),
            by_program[0] if convergence is None else convergence,
            by_program[1] if sagittal is None else sagittal,
            convergence is not None,
            sagittal is not None,
        )
    return found


def _readings(session: Session) -> dict[int, tuple[float | None, float | None]]:
    query = select(Reading.id, Reading.convergence_deg, Reading.sagittal_deg).where(
        Reading.convergence_deg.is_not(None) | Reading.sagittal_deg.is_not(None)
    )
    return {row[0]: (_float(row[1]), _float(row[2])) for row in session.execute(query)}


def _proposed(
    session: Session, audit: set[int]
) -> dict[tuple[object, ...], tuple[float | None, float | None]]:
    """Return the program's angles by scan, level, side and number."""
    found: dict[tuple[object, ...], tuple[float | None, float | None]] = {}
    query = select(ProposalRow.scan_id, ProposalRow.document).where(
        ProposalRow.replaced_at.is_(None), ProposalRow.document.is_not(None)
    )
    for scan, document in session.execute(query):
        if scan not in audit or not document:
            continue
        for screw in json.loads(document)["screws"]:
            logged = screw["logged"]
            key = (scan, logged["level"], logged["side"], logged["number"])
            found[key] = (screw["convergence_deg"], screw["sagittal_deg"])
    return found


def _mean(values: Sequence[float | None]) -> float | None:
    there = [value for value in values if value is not None]
    return sum(there) / len(there) if there else None


def _float(value: object) -> float | None:
    return None if value is None else float(str(value))
