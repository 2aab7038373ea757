"""What may come in through an address or a body: numbers of records, and JSON of a sane shape."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from flask.json.provider import DefaultJSONProvider
from werkzeug.routing import IntegerConverter

from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    from flask import Flask
    from werkzeug.routing import Map

LARGEST_NUMBER = 2**31 - 1
"""The largest number that a record can have on every database; beyond it there is no page."""


def whole_number(text: str | None, where: str) -> int:
    """Return a whole number that a page's own form sends; BadInputError where it is none."""
    if text is None or not (text.isascii() and text.isdigit()) or int(text) > LARGEST_NUMBER:
        raise BadInputError(Fault("not as this page sends it", where, "open the page again"))
    return int(text)


class RecordNumber(IntegerConverter):
    """A record's number in an address."""

    def __init__(self, url_map: Map) -> None:
        super().__init__(url_map, max=LARGEST_NUMBER)


class SaneJson(DefaultJSONProvider):
    """JSON that can be kept: not nested without end, no half characters."""

    def loads(self, s: str | bytes, **kwargs: Any) -> Any:  # noqa: ANN401 - as json itself
        """Return the document; ValueError where it cannot be kept."""
        try:
            document = super().loads(s, **kwargs)
            json.dumps(document, ensure_ascii=False).encode()
        except RecursionError:
            raise ValueError("nested too deeply") from None
        return document


def take_input(app: Flask) -> None:
    """Let an application take input in this way; before its routes are made."""
    app.url_map.converters["int"] = RecordNumber
    app.json = SaneJson(app)
