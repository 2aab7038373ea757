"""The fields of the page on which a case is entered."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from registry.domain.directions import Side
from registry.domain.levels import Region, level
from registry.domain.techniques import Life
from registry.intake.entered import CASE, SCREW, ScrewPlace
from registry.web.construct_fields import asked_field, errors_by_place, screw_fields
from registry.web.fields import Choice, Field
from registry.web.pages.entry.drafts import (
    ALSO,
    DEFAULTED,
    SIDES,
    TECHNIQUES_OF,
    place_key,
    technique_default,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from registry.domain.problems import Fault
    from registry.web.pages.entry.drafts import Draft

LEVELS_LIST = "levels"
WORDS_OF_SIDES = {Side.LEFT: "left", Side.RIGHT: "right"}
_IN_SIGHT = ("entry_technique", "diameter_mm", "length_mm", "life")
_HINTS = {
    "operated_on": "YYYY-MM-DD",
    "birth_date": "YYYY-MM-DD; kept encrypted",
    "patient_ref": "kept encrypted",
    "assistants": "with | between two names",
}
_AS_ASKED = Choice("", "none chosen")


@dataclass(frozen=True)
class PlaceFields:
    """A screw of the construct: what is in sight, and what is under `more`.

    Attributes
    ----------
    key : begins the names of its fields
    words : the place as it is read: T12 left
    in_sight, more : its fields
    is_open : whether `more` is shown
    is_empty : no screw is here
    sticker : what its implant sticker says
    """

    key: str
    words: str
    in_sight: Sequence[Field]
    more: Sequence[Field]
    is_open: bool
    is_empty: bool
    sticker: Sequence[str]


@dataclass(frozen=True)
class LevelRow:
    """A level of the construct and the screws of each side that is laid out."""

    level: str
    sides: Sequence[Sequence[PlaceFields]]


@dataclass(frozen=True)
class FaultLine:
    """A fault as it is read, and the id of its field, or '' where none is meant."""

    text: str
    field_id: str


@dataclass(frozen=True)
class EntryFields:
    """Everything that the page asks."""

    case: Sequence[Field]
    span: Sequence[Field]
    techniques: Sequence[Field]
    defaults: Sequence[Field]
    sides: Sequence[str]
    rows: Sequence[LevelRow]
    faults: Sequence[FaultLine]


def entry_fields(
    draft: Draft, faults: Sequence[Fault] = (), stickers: Mapping[str, Sequence[str]] | None = None
) -> EntryFields:
    """Return a draft's fields, every text as typed, with what is wrong."""
    wrong = errors_by_place(faults)
    case = [
        asked_field(
            asked,
            draft.case.get(asked.name, ""),
            error=wrong.get(asked.label, ""),
            hint=_HINTS.get(asked.name, ""),
        )
        for asked in CASE
    ]
    span, techniques = _span(draft, wrong), _techniques(draft)
    defaults = _defaults(draft, wrong)
    places = {place: _place(draft, place, wrong, stickers or {}) for place in draft.screws}
    ids = {field.label: field.id for field in (*case, *span)}
    ids |= {f"All screws, {field.label}": field.id for field in defaults}
    for place, fields in places.items():
        ids |= {f"{place}, {asked.label}": _id(place, asked.name) for asked in SCREW}
        ids.setdefault(str(place), fields.in_sight[0].id)
    ids["Construct"] = span[0].id
    sides = [side for side in Side if any(place.side is side for place in places)]
    return EntryFields(
        case,
        span,
        techniques,
        defaults,
        [WORDS_OF_SIDES[side] for side in sides],
        list(_rows(places, sides)),
        [FaultLine(fault.line(), ids.get(fault.where, "")) for fault in faults],
    )


def _id(place: ScrewPlace, name: str) -> str:
    return Field(f"{place_key(place)}.{name}", "").id


def _span(draft: Draft, wrong: Mapping[str, str]) -> list[Field]:
    said = draft.defaults

    def end(name: str, label: str) -> Field:
        return Field(
            f"default.{name}",
            label,
            said[name],
            error=wrong.get(label, ""),
            suggestions=LEVELS_LIST,
            longest=20,
        )

    return [
        end("top", "From level"),
        end("bottom", "To level"),
        Field(
            "default.sides",
            "Sides",
            said["sides"],
            "select",
            tuple(Choice(side, side) for side in SIDES),
        ),
        Field(
            "default.also",
            "Vertebra that few people have",
            said["also"],
            "select",
            tuple(Choice(each, each or "none") for each in ALSO),
        ),
    ]


def _techniques(draft: Draft) -> list[Field]:
    return [
        Field(
            f"default.{technique_default(region)}",
            f"Entry, {region}",
            draft.defaults[technique_default(region)],
            "select",
            (_AS_ASKED, *(Choice(word, word) for word in TECHNIQUES_OF[region])),
        )
        for region in Region
    ]


def _defaults(draft: Draft, wrong: Mapping[str, str]) -> list[Field]:
    return [
        asked_field(
            replace(asked, is_required=False),
            draft.defaults[asked.name],
            name=f"default.{asked.name}",
            error=wrong.get(f"All screws, {asked.label}", ""),
            more=[_AS_ASKED] if asked.words else [],
        )
        for asked in SCREW
        if asked.name in DEFAULTED
    ]


def _place(
    draft: Draft,
    place: ScrewPlace,
    wrong: Mapping[str, str],
    stickers: Mapping[str, Sequence[str]],
) -> PlaceFields:
    key, texts = place_key(place), draft.screws[place]
    earlier = [
        Choice(number, words)
        for number, there, words in draft.earlier
        if (there.level, there.side) == (place.level, place.side)
    ]
    fields = screw_fields(
        texts,
        place=place,
        prefix=f"{key}.",
        errors=wrong,
        earlier=earlier,
        without_screw="no screw here",
    )
    more = [field for name, field in fields.items() if name not in _IN_SIGHT]
    usual = {f"{key}.{name}": draft.laid.get(name, "").strip() for name in DEFAULTED}
    is_open = any(field.error or field.value.strip() != usual.get(field.name, "") for field in more)
    words = f"{place.level} {WORDS_OF_SIDES[place.side]}"
    return PlaceFields(
        key,
        words if place.number == 1 else f"{words}, screw {place.number}",
        [fields[name] for name in _IN_SIGHT],
        more,
        is_open or texts["life"] not in {"", Life.PLACED.value},
        not texts["life"].strip(),
        stickers.get(key, ()),
    )


def _rows(places: Mapping[ScrewPlace, PlaceFields], sides: Sequence[Side]) -> Iterator[LevelRow]:
    codes = sorted({place.level for place in places}, key=lambda code: level(code).order)
    for code in codes:
        here = {place: fields for place, fields in places.items() if place.level == code}
        yield LevelRow(
            code,
            [[fields for place, fields in here.items() if place.side is side] for side in sides],
        )
