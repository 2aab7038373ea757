"""The question that goes along in addresses from a crossed table to a screw, and back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from flask import url_for

from registry.actions.explore import own_as
from reports.tables.rate_words import stratum_heading
from reports.tables.splits import Split

if TYPE_CHECKING:
    from collections.abc import Mapping

    from werkzeug.datastructures import MultiDict

    from registry.domain.access import Viewer

CAME = "came"
"""The section of the own results from which a crossed table was opened."""

QUESTION = (
    *("by", "from", "to", "period", "threshold", "direction", "intended", "interval", "minimum"),
    *("own", CAME),
)
"""What a crossed table is asked, and where it was asked for."""

SECTIONS = {
    "entry-technique-by-level": (Split.LEVEL, Split.ENTRY_TECHNIQUE),
    "over-time": (Split.QUARTER, Split.LEVEL),
}
"""Sections of the own results that lead to a crossed table, and by what it is crossed."""

CELL = ("row", "column", "only")
"""Which of its cells is open, and which of the cell's screws."""

LIST = (*QUESTION, *CELL, "page")


def carried(args: MultiDict[str, str], names: tuple[str, ...]) -> dict[str, list[str]]:
    """Return those values of an address that go along, as `url_for` takes them."""
    return {name: args.getlist(name) for name in names if name in args}


def list_address(args: MultiDict[str, str], screw_id: int) -> str:
    """Return the address of the list that led to a screw, at that screw; '' where none did."""
    if "by" not in args:
        return ""
    return address_of("explore.screws", carried(args, LIST), anchor=f"screw-{screw_id}")


def address_of(endpoint: str, values: Mapping[str, Any], anchor: str | None = None) -> str:
    """Return an address with values, and the element of its page to go to."""
    return url_for(endpoint, _anchor=anchor, **values)


@dataclass(frozen=True)
class Crossing:
    """A crossed table of own screws that a section leads to: by what, and where."""

    words: str
    address: str


def crossings(viewer: Viewer, filters: Mapping[str, Any]) -> dict[str, Crossing]:
    """Return the crossed table of own screws that each section leads to, by section.

    Empty for who may not cross own screws alone, such as an account that sees every surgeon's.
    """
    if Split.SURGEON not in own_as(viewer):
        return {}
    own = {**filters, "own": Split.SURGEON.value}
    return {
        section: Crossing(
            " and ".join(stratum_heading(split) for split in by),
            address_of("explore.show", {**own, "by": [split.value for split in by], CAME: section}),
        )
        for section, by in SECTIONS.items()
    }


def own_address(args: MultiDict[str, str], filters: Mapping[str, Any]) -> str:
    """Return the address of the own results at the section that led here; '' where none did."""
    section = args.get(CAME, "")
    return address_of("own.show", filters, section) if section in SECTIONS else ""
