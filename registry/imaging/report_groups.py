"""One screw's reading as a measurement group of a structured report (TID 1501, no region).

Millimetres and degrees leave as they are stored; what was not measured is left out, never 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from highdicom.sr import (
    AlgorithmIdentification,
    CodedConcept,
    CoordinatesForMeasurement3D,
    Measurement,
    MeasurementsAndQualitativeEvaluations,
    QualitativeEvaluation,
    SourceImageForMeasurementGroup,
    TrackingIdentifier,
)

from registry.domain.directions import Direction
from registry.domain.levels import level
from registry.imaging import report_codes as code

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from decimal import Decimal

    from highdicom.sr import FindingSite
    from pydicom.sr.coding import Code

    from registry.domain.directions import Side
    from registry.domain.readings import Confidence, Method, NotAssessableReason, ProposalSeen
    from registry.imaging.identity import ScanIdentity

Point = tuple[float, float, float]


@dataclass(frozen=True)
class ReportedScrew:
    """What a report says of one screw.

    Attributes
    ----------
    tracking_uid : kept for life by this screw
    level, side, number : the screw's key in its case
    reading : which reading, or how the consensus came about
    extents_mm, sd_mm : whole tenths, by the directions that were measured
    grade : on `scale`; None where a wall that the level needs is missing, or none exists
    is_assessable : False where the answer is that it cannot be read, for `not_assessable`
    method, confidence, is_blind : None where they are not known, or several
    proposals_seen : how the readings behind it stand to the program's proposal, each way once
    algorithm_version : of the proposals that were shown, None where none was
    diameter_mm, length_mm : as catalogued
    convergence_deg, sagittal_deg, bearing_deg : None where not measured
    axis_mm : entry and tip, patient coordinates (LPS), where the reading holds them
    slices : index of the first and the last slice that the screw lies in, where that is known
    """

    tracking_uid: str
    level: str
    side: Side
    number: int
    reading: CodedConcept
    scale: str
    is_assessable: bool
    not_assessable: NotAssessableReason | None = None
    extents_mm: Mapping[Direction, Decimal] = field(default_factory=dict)
    sd_mm: Mapping[Direction, Decimal] = field(default_factory=dict)
    grade: str | None = None
    method: Method | None = None
    confidence: Confidence | None = None
    is_blind: bool | None = None
    proposals_seen: tuple[ProposalSeen, ...] = ()
    algorithm_version: str | None = None
    diameter_mm: Decimal | None = None
    length_mm: Decimal | None = None
    convergence_deg: Decimal | None = None
    sagittal_deg: Decimal | None = None
    bearing_deg: Decimal | None = None
    axis_mm: tuple[Point, Point] | None = None
    slices: tuple[int, int] | None = None

    @property
    def words(self) -> str:
        """Return the screw in words, by which a reader of the report tracks it."""
        side = "left" if self.side == "L" else "right"
        return f"{self.level} {side}" + (f", number {self.number}" if self.number > 1 else "")


def group(screw: ReportedScrew, identity: ScanIdentity) -> MeasurementsAndQualitativeEvaluations:
    """Return a screw's measurement group; its images are those of `identity`."""
    return MeasurementsAndQualitativeEvaluations(
        tracking_identifier=TrackingIdentifier(uid=screw.tracking_uid, identifier=screw.words),
        finding_type=code.SCREW,
        method=None if screw.method is None else code.METHODS[screw.method],
        algorithm_id=_algorithm(screw),
        finding_sites=[code.site_of_screw(screw.level, screw.side)],
        measurements=list(_measurements(screw, identity)) or None,
        qualitative_evaluations=[
            QualitativeEvaluation(name, value) for name, value in _evaluations(screw)
        ],
        source_images=_source_images(screw, identity),
    )


def _algorithm(screw: ReportedScrew) -> AlgorithmIdentification | None:
    """Return what proposed to a reader (TID 4019); None where the reading owes nothing to it."""
    if not screw.proposals_seen or screw.algorithm_version is None:
        return None
    return AlgorithmIdentification(name=code.ALGORITHM, version=screw.algorithm_version)


