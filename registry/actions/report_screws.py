"""Choose what a report says of each screw: one of its readings, or what they come to."""

from __future__ import annotations

import json
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from registry.domain.consensus import ConsensusState
from registry.domain.deviations import deviation
from registry.domain.levels import level
from registry.domain.readings import Confidence, Method, NotAssessableReason, ReadingRole
from registry.domain.scales import grade
from registry.imaging import report_codes as code
from registry.imaging.report_groups import ReportedScrew

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from decimal import Decimal

    from registry.domain.directions import Direction
    from registry.imaging.report_groups import Point
    from registry.store.queries.reported import ReadingToReport, ScrewToReport


class Chosen(StrEnum):
    """What of a screw is reported."""

    CONSENSUS = "consensus"
    FIRST = "first"
    SECOND = "second"
    ADJUDICATION = "adjudication"


@dataclass(frozen=True)
class ChosenScrews:
    """What is reported, and how many counted screws have nothing of the kind.

    Attributes
    ----------
    screws : in the order of the levels, the left side first
    not_read : counted screws of the case left out
    is_settled : a consensus of more than one reading, or an adjudication, for every screw
    """

    screws: tuple[ReportedScrew, ...]
    not_read: int
    is_settled: bool


_SETTLED = {ConsensusState.AGREED, ConsensusState.ADJUDICATED}


def chosen_screws(
    screws: Sequence[ScrewToReport],
    chosen: Chosen,
    *,
    scale: str,
    tracking_uid: Callable[[int], str],
    slices: Callable[[Point, Point], tuple[int, int] | None],
) -> ChosenScrews:
    """Return what a report says of some screws.

    Parameters
    ----------
    screws : with what stands of their readings
    chosen : which reading, or their consensus
    scale : the unit's
    tracking_uid : of a screw, by its number in the ledger, which no correction changes
    slices : index of the first and last slice between two points, where that is known
    """
    found = []
    for screw in sorted(screws, key=lambda one: (level(one.level).order, one.side, one.number)):
        taken = _consensus(screw) if chosen is Chosen.CONSENSUS else _reading(screw, chosen)
        if taken is not None:
            axis = None if taken.only is None else axis_of(taken.only.marks)
            found.append(_reported(screw, taken, scale, axis, tracking_uid(screw.screw_id), slices))
    states = [screw.consensus.state for screw in screws if screw.consensus is not None]
    is_settled = chosen is Chosen.CONSENSUS and all(
        ConsensusState(state) in _SETTLED for state in states
    )
    return ChosenScrews(tuple(found), len(screws) - len(found), is_settled)


@dataclass(frozen=True)
class _Taken:
    """What is reported of a screw; `only` is the one reading that it rests on."""

    reading: code.Concept
    used: tuple[ReadingToReport, ...]
    is_assessable: bool
    extents_mm: Mapping[Direction, Decimal | None]
    bearing_deg: Decimal | None

    @property
    def only(self) -> ReadingToReport | None:
        return self.used[0] if len(self.used) == 1 else None


def _reading(screw: ScrewToReport, chosen: Chosen) -> _Taken | None:
    role = ReadingRole(chosen.value)
    found = next((each for each in screw.readings if each.role == role), None)
    if found is None:
        return None
    return _Taken(
        code.ROLES[role], (found,), found.is_assessable, found.extents_mm, found.bearing_deg
    )


def _consensus(screw: ScrewToReport) -> _Taken | None:
    if screw.consensus is None:
        return None
    used = tuple(each for each in screw.readings if each.reading_id in screw.consensus.reading_ids)
    return _Taken(
        code.CONSENSUS[ConsensusState(screw.consensus.state)],
        used,
        screw.consensus.is_assessable,
        screw.consensus.extents_mm,
        screw.consensus.bearing_deg,
    )


def _reported(
    screw: ScrewToReport,
    taken: _Taken,
    scale: str,
    axis: tuple[Point, Point] | None,
    tracking_uid: str,
    slices: Callable[[Point, Point], tuple[int, int] | None],
) -> ReportedScrew:
    only, used = taken.only, taken.used
    reason = _common(each.not_assessable_reason for each in used)
    method = _common(each.method for each in used)
    extents = {wall: mm for wall, mm in taken.extents_mm.items() if mm is not None}
    return ReportedScrew(
        tracking_uid=tracking_uid,
        level=screw.level,
        side=screw.side,
        number=screw.number,
        reading=taken.reading,
        scale=scale,
        is_assessable=taken.is_assessable,
        not_assessable=None if reason is None else NotAssessableReason(reason),
        extents_mm=extents,
        sd_mm={wall: sd for wall in extents if (sd := deviation(used, wall)) is not None},
        grade=grade(taken.extents_mm, screw.level, scale) if taken.is_assessable else None,
        method=None if method is None else Method(method),
        confidence=Confidence(only.confidence) if only and only.confidence else None,
        is_blind=all(each.is_blind for each in used),
        proposals_seen=tuple(dict.fromkeys(e.proposal_seen for e in used if e.proposal_seen)),
        algorithm_version=", ".join(sorted({e.algorithm for e in used if e.algorithm})) or None,
        diameter_mm=screw.diameter_mm,
        length_mm=screw.length_mm,
        convergence_deg=only.convergence_deg if only else None,
        sagittal_deg=only.sagittal_deg if only else None,
        bearing_deg=taken.bearing_deg,
        axis_mm=axis,
        slices=None if axis is None else slices(*axis),
    )


def _common(values: Iterable[str | None]) -> str | None:
    """Return what all readings say, or None where they differ."""
    found = set(values)
    return found.pop() if len(found) == 1 else None


def axis_of(marks: str | None) -> tuple[Point, Point] | None:
    """Return the entry and the tip that a reader set, or None where the reading holds none."""
    held = None if marks is None else json.loads(marks).get("marks")
    if not held or not held.get("entry_mm") or not held.get("tip_mm"):
        return None
    (a, b, c), (d, e, f) = held["entry_mm"], held["tip_mm"]
    return (float(a), float(b), float(c)), (float(d), float(e), float(f))
