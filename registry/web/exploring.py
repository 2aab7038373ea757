"""The question that goes along in addresses from a crossed table to a screw, and back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import url_for

if TYPE_CHECKING:
    from collections.abc import Mapping

    from werkzeug.datastructures import MultiDict

QUESTION = (
    *("by", "from", "to", "period", "threshold", "direction", "intended", "interval", "minimum"),
    "own",
)
"""What a crossed table is asked."""

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
