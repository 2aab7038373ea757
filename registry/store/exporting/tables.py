"""The tables of an export: no identity, patients by pseudonym, columns in an order that stays."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.consensus import ConsensusState
from registry.domain.directions import Direction, Side
from registry.domain.levels import LEVELS
from registry.domain.readings import (
    Confidence,
    Method,
    NotAssessableReason,
    ProposalSeen,
    ReadingRole,
)
from registry.domain.scans import ScanKind, ScanReason
from registry.domain.techniques import Approach, Guidance, Intention, Life, NoScanReason
from registry.store.exporting.shapes import Field, Kind, Shape

if TYPE_CHECKING:
    from collections.abc import Iterable

_LARGEST_EXTENT_MM = 60


def words(*kinds: Iterable[str]) -> tuple[str, ...]:
    """Return the words of closed sets, as a dictionary lists them."""
    return tuple(str(word) for kind in kinds for word in kind)


def _text(name: str, description: str, *, is_required: bool = False) -> Field:
    return Field(name, Kind.TEXT, description, is_required=is_required)


def _one_of(name: str, description: str, *kinds: Iterable[str], is_required: bool = False) -> Field:
    return Field(name, Kind.TEXT, description, words=words(*kinds), is_required=is_required)


def _id(name: str, description: str) -> Field:
    return Field(name, Kind.WHOLE, description, is_required=True, least=1)


def _refers(name: str, description: str, table: str, field: str, *, is_required: bool) -> Field:
    return Field(
        name, Kind.WHOLE, description, is_required=is_required, refers_to=(table, field), least=1
    )


def _person(name: str, description: str, *, is_required: bool = False) -> Field:
    return _refers(name, description, "people", "person", is_required=is_required)


def _day(name: str, description: str, *, is_required: bool = False) -> Field:
    return Field(name, Kind.DAY, description, is_required=is_required)


def _instant(name: str, description: str, *, is_required: bool = False) -> Field:
    return Field(name, Kind.INSTANT, description, is_required=is_required)


def _truth(name: str, description: str, *, is_required: bool = False) -> Field:
    return Field(name, Kind.TRUTH, description, is_required=is_required)


def _number(
    name: str, description: str, unit: str, least: int | None = 0, most: int | None = None
) -> Field:
    return Field(name, Kind.NUMBER, description, unit=unit, least=least, most=most)


def _extents() -> tuple[Field, ...]:
    return tuple(
        _number(
            f"{wall}_mm",
            f"extent outside the outer cortex, {wall.value.replace('_', ' ')}; 0 where contained, "
            "empty where not measured",
            "mm",
            most=_LARGEST_EXTENT_MM,
        )
        for wall in Direction
    )


def _extent_deviations() -> tuple[Field, ...]:
    return tuple(
        _number(f"{wall}_sd_mm", f"one standard deviation of {wall}_mm", "mm") for wall in Direction
    )


PEOPLE = Shape(
    "people",
    "Surgeons, operators, assistants and readers who stand in the other tables.",
    (_id("person", "number of the person"), _text("name", "name", is_required=True)),
    ("person",),
)

CASES = Shape(
    "cases",
    "One row an operation on one patient.",
    (
        _id("case", "number of the case"),
        _text("case_ref", "the operation's reference, as in the theatre log", is_required=True),
        _text("patient", "the patient's pseudonym", is_required=True),
        _truth("withdrawn", "the patient has been withdrawn", is_required=True),
        _day("operated_on", "day of operation", is_required=True),
        _person("surgeon", "responsible surgeon", is_required=True),
        _person("second_surgeon", "second surgeon"),
        _text("assistants", "numbers of the assistants in people, with spaces between"),
        _text("indication", "why the operation was done"),
        _truth("revision", "a revision, not a primary"),
        _number("cobb_deg", "Cobb angle", "deg", most=180),
        _number("bmi", "body mass index", "kg/m2", most=150),
        _text("bone_quality", "bone quality"),
        _one_of("approach", "approach", Approach),
        _one_of("no_ct_reason", "why there is no post-operative CT", NoScanReason),
        _refers(
            "audit_scan",
            "the scan that the case is counted on; empty where it has none",
            "scans",
            "scan",
            is_required=False,
        ),
    ),
    ("case",),
)

SCREWS = Shape(
    "screws",
    "One row a screw.",
    (
        _id("screw", "number of the screw"),
        _refers("case", "its case", "cases", "case", is_required=True),
        _one_of("level", "level", (level.code for level in LEVELS), is_required=True),
        _one_of("side", "the patient's side", Side, is_required=True),
        Field(
            "number",
            Kind.WHOLE,
            "1 unless a side has several at that level",
            is_required=True,
            least=1,
            most=9,
        ),
        _text("entry_technique", "where the bone was entered", is_required=True),
        _text("technique_words", "which, where the entry technique is other"),
        _one_of("guidance", "what guided the screw", Guidance, is_required=True),
        _person("operator", "who placed the screw"),
        _text("operator_grade", "grade of the operator"),
        _text("supervision", "how the operator was supervised"),
        _number("diameter_mm", "catalogued diameter", "mm", most=20),
        _number("length_mm", "catalogued length", "mm", most=200),
        _text("alloy", "what the screw is made of"),
        _one_of("curve_side", "side of the curve in a deformity", ("concave", "convex")),
        _truth("at_apex", "at the apex of the deformity"),
        _one_of("intention", "an exit that was planned", Intention),
        _instant("intention_recorded_at", "when the intention was recorded"),
        _text("udi", "implant identifier as scanned"),
        _one_of("life", "what became of the screw in the operation", Life, is_required=True),
        _text("first_track", "the first track of a redirected screw"),
        _refers("replaces", "the screw that it replaces", "", "screw", is_required=False),
    ),
    ("screw",),
)

SCANS = Shape(
    "scans",
    "One row a set of images of a case.",
    (
        _id("scan", "number of the scan"),
        _refers("case", "its case", "cases", "case", is_required=True),
        _day("scanned_on", "day of the scan", is_required=True),
        _one_of("kind", "when and how it was made", ScanKind, is_required=True),
        _one_of("reason", "why it was made", ScanReason, is_required=True),
        _truth("held_here", "its images are in the ledger", is_required=True),
        _truth("adequate", "good enough to be counted on", is_required=True),
        _truth("audit_scan", "the scan that the case is counted on", is_required=True),
    ),
    ("scan",),
)

READINGS = Shape(
    "readings",
    "One row a reading of one screw on one scan; superseded ones too.",
    (
        _id("reading", "number of the reading"),
        _refers("screw", "the screw", "screws", "screw", is_required=True),
        _refers("scan", "the scan", "scans", "scan", is_required=True),
        _person("reader", "who read it", is_required=True),
        _one_of("role", "role of the reading", ReadingRole, is_required=True),
        _day("read_on", "day read", is_required=True),
        _instant("recorded_at", "when it was recorded", is_required=True),
        _truth("assessable", "the screw could be read", is_required=True),
        _one_of("not_assessable_reason", "why it could not", NotAssessableReason),
        _one_of("method", "how the extents were found", Method, is_required=True),
        *_extents(),
        *_extent_deviations(),
        _number("bearing_deg", "bearing of the greatest pedicle extent", "deg", least=None),
        _number("convergence_deg", "convergence angle", "deg", least=-180, most=180),
        _number("sagittal_deg", "sagittal angle", "deg", least=-180, most=180),
        _one_of("confidence", "the reader's confidence", Confidence),
        _truth("blind", "read without knowing whose screw it is", is_required=True),
        Field("seconds_spent", Kind.WHOLE, "time that it took", unit="s", least=0),
        _text("note", "the reader's note"),
        _refers("supersedes", "the reading that it replaces", "", "reading", is_required=False),
        _text("superseded_reason", "why that reading was replaced"),
        _one_of("proposal_seen", "when its reader had been shown the proposal", ProposalSeen),
        _text("picture_sha256", "digest of the picture kept with it, in the ledger's images"),
    ),
    ("reading",),
)

CONSENSUS = Shape(
    "consensus",
    "One row a screw on a scan: what its readings come to.",
    (
        _refers("screw", "the screw", "screws", "screw", is_required=True),
        _refers("scan", "the scan", "scans", "scan", is_required=True),
        _truth("audit_scan", "on the scan that the case is counted on", is_required=True),
        _one_of("state", "how it came about", ConsensusState, is_required=True),
        _truth("provisional", "another reading is owed", is_required=True),
        _truth("assessable", "the screw could be read", is_required=True),
        *_extents(),
        _number("bearing_deg", "bearing of the greatest pedicle extent", "deg", least=None),
        _text("grade", "grade on the unit's scale; empty where a needed wall was not measured"),
        _text("readings_used", "numbers of the readings, with commas between", is_required=True),
        _text("rule_version", "version of the rule that worked it out", is_required=True),
    ),
    ("screw", "scan"),
)

OUTCOMES = Shape(
    "outcomes",
    "One row a thing that was observed of a case after it.",
    (
        _id("outcome", "number of the outcome"),
        _refers("case", "its case", "cases", "case", is_required=True),
        _refers("screw", "the screw that it is put down to", "screws", "screw", is_required=False),
        _day("observed_on", "day observed", is_required=True),
        _truth("deficit", "a new deficit", is_required=True),
        _text("deficit_words", "which deficit"),
        _truth("revised_for_position", "revised for the screw's position", is_required=True),
        _text("action", "what was done"),
        _day("patient_told_on", "day on which the patient was told"),
        _person("patient_told_by", "who told the patient"),
        _instant("recorded_at", "when it was recorded", is_required=True),
    ),
    ("outcome",),
)

ASSIGNMENTS = Shape(
    "assignments",
    "One row a reading that was asked for.",
    (
        _id("assignment", "number of the assignment"),
        _refers("screw", "the screw", "screws", "screw", is_required=True),
        _refers("scan", "the scan", "scans", "scan", is_required=True),
        _one_of("role", "role of the reading", ReadingRole, is_required=True),
        _person("reader", "who was asked; empty where anyone may"),
        _text("reason", "why it was asked for", is_required=True),
        _instant("made_at", "when it was asked for", is_required=True),
        _refers(
            "supersedes",
            "the reading that it is to replace",
            "readings",
            "reading",
            is_required=False,
        ),
        _instant("closed_at", "when it was closed without being read"),
        _text("closed_reason", "why it was closed"),
    ),
    ("assignment",),
)

SHAPES = (PEOPLE, CASES, SCREWS, SCANS, READINGS, CONSENSUS, OUTCOMES, ASSIGNMENTS)
