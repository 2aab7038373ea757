"""The data dictionary of an export: a Data Package whose resources carry a Table Schema.

Frictionless Data, Data Package and Table Schema specifications, https://datapackage.org/; `unit`
is a property of ours, which Table Schema allows, and holds a UCUM code.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

from registry.store.exporting.files import MEDIA_TYPES, Format, instant_text
from registry.store.exporting.shapes import Kind

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from registry.store.exporting.shapes import Field, Shape

NAME = "datapackage.json"
_APOSTROPHE = (
    "A text that a spreadsheet would take for a formula carries an apostrophe in front of it, "
    "numbers do not."
)


def dictionary(
    shapes: Sequence[Shape],
    files: Mapping[str, bytes],
    form: Format,
    *,
    title: str,
    description: str,
    now: datetime,
) -> bytes:
    """Return the dictionary of these tables; `files` are their bytes by the shape's name."""
    told = f"{description} {_APOSTROPHE}" if form is Format.CSV else description
    package = {
        "profile": "data-package",
        "name": "pedicle-ledger-export",
        "title": title,
        "description": told,
        "created": instant_text(now),
        "resources": [_resource(shape, files[shape.name], form) for shape in shapes],
    }
    return (json.dumps(package, ensure_ascii=False, indent=2) + "\n").encode()


def _resource(shape: Shape, data: bytes, form: Format) -> dict[str, Any]:
    return {
        "profile": "tabular-data-resource" if form is Format.CSV else "data-resource",
        "name": shape.name,
        "path": f"{shape.name}.{form}",
        "description": shape.description,
        "format": form.value,
        "mediatype": MEDIA_TYPES[form],
        **({"encoding": "utf-8"} if form is Format.CSV else {}),
        "bytes": len(data),
        "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
        "schema": {
            "fields": [_field(field) for field in shape.fields],
            "missingValues": list(dict.fromkeys(["", *(f.empty_as for f in shape.fields)])),
            **({"primaryKey": list(shape.key)} if shape.key else {}),
            **_foreign_keys(shape),
        },
    }


def _field(field: Field) -> dict[str, Any]:
    constraints: dict[str, Any] = {}
    if field.is_required:
        constraints["required"] = True
    if field.words:
        constraints["enum"] = list(field.words)
    if field.least is not None:
        constraints["minimum"] = field.least
    if field.most is not None:
        constraints["maximum"] = field.most
    return {
        "name": field.name,
        "type": field.kind.value,
        "format": "default",
        "description": field.description,
        **({"unit": field.unit} if field.unit else {}),
        **({"decimalChar": "."} if field.kind is Kind.NUMBER else {}),
        **({"constraints": constraints} if constraints else {}),
    }


def _foreign_keys(shape: Shape) -> dict[str, Any]:
    keys = [
        {
            "fields": [field.name],
            "reference": {"resource": field.refers_to[0], "fields": [field.refers_to[1]]},
        }
        for field in shape.fields
        if field.refers_to is not None
    ]
    return {"foreignKeys": keys} if keys else {}
