"""Codes of the structured report: the standard's where there is one, else the ledger's own.

Context groups are those of DICOM PS3.16, in pydicom's copy of them; TID 1500, 1501, 300 and 1003
are its templates. The ledger's own codes stand under a scheme that begins with 99, as PS3.3 section
8.2 asks of private ones, and that each report names in Coding Scheme Identification Sequence.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, TypeAlias

from highdicom.coding_schemes import CodingSchemeIdentificationItem
from highdicom.sr import CodedConcept, FindingSite
from pydicom.sr.codedict import codes

from registry.domain.consensus import ConsensusState
from registry.domain.directions import PEDICLE_WALLS, Direction, Side
from registry.domain.levels import Region, level
from registry.domain.readings import (
    Confidence,
    Method,
    NotAssessableReason,
    ProposalSeen,
    ReadingRole,
)
from registry.domain.scales import SCALES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydicom.sr.coding import Code

SCHEME = "99LEDGER"
Concept: TypeAlias = CodedConcept
_LONGEST_VALUE, _LONGEST_MEANING = 16, 64  # SH and LO, PS3.5 section 6.2


def local(value: str, meaning: str) -> CodedConcept:
    """Return one of the ledger's own codes; ValueError where it is longer than DICOM lets it be."""
    if len(value) > _LONGEST_VALUE or len(meaning) > _LONGEST_MEANING:
        raise ValueError(f"{value!r} is no code: too long")
    return CodedConcept(value=value, scheme_designator=SCHEME, meaning=meaning)


def scheme() -> CodingSchemeIdentificationItem:
    """Return what names the scheme; PS3.3 C.12.1.1.17, without which each use is warned of."""
    return CodingSchemeIdentificationItem(
        designator=SCHEME,
        name="Pedicle Ledger: placement of pedicle screws",
        responsible_organization="the unit that keeps the ledger",
    )


TITLE: Code = codes.DCM.ImagingMeasurementReport  # CID 7021
PROCEDURE: Code = codes.SCT.ComputedTomography  # 77477000
SCREW: Code = codes.SCT.BoneScrew  # 68183006, CID 7157
READER: Code = codes.NCIt.Reader  # CID 7453
ADJUDICATOR: Code = codes.NCIt.Adjudicator  # CID 7453
MILLIMETRE: Code = codes.UCUM.Millimeter
DEGREE: Code = codes.UCUM.Degree
DIAMETER: Code = codes.SCT.Diameter  # 81827009
LENGTH: Code = codes.SCT.Length  # 410668003
ANGLE: Code = codes.SCT.Angle  # 1483009
YES: Code = codes.SCT.Yes  # CID 230
NO: Code = codes.SCT.No
SIDES: Mapping[Side, Code] = MappingProxyType(
    {Side.LEFT: codes.SCT.Left, Side.RIGHT: codes.SCT.Right}  # CID 244
)

# No standard code was found for these; a screw's way out of the bone has none in PS3.16.
EXTENT = local("EXTENT", "Extent of the screw outside the outer cortex")
EXTENT_SD = local("EXTENT-SD", "Standard deviation of an extent")
CATALOGUED = local("CATALOGUED", "As catalogued, not measured on the image")
FROM_ENTRY_TO_TIP = local("ENTRY-TO-TIP", "From the entry point to the tip, on the image")
CONVERGENCE = local("CONVERGENCE", "Convergence; positive when the tip is nearer the midplane")
SAGITTAL = local("SAGITTAL", "Sagittal, to the endplate; positive when the tip is cranial")
BEARING = local("BEARING", "Of the greatest extent: 0 medial, 90 cranial, 180 lateral")
READING = local("READING", "Reading that is reported")
BLIND = local("BLIND", "Read blind")
PROPOSAL = local("PROPOSAL", "Whether a reader was shown what the program measured")
PROPOSALS_SEEN: Mapping[ProposalSeen, CodedConcept] = MappingProxyType(
    {
        ProposalSeen.AFTER_OWN: local("AFTER_OWN", "Changed after the proposal was shown"),
        ProposalSeen.FROM_START: local("FROM_START", "Read with the proposal shown"),
    }
)
ALGORITHM = "Pedicle Ledger, proposal of a screw's placement"
CONFIDENCE = local("CONFIDENCE", "Reader's own confidence")
ASSESSABLE = local("ASSESSABLE", "Whether the screw could be read")
PURPOSE = local("PURPOSE", "Purpose of this report")
AUDIT = local("AUDIT", "Audit and quality improvement; not diagnosis or treatment")
CAUTION = local("CAUTION", "Caution")
POLICY = local("POLICY", "Follow local policy and licensed practice")
PARTLY_READ = local("PARTLY-READ", "No grade: a wall that the level needs was not measured")

