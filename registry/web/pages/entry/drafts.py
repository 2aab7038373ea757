"""A case as it stands in the form: what was sent, and the construct laid out from defaults."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from registry.domain.directions import Side
from registry.domain.levels import LEVELS, Region, level, parse_level
from registry.domain.problems import BadInputError, Fault
from registry.domain.techniques import TECHNIQUES, EntryTechnique, Life
from registry.intake.entered import CASE, SCREW, ScrewPlace, read_fields
from registry.web.construct_fields import screw_texts

if TYPE_CHECKING:
    from collections.abc import Mapping

    from werkzeug.datastructures import MultiDict

MOST_AT_A_PLACE = 9
FEW_PEOPLE_S = ("T13", "L6")
"""Vertebrae that a span passes over unless they are said to be there."""

DEFAULTED = (
    *("guidance", "diameter_mm", "length_mm", "operator", "operator_grade", "supervision"),
    "alloy",
)
SIDES = {"both": (Side.LEFT, Side.RIGHT), "left": (Side.LEFT,), "right": (Side.RIGHT,)}
ALSO = {"": (), **{code: (code,) for code in FEW_PEOPLE_S}, "T13 and L6": FEW_PEOPLE_S}
SPAN = ("top", "bottom", "sides", "also")
_LONGEST_EARLIER = 120


def technique_default(region: Region) -> str:
    """Return the name of the default entry technique of a region."""
    return f"technique_{region}"


TECHNIQUES_OF = {
    region: tuple(
        technique.value
        for technique, facts in TECHNIQUES.items()
        if region in facts.regions and technique is not EntryTechnique.OTHER
    )
    for region in Region
}
DEFAULTS = (*SPAN, *map(technique_default, Region), *DEFAULTED)


@dataclass(frozen=True)
class Draft:
    """A form as it was sent, every text as typed.

    Attributes
    ----------
    case : by the name of the field
    defaults : the span of levels and what each screw is filled with
    laid : the defaults that the construct was laid out with
    screws : the texts of each place
    confirmed : names that are confirmed as new persons
    earlier : screws of earlier cases that may be replaced, with their words, by level and side
    """

    case: Mapping[str, str] = field(default_factory=dict)
    defaults: Mapping[str, str] = field(default_factory=dict)
    laid: Mapping[str, str] = field(default_factory=dict)
    screws: Mapping[ScrewPlace, Mapping[str, str]] = field(default_factory=dict)
    confirmed: tuple[str, ...] = ()
    earlier: tuple[tuple[str, ScrewPlace, str], ...] = ()

    @property
    def there(self) -> dict[ScrewPlace, Mapping[str, str]]:
        """The places that have a screw."""
        return {place: texts for place, texts in self.screws.items() if texts["life"].strip()}


def empty_draft() -> Draft:
    """Return a form that nothing was typed into."""
    only = {technique_default(region): words[0] for region, words in TECHNIQUES_OF.items()
            if len(words) == 1}  # fmt: skip
    return Draft(defaults={**dict.fromkeys(DEFAULTS, ""), **only, "sides": "both"})


def place_key(place: ScrewPlace) -> str:
    """Return a place as the form's names begin with it."""
    return f"{place.level.replace(' ', '-')}.{place.side}.{place.number}"


def _place(key: str) -> ScrewPlace:
    parts = key.split(".")
    try:
        code, side, number = parts
        found = ScrewPlace(parse_level(code).code, Side(side), int(number))
    except ValueError:
        found = None
    if found is None or place_key(found) != key or not 1 <= found.number <= MOST_AT_A_PLACE:
        raise BadInputError(Fault("not in the form that this page sends", "Construct"))
    return found


