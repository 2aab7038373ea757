"""The one table of columns: what a theatre log and a table of readings may hold."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from registry.domain.millimetres import LARGEST_EXTENT_MM
from registry.domain.readings import Method, NotAssessableReason, ReadingRole
from registry.domain.scans import ScanKind, ScanReason
from registry.domain.techniques import Approach, Guidance, Intention, Life, NoScanReason
from registry.intake import values

if TYPE_CHECKING:
    from collections.abc import Callable


class GoesTo(StrEnum):
    """The record that a column belongs to."""

    CASE = "case"
    SCREW = "screw"
    READING = "reading"


@dataclass(frozen=True)
class Column:
    """One column; its name is also the field of the record that it goes to.

    Attributes
    ----------
    name : as the header spells it
    goes_to : the record
    is_a : what a cell is, with its article, as a fault says it
    parse : text to value, or a ValueError that says how to mend it
    explanation : for the people who fill the table
    is_required : the column must be there
    may_be_empty : so may be a cell of a required column; one of another column always may
    default : what an empty cell or a column left out means
    is_number : a decimal comma may stand in it
    is_identity : its values are never shown
    is_past : a day that cannot lie after today
    names_people : its values are persons' names
    """

    name: str
    goes_to: GoesTo
    is_a: str
    parse: Callable[[str], object]
    explanation: str
    is_required: bool = False
    may_be_empty: bool = False
    default: object = None
    is_number: bool = False
    is_identity: bool = False
    is_past: bool = False
    names_people: bool = False

    @property
    def is_day(self) -> bool:
        """Whether its values are days."""
        return self.parse is values.day


def _case(
    name: str,
    is_a: str,
    parse: Callable[[str], object],
    explanation: str,
    **more: bool,
) -> Column:
    return Column(name, GoesTo.CASE, is_a, parse, explanation, **more)


_EXTENT = "mm outside the outer cortex; 0 where contained, empty where not measured"


def _extent(name: str, where: str, *, is_required_column: bool) -> Column:
    return Column(
        name,
        GoesTo.READING,
        "an extent in mm",
        values.extent,
        f"{where}: {_EXTENT}",
        is_required=is_required_column,
        may_be_empty=True,
        is_number=True,
    )


def _angle(name: str, sense: str) -> Column:
    words = f"the screw's angle in degrees, {sense}; empty where not measured"
    return Column(name, GoesTo.READING, "an angle", values.angle, words, is_number=True)


_LEVEL = "C2 to C7, T1 to T13, L1 to L6, S1, S2 alar-iliac, ilium; Th and D read as T"
_SIDE = "L or R, the patient's; left and right are read too"
_NUMBER = "1 unless a side has two screws at that level"

THEATRE_LOG: tuple[Column, ...] = (
    _case(
        "case_ref", "a case reference", values.reference, "the operation's number", is_required=True
    ),
    _case(
        "patient_ref",
        "a patient reference",
        values.reference,
        "the hospital's number of the patient; kept encrypted",
        is_required=True,
        is_identity=True,
    ),
    _case(
        "operated_on",
        "a day",
        values.day,
        "day of operation, YYYY-MM-DD",
        is_required=True,
        is_past=True,
    ),
    _case(
        "surgeon",
        "a person's name",
        values.person,
        "responsible surgeon",
        is_required=True,
        names_people=True,
    ),
    Column("level", GoesTo.SCREW, "a level", values.level_code, _LEVEL, is_required=True),
    Column("side", GoesTo.SCREW, "a side", values.side, _SIDE, is_required=True),
    Column(
        "entry_technique",
        GoesTo.SCREW,
        "an entry technique",
        values.entry_technique,
        "where the bone was entered; other: words where none fits",
        is_required=True,
    ),
    Column(
        "guidance",
        GoesTo.SCREW,
        "a guidance",
        values.word(Guidance),
        "what guided the screw",
        is_required=True,
    ),
    Column("number", GoesTo.SCREW, "a screw's number", values.number, _NUMBER, default=1),
    _case("second_surgeon", "a person's name", values.person, "second surgeon", names_people=True),
    _case(
        "assistants",
        "a list of persons",
        values.people,
        "assistants, with | or + between two names",
        names_people=True,
    ),
    Column(
        "operator",
        GoesTo.SCREW,
        "a person's name",
        values.person,
        "who placed the screw",
        names_people=True,
    ),
    Column(
        "supervision",
        GoesTo.SCREW,
        "a supervision",
        values.words,
        "how the operator was supervised",
    ),
    _case("indication", "an indication", values.words, "why the operation was done"),
    _case("revision", "a yes or no", values.revision, "yes for a revision, no for a primary"),
    _case(
        "cobb_deg",
        "an angle in degrees",
        values.tenths(values.LARGEST_COBB_DEG),
        "Cobb angle in degrees",
        is_number=True,
    ),
    _case(
        "bmi",
        "a body mass index",
        values.tenths(values.LARGEST_BODY_MASS_INDEX, above_zero=True),
        "body mass index in kg per square metre",
        is_number=True,
    ),
    _case("bone_quality", "a bone quality", values.words, "bone quality"),
    _case("approach", "an approach", values.word(Approach), "open or percutaneous"),
    Column(
        "diameter_mm",
        GoesTo.SCREW,
        "a diameter in mm",
        values.tenths(values.LARGEST_DIAMETER_MM, above_zero=True),
        "catalogued diameter in mm",
        is_number=True,
    ),
    Column(
        "length_mm",
        GoesTo.SCREW,
        "a length in mm",
        values.tenths(values.LARGEST_LENGTH_MM, above_zero=True),
        "catalogued length in mm",
        is_number=True,
    ),
    Column("alloy", GoesTo.SCREW, "an alloy", values.words, "what the screw is made of"),
    Column(
        "intention",
        GoesTo.SCREW,
        "an intention",
        values.word(Intention),
        "an exit that was planned",
    ),
    Column(
        "life",
        GoesTo.SCREW,
        "a screw's life",
        values.word(Life),
        "placed, redirected, removed (before closure) or retained (from an earlier operation)",
        default=Life.PLACED,
    ),
    Column("udi", GoesTo.SCREW, "an implant identifier", values.implant, "identifier as scanned"),
    _case(
        "birth_date",
        "a day",
        values.day,
        "the patient's day of birth, YYYY-MM-DD; kept encrypted",
        is_identity=True,
    ),
    _case(
        "no_ct_reason",
        "a reason without CT",
        values.word(NoScanReason),
        "why the case has no post-operative CT",
    ),
)
"""One row a screw."""

READINGS: tuple[Column, ...] = (
    Column(
        "case_ref",
        GoesTo.READING,
        "a case reference",
        values.reference,
        "the operation's number, as in the theatre log",
        is_required=True,
    ),
    Column("level", GoesTo.READING, "a level", values.level_code, _LEVEL, is_required=True),
    Column("side", GoesTo.READING, "a side", values.side, _SIDE, is_required=True),
    Column(
        "reader",
        GoesTo.READING,
        "a person's name",
        values.person,
        "who read the screw",
        is_required=True,
        names_people=True,
    ),
    Column(
        "read_on",
        GoesTo.READING,
        "a day",
        values.day,
        "day read, YYYY-MM-DD",
        is_required=True,
        is_past=True,
    ),
    _extent("medial_mm", "towards the canal", is_required_column=True),
    _extent("lateral_mm", "away from the midplane", is_required_column=True),
    _extent("cranial_mm", "towards the head", is_required_column=True),
    _extent("caudal_mm", "towards the feet", is_required_column=True),
    Column("number", GoesTo.READING, "a screw's number", values.number, _NUMBER, default=1),
    Column(
        "scan_on",
        GoesTo.READING,
        "a day",
        values.day,
        "day of the scan, YYYY-MM-DD; empty: the day read",
        is_past=True,
    ),
    Column(
        "scan_kind",
        GoesTo.READING,
        "a kind of scan",
        values.word(ScanKind),
        "when and how the scan was made; empty: post-operative CT",
        default=ScanKind.POST_OPERATIVE_CT,
    ),
    Column(
        "scan_reason",
        GoesTo.READING,
        "a reason for a scan",
        values.word(ScanReason),
        "why the scan was made; empty: not stated",
        default=ScanReason.NOT_STATED,
    ),
    _extent("anterior_mm", "through the front of the body", is_required_column=False),
    _extent("body_lateral_mm", "through the side of the body", is_required_column=False),
    _extent("endplate_mm", "through an endplate", is_required_column=False),
    Column(
        "assessable",
        GoesTo.READING,
        "a yes or no",
        values.truth,
        "no where the screw cannot be read; empty: yes",
        default=True,
    ),
    Column(
        "reason",
        GoesTo.READING,
        "a reason",
        values.word(NotAssessableReason),
        "why the screw cannot be read",
    ),
    Column(
        "method",
        GoesTo.READING,
        "a method",
        values.word(Method),
        "how the extents were found; empty: typed",
        default=Method.TYPED,
    ),
    Column(
        "uncertainty_mm",
        GoesTo.READING,
        "an uncertainty in mm",
        values.tenths(LARGEST_EXTENT_MM),
        "one standard deviation of the row's extents in mm",
        is_number=True,
    ),
    _angle("convergence_deg", "above 0 where the tip lies nearer the midplane than the entry"),
    _angle("sagittal_deg", "above 0 where the tip lies cranially, against the upper endplate"),
    Column(
        "role",
        GoesTo.READING,
        "a role",
        values.word(ReadingRole),
        "first, second or adjudication; empty: first",
        default=ReadingRole.FIRST,
    ),
)
"""One row a reading of one screw."""
