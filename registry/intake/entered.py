"""A case and its screws as typed into a form: texts in, values and faults out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.domain.problems import BadInputError, Fault
from registry.domain.techniques import (
    Approach,
    CurveSide,
    EntryTechnique,
    Guidance,
    Intention,
    Life,
    NoScanReason,
)
from registry.intake import values
from registry.intake.parsed import shown
from registry.intake.sheet import NOT_SHOWN

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import date
    from decimal import Decimal

    from registry.domain.directions import Side

LONGEST_TRACK = 300
LONGEST_SHORT_WORDS = 100
LONGEST_NUMBER_TEXT = 12
LONGEST_DAY_TEXT = 10


@dataclass(frozen=True)
class Asked:
    """One field of a form.

    Attributes
    ----------
    name : of the field, and of what it fills
    label : as a person reads it, and as a fault names it
    is_a : what its text is, with its article, as a fault says it
    parse : trimmed text to value, or a ValueError that says how to mend it
    longest : characters that it takes
    is_required : it may not be empty
    is_number : a decimal comma stands for the point, since the field holds one number
    is_identity : its text is never repeated
    words : the closed set that it is chosen from; empty for a field that is typed
    """

    name: str
    label: str
    is_a: str
    parse: Callable[[str], object]
    longest: int = values.LARGEST_WORDS
    is_required: bool = False
    is_number: bool = False
    is_identity: bool = False
    words: tuple[str, ...] = ()


@dataclass(frozen=True)
class ScrewPlace:
    """Where a screw sits: its key within the case."""

    level: str
    side: Side
    number: int = 1

    def __str__(self) -> str:
        return f"{self.level} {self.side}" + (f" ({self.number})" if self.number > 1 else "")


@dataclass(frozen=True, kw_only=True)
class EnteredScrew:
    """One screw as typed; `technique_words` says which where the technique is other, else None."""

    place: ScrewPlace
    entry_technique: EntryTechnique
    technique_words: str | None = None
    guidance: Guidance
    operator: str | None = None
    operator_grade: str | None = None
    supervision: str | None = None
    diameter_mm: Decimal | None = None
    length_mm: Decimal | None = None
    alloy: str | None = None
    life: Life
    first_track: str | None = None
    intention: Intention | None = None
    curve_side: CurveSide | None = None
    is_at_apex: bool | None = None
    implant_identifier: str | None = None
    replaces_id: int | None = None


@dataclass(frozen=True, kw_only=True)
class EnteredCase:
    """One case as typed, with its screws."""

    case_ref: str
    patient_ref: str
    birth_date: date | None = None
    operated_on: date
    surgeon: str
    second_surgeon: str | None = None
    assistants: tuple[str, ...] | None = None
    indication: str | None = None
    revision: bool | None = None
    approach: Approach | None = None
    cobb_deg: Decimal | None = None
    bone_quality: str | None = None
    bmi: Decimal | None = None
    no_ct_reason: NoScanReason | None = None
    screws: tuple[EnteredScrew, ...]


def _short(text: str) -> str:
    return values.words(text, LONGEST_SHORT_WORDS)


def _track(text: str) -> str:
    return values.words(text, LONGEST_TRACK)


def _record(text: str) -> int:
    if not text.isascii() or not text.isdigit() or len(text) > LONGEST_NUMBER_TEXT:
        raise ValueError("choose one of the screws that are offered")
    return int(text)


def _chosen(name: str, label: str, is_a: str, kind: Any, *, is_required: bool = False) -> Asked:  # noqa: ANN401 - a closed set of words
    words = tuple(member.value for member in kind)
    return Asked(name, label, is_a, values.word(kind), is_required=is_required, words=words)


def _number(name: str, label: str, is_a: str, parse: Callable[[str], object]) -> Asked:
    return Asked(name, label, is_a, parse, LONGEST_NUMBER_TEXT, is_number=True)


_PERSON = "a person's name"
_YES_OR_NO = ("yes", "no")

CASE: tuple[Asked, ...] = (
    Asked(
        "case_ref",
        "Case reference",
        "a case reference",
        values.reference,
        values.LARGEST_REFERENCE,
        is_required=True,
    ),
    Asked(
        "patient_ref",
        "Patient's hospital number",
        "a hospital number",
        values.reference,
        values.LARGEST_REFERENCE,
        is_required=True,
        is_identity=True,
    ),
    Asked(
        "operated_on",
        "Day of operation",
        "a day",
        values.day,
        LONGEST_DAY_TEXT,
        is_required=True,
    ),
    Asked(
        "surgeon",
        "Responsible surgeon",
        _PERSON,
        values.person,
        values.LARGEST_NAME,
        is_required=True,
    ),
    Asked("second_surgeon", "Second surgeon", _PERSON, values.person, values.LARGEST_NAME),
    Asked("assistants", "Assistants", "a list of persons", values.people, 5 * values.LARGEST_NAME),
    Asked(
        "birth_date",
        "Patient's birth date",
        "a day",
        values.day,
        LONGEST_DAY_TEXT,
        is_identity=True,
    ),
    Asked("indication", "Indication", "an indication", values.words),
    Asked(
        "revision",
        "Primary or revision",
        "one of the two",
        values.revision,
        words=("primary", "revision"),
    ),
    _chosen("approach", "Approach", "an approach", Approach),
    _number("cobb_deg", "Cobb angle, degrees", "an angle", values.tenths(values.LARGEST_COBB_DEG)),
    Asked("bone_quality", "Bone quality", "a bone quality", values.words),
    _number(
        "bmi",
        "Body mass index",
        "a body mass index",
        values.tenths(values.LARGEST_BODY_MASS_INDEX, above_zero=True),
    ),
    _chosen("no_ct_reason", "Why there is no CT", "a reason without CT", NoScanReason),
)
"""What is asked about a case, in the order of the form."""

SCREW: tuple[Asked, ...] = (
    _chosen(
        "entry_technique", "Entry technique", "an entry technique", EntryTechnique, is_required=True
    ),
    _number(
        "diameter_mm",
        "Diameter, mm",
        "a diameter in mm",
        values.tenths(values.LARGEST_DIAMETER_MM, above_zero=True),
    ),
    _number(
        "length_mm",
        "Length, mm",
        "a length in mm",
        values.tenths(values.LARGEST_LENGTH_MM, above_zero=True),
    ),
    _chosen("life", "Life", "a screw's life", Life, is_required=True),
    Asked("technique_words", "If other, which", "a technique in words", values.words),
    _chosen("guidance", "Guidance", "a guidance", Guidance, is_required=True),
    Asked("operator", "Operator", _PERSON, values.person, values.LARGEST_NAME),
    Asked("operator_grade", "Operator's grade", "a grade", _short, LONGEST_SHORT_WORDS),
    Asked("supervision", "Supervision", "a supervision", values.words),
    Asked("alloy", "Alloy", "an alloy", _short, LONGEST_SHORT_WORDS),
    Asked("first_track", "First track, if redirected", "a track", _track, LONGEST_TRACK),
    _chosen("intention", "Intended exit", "an intention", Intention),
    _chosen("curve_side", "Side of the curve", "a side of the curve", CurveSide),
    Asked("is_at_apex", "At the apex", "a yes or no", values.truth, words=_YES_OR_NO),
    Asked("implant_identifier", "Implant sticker", "an implant identifier", values.implant),
    Asked("replaces_id", "Replaces the earlier screw", "a screw", _record, LONGEST_NUMBER_TEXT),
)
"""What is asked about a screw whose place is known."""


def fault_place(asked: Asked, place: ScrewPlace | None = None) -> str:
    """Return how a fault names a field: its label, for a screw after its place."""
    return asked.label if place is None else f"{place}, {asked.label}"


def place_of(asked: Sequence[Asked], name: str, place: ScrewPlace | None = None) -> str:
    """Return how a fault names the field with this name."""
    return fault_place(next(each for each in asked if each.name == name), place)


def read_fields(
    asked: Sequence[Asked], texts: Mapping[str, str], place: ScrewPlace | None = None
) -> tuple[dict[str, Any], list[Fault]]:
    """Return a value a field, None where it is empty, and what is wrong with the others."""
    found: dict[str, Any] = {}
    faults: list[Fault] = []
    for each in asked:
        text = texts.get(each.name, "").strip()
        found[each.name] = None
        if not text:
            if each.is_required:
                faults.append(Fault("is empty", fault_place(each, place), f"give {each.is_a}"))
            continue
        try:
            found[each.name] = each.parse(text.replace(",", ".") if each.is_number else text)
        except ValueError as error:
            said = NOT_SHOWN if each.is_identity else f"'{shown(text)}'"
            what = f"{said} is not {each.is_a}"
            faults.append(Fault(what, fault_place(each, place), str(error)))
    return found, faults


def day_faults(
    asked: Sequence[Asked], found: Mapping[str, Any], names: Sequence[str], today: date
) -> list[Fault]:
    """Return a fault for each of the named days that lies after the unit's today."""
    return [
        Fault(f"{found[name]} lies after today", place_of(asked, name), "check the day")
        for name in names
        if found[name] is not None and found[name] > today
    ]