METHODS: Mapping[Method, CodedConcept] = MappingProxyType(
    {
        Method.CONTOUR: local("CONTOUR", "Curve fitted to the outer cortex, section by section"),
        Method.CALLIPER: local(
            "CALLIPER", "Line on a section, from the cortex to the screw's edge"
        ),
        Method.BY_EYE: local("BY-EYE", "Contained by eye, after every section was on screen"),
        Method.TYPED: local("TYPED", "Read elsewhere and typed"),
    }
)
ROLES: Mapping[ReadingRole, CodedConcept] = MappingProxyType(
    {
        ReadingRole.FIRST: local("FIRST", "First reading"),
        ReadingRole.SECOND: local("SECOND", "Second reading"),
        ReadingRole.ADJUDICATION: local("ADJUDICATION", "Adjudication"),
    }
)
CONSENSUS: Mapping[ConsensusState, CodedConcept] = MappingProxyType(
    {
        ConsensusState.SINGLE: local("CONSENSUS-1", "Consensus: one reading"),
        ConsensusState.AGREED: local("CONSENSUS-2", "Consensus: two readings agree"),
        ConsensusState.ADJUDICATED: local("CONSENSUS-3", "Consensus: adjudicated"),
        ConsensusState.AWAITING_SECOND: local(
            "PROVISIONAL-2", "Provisional: awaiting the second reading"
        ),
        ConsensusState.AWAITING_ADJUDICATION: local(
            "PROVISIONAL-3", "Provisional: awaiting adjudication"
        ),
    }
)
NOT_ASSESSABLE: Mapping[NotAssessableReason | None, CodedConcept] = MappingProxyType(
    {
        None: local("NOT-ASSESSABLE", "Not assessable"),
        NotAssessableReason.ARTEFACT: local("NA-ARTEFACT", "Not assessable: artefact"),
        NotAssessableReason.NOT_COVERED: local("NA-NOT-COVERED", "Not assessable: not covered"),
        NotAssessableReason.SCREW_NOT_THERE: local(
            "NA-NOT-THERE", "Not assessable: screw not there"
        ),
    }
)
CONFIDENCES: Mapping[Confidence, CodedConcept] = MappingProxyType(
    {each: local(each.upper(), each.capitalize()) for each in Confidence}
)
_SCALE_LETTERS = {
    "gertzbein-robbins": "GR",
    "two-millimetre-steps": "2MM",
    "laine": "LAINE",
    "neo": "NEO",
    "safe-zone": "ZONE",
}


def scale_name(scale: str) -> CodedConcept:
    """Return what names a grade: its scale."""
    return local(f"GRADE-{_SCALE_LETTERS[scale]}", f"Grade by {SCALES[scale].title}")


def grade_value(scale: str, grade: str) -> CodedConcept:
    """Return a grade of a scale; its meaning is the grade as it is written."""
    return local(f"{_SCALE_LETTERS[scale]}-{grade}".upper(), grade)


_SEGMENTS = {
    "S1": local("SEGMENT-S1", "First sacral segment"),
    "S2 alar-iliac": local("SEGMENT-S2", "Second sacral segment, towards the ilium"),
}
# CID 7603 ends at T12 and L5.
_OWN_VERTEBRAE = {
    "T13": local("VERTEBRA-T13", "T13 vertebra"),
    "L6": local("VERTEBRA-L6", "L6 vertebra"),
}
_BODY = local("BODY", "Body of vertebra")
_BODY_LATERAL = local("BODY-LATERAL", "Lateral, of the body")
_DIRECTIONS: Mapping[Direction, Code | CodedConcept] = MappingProxyType(
    {
        Direction.MEDIAL: codes.SCT.Medial,  # CID 2, with the three that follow
        Direction.LATERAL: codes.SCT.Lateral,
        Direction.CRANIAL: codes.SCT.Cephalic,
        Direction.CAUDAL: codes.SCT.Caudal,
        Direction.ANTERIOR: codes.SCT.Anterior,
        Direction.BODY_LATERAL: codes.SCT.Lateral,
        Direction.ENDPLATE: local("ENDPLATE", "Endplate"),
    }
)


def bone(code: str) -> Code | CodedConcept:
    """Return the bone of a level: its vertebra (CID 7603), the sacrum or the ilium (CID 4031)."""
    if code in _OWN_VERTEBRAE:
        return _OWN_VERTEBRAE[code]
    # Sacrum is 54735007 and Ilium 22356005.
    name = "Sacrum" if code in _SEGMENTS else "Ilium" if code == "ilium" else f"{code}Vertebra"
    found: Code = getattr(codes.SCT, name)
    return found


def site_of_screw(code: str, side: Side) -> FindingSite:
    """Return where a screw is: bone, side, and at the sacrum the segment, which no code names."""
    return FindingSite(
        bone(code), laterality=SIDES[side], topographical_modifier=_SEGMENTS.get(code)
    )


def site_of_extent(code: str, side: Side, direction: Direction) -> FindingSite:
    """Return where an extent was measured: pedicle, body or pelvic bone, side and direction.

    Pedicle of vertebra is 78972004, CID 6115; the body of a vertebra has no code there.
    """
    where = _DIRECTIONS[direction]
    if level(code).region is Region.PELVIC:
        part = bone(code)
        # The one bone has no body to tell its lateral wall from.
        where = _BODY_LATERAL if direction is Direction.BODY_LATERAL else where
    else:
        part = codes.SCT.PedicleOfVertebra if direction in PEDICLE_WALLS else _BODY
    return FindingSite(part, laterality=SIDES[side], topographical_modifier=where)