def _measurements(screw: ReportedScrew, identity: ScanIdentity) -> Iterator[Measurement]:
    if not screw.is_assessable:
        return
    for direction in Direction:
        site = code.site_of_extent(screw.level, screw.side, direction)
        for name, found in ((code.EXTENT, screw.extents_mm), (code.EXTENT_SD, screw.sd_mm)):
            if direction in screw.extents_mm and (value := found.get(direction)) is not None:
                yield _measured(name, value, code.MILLIMETRE, site=site)
    others: tuple[tuple[Code, Code, Decimal | None, CodedConcept], ...] = (
        (code.DIAMETER, code.MILLIMETRE, screw.diameter_mm, code.CATALOGUED),
        (code.LENGTH, code.MILLIMETRE, screw.length_mm, code.CATALOGUED),
        (code.ANGLE, code.DEGREE, screw.convergence_deg, code.CONVERGENCE),
        (code.ANGLE, code.DEGREE, screw.sagittal_deg, code.SAGITTAL),
        (code.ANGLE, code.DEGREE, screw.bearing_deg, code.BEARING),
    )
    for concept, unit, given, method in others:
        if given is not None:
            yield _measured(concept, given, unit, method=method)
    if screw.axis_mm is not None and identity.frame_of_reference_uid:
        yield _axis(screw.axis_mm, identity.frame_of_reference_uid)


def _measured(
    name: Code | CodedConcept,
    value: Decimal | float,
    unit: Code,
    *,
    method: CodedConcept | None = None,
    site: FindingSite | None = None,
    points: CoordinatesForMeasurement3D | None = None,
) -> Measurement:
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"{name.meaning}: {value} is no measurement")
    return Measurement(
        name=name,
        value=number,
        unit=unit,
        method=method,
        finding_sites=None if site is None else [site],
        referenced_coordinates=None if points is None else [points],
    )


def _axis(ends: tuple[Point, Point], frame_of_reference_uid: str) -> Measurement:
    """Return the length from entry to tip with the two points it lies between (SCOORD3D)."""
    points = np.array(ends, dtype=np.float64)
    return _measured(
        code.LENGTH,
        round(float(np.linalg.norm(points[1] - points[0])), 1),
        code.MILLIMETRE,
        method=code.FROM_ENTRY_TO_TIP,
        points=CoordinatesForMeasurement3D("POLYLINE", points, frame_of_reference_uid),
    )


def _evaluations(
    screw: ReportedScrew,
) -> Iterator[tuple[CodedConcept, Code | CodedConcept]]:
    yield code.PURPOSE, code.AUDIT
    yield code.CAUTION, code.POLICY
    yield code.READING, screw.reading
    if screw.is_blind is not None:
        yield code.BLIND, code.YES if screw.is_blind else code.NO
    for seen in screw.proposals_seen:
        yield code.PROPOSAL, code.PROPOSALS_SEEN[seen]
    if not screw.is_assessable:
        yield code.ASSESSABLE, code.NOT_ASSESSABLE[screw.not_assessable]
        return
    if screw.grade is not None:
        yield code.scale_name(screw.scale), code.grade_value(screw.scale, screw.grade)
    elif level(screw.level).has_pedicle_grade:
        yield code.scale_name(screw.scale), code.PARTLY_READ
    if screw.confidence is not None:
        yield code.CONFIDENCE, code.CONFIDENCES[screw.confidence]


def _source_images(
    screw: ReportedScrew, identity: ScanIdentity
) -> Sequence[SourceImageForMeasurementGroup] | None:
    """Return the slices that the screw lies in; of a multi-frame image, the image."""
    if screw.slices is None:
        return None
    first, last = screw.slices
    uids = dict.fromkeys(identity.sop_uids[first : last + 1])
    return [SourceImageForMeasurementGroup(identity.sop_class_uid, uid) for uid in uids] or None