def read_draft(form: MultiDict[str, str]) -> Draft:
    """Return what a form sent; BadInputError where it is none of this page's."""
    places = sorted({_place(key) for key in form.getlist("place")}, key=_order)
    flat = form.to_dict()
    return Draft(
        case={asked.name: flat.get(asked.name, "") for asked in CASE},
        defaults={name: flat.get(f"default.{name}", "") for name in DEFAULTS},
        laid={name: flat.get(f"laid.{name}", "") for name in DEFAULTS},
        screws={place: screw_texts(flat, f"{place_key(place)}.") for place in places},
        confirmed=tuple(form.getlist("new_person")),
        earlier=tuple(_earlier(text) for text in form.getlist("earlier")),
    )


def _earlier(text: str) -> tuple[str, ScrewPlace, str]:
    """Return a screw that may be replaced; saving looks at the ledger itself again."""
    number, key, words = ([*text.split("|", 2), "", ""])[:3]
    return number[:12], _place(key), words[:_LONGEST_EARLIER]


def _order(place: ScrewPlace) -> tuple[int, str, int]:
    return level(place.level).order, place.side, place.number


def laid_out(draft: Draft) -> Draft:
    """Return the draft with a place a level and side of the span, filled from the defaults.

    What was typed into a place stays; what still is the default that it was filled with takes the
    new one. Places beyond the span go.

    Raises
    ------
    BadInputError
        a level or a default that is none, named by its field
    """
    codes, faults = _codes(draft.defaults)
    asked = [each for each in SCREW if each.name in DEFAULTED]
    optional = [replace(each, is_required=False) for each in asked]
    _, wrong = read_fields(optional, draft.defaults)
    faults += [Fault(fault.what, f"All screws, {fault.where}", fault.mend) for fault in wrong]
    if faults:
        raise BadInputError(*faults)
    sides = SIDES.get(draft.defaults["sides"], SIDES["both"])
    places = {ScrewPlace(code, side) for code in codes for side in sides}
    places |= {place for place in draft.screws if ScrewPlace(place.level, place.side) in places}
    screws = {place: _filled(draft, place) for place in sorted(places, key=_order)}
    return replace(draft, screws=screws, laid=dict(draft.defaults))


def _codes(defaults: Mapping[str, str]) -> tuple[list[str], list[Fault]]:
    """Return the levels of the span, cranial first."""
    ends, faults = [], []
    for name, label in (("top", "From level"), ("bottom", "To level")):
        text = defaults[name].strip()
        try:
            ends.append(parse_level(text))
        except ValueError as error:
            what = f"'{text[:20]}' is not a level" if text else "is empty"
            faults.append(Fault(what, label, str(error)))
    if faults:
        return [], faults
    low, high = sorted(end.order for end in ends)
    named = {end.code for end in ends} | set(ALSO.get(defaults["also"], ()))
    codes = [
        each.code
        for each in LEVELS[low : high + 1]
        if each.code not in FEW_PEOPLE_S or each.code in named
    ]
    return codes, []


def _filled(draft: Draft, place: ScrewPlace) -> dict[str, str]:
    fresh, old = _of_place(draft.defaults, place), _of_place(draft.laid, place)
    known = draft.screws.get(place)
    if known is None:
        return {**screw_texts({}), **fresh, "life": Life.PLACED.value}
    return {
        name: fresh[name] if name in fresh and text.strip() == old[name] else text
        for name, text in known.items()
    }


def _of_place(defaults: Mapping[str, str], place: ScrewPlace) -> dict[str, str]:
    found = {name: defaults.get(name, "").strip() for name in DEFAULTED}
    region = level(place.level).region
    return {**found, "entry_technique": defaults.get(technique_default(region), "").strip()}


def with_second(draft: Draft, key: str) -> Draft:
    """Return the draft with one more screw at the level and side of a place."""
    place = _place(key)
    here = [each for each in draft.screws if (each.level, each.side) == (place.level, place.side)]
    if not here or len(here) >= MOST_AT_A_PLACE:
        raise BadInputError(Fault("no more screws fit there", "Construct"))
    added = replace(place, number=max(each.number for each in here) + 1)
    screws = {**draft.screws, added: _filled(draft, added)}
    return replace(draft, screws={each: screws[each] for each in sorted(screws, key=_order)})