def read_screw(
    place: ScrewPlace, texts: Mapping[str, str]
) -> tuple[EnteredScrew | None, list[Fault]]:
    """Return a screw as typed, or None and what is wrong with it."""
    found, faults = read_fields(SCREW, texts, place)

    def wrong(name: str, what: str, mend: str) -> None:
        faults.append(Fault(what, place_of(SCREW, name, place), mend))

    is_other = found["entry_technique"] is EntryTechnique.OTHER
    if is_other and not found["technique_words"]:
        wrong("technique_words", "is empty", "say which technique it was")
    if found["technique_words"] and found["entry_technique"] and not is_other:
        wrong("technique_words", "is for the technique other alone", "choose other, or empty it")
    is_redirected = found["life"] is Life.REDIRECTED
    if is_redirected and not found["first_track"]:
        wrong("first_track", "is empty", "say where the first track went")
    if found["first_track"] and found["life"] and not is_redirected:
        wrong("first_track", "is for a redirected screw alone", "choose redirected, or empty it")
    return (None, faults) if faults else (EnteredScrew(place=place, **found), [])


def read_case(
    texts: Mapping[str, str], screws: Mapping[ScrewPlace, Mapping[str, str]], today: date
) -> EnteredCase:
    """Return a case as typed.

    Parameters
    ----------
    texts : of the case's own fields
    screws : the texts of each screw, cranial first
    today : the unit's day; no operation lies after it

    Raises
    ------
    BadInputError
        everything that is wrong, each fault named by its field
    """
    found, faults = read_fields(CASE, texts)
    day, born = found["operated_on"], found["birth_date"]
    faults += day_faults(CASE, found, ["operated_on"], today)
    if day is not None and born is not None and born > day:
        what = f"{NOT_SHOWN} lies after the operation"
        faults.append(Fault(what, place_of(CASE, "birth_date"), "check both days"))
    entered = []
    for place, said in screws.items():
        screw, wrong = read_screw(place, said)
        faults += wrong
        if screw is not None:
            entered.append(screw)
    if not screws:
        mend = "choose the levels from and to, and lay the construct out"
        faults.append(Fault("there is no screw", "Construct", mend))
    if faults:
        raise BadInputError(*faults)
    return EnteredCase(**found, screws=tuple(entered))


def people_of(case: EnteredCase) -> dict[str, str]:
    """Return every person's name in a case and the field that it stands in first."""
    named: dict[str, str] = {}

    def add(name: str | None, where: str) -> None:
        if name is not None:
            named.setdefault(name, where)

    add(case.surgeon, place_of(CASE, "surgeon"))
    add(case.second_surgeon, place_of(CASE, "second_surgeon"))
    for name in case.assistants or ():
        add(name, place_of(CASE, "assistants"))
    for screw in case.screws:
        add(screw.operator, place_of(SCREW, "operator", screw.place))
    return named
