"""One table to the bytes of its file: CSV, XLSX or Parquet; formulas made harmless.

CSV follows RFC 4180. A text that a spreadsheet would take for a formula carries an apostrophe
(OWASP ASVS 5.0.0, requirement 1.2.10; OWASP, CSV Injection); numbers stay numbers. In XLSX every
text is a cell of type text, which no program takes for a formula, so it stays as it is.
"""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC, date, datetime
from decimal import Decimal
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell

from registry.domain.problems import BadInputError, Fault
from registry.store.exporting.shapes import Kind

if TYPE_CHECKING:
    from collections.abc import Callable

    from openpyxl.worksheet._write_only import WriteOnlyWorksheet

    from registry.store.exporting.shapes import Field, Filled


class Format(StrEnum):
    """In what files tables leave the ledger."""

    CSV = "csv"
    XLSX = "xlsx"
    PARQUET = "parquet"


MEDIA_TYPES = {
    Format.CSV: "text/csv",
    Format.XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    Format.PARQUET: "application/vnd.apache.parquet",
}

# Full-width forms are taken for the plain ones in some countries' spreadsheets.
_SIGNS = r"=+\-@\uff1d\uff0b\uff0d\uff20"
_BEGINS = re.compile(rf"[\s\"]*[{_SIGNS}]|[\t\r\n\0]")
# Opened with another separator, what follows one inside a text begins a cell of its own.
_INSIDE = re.compile(rf"([,;|\t\r\n][\s\"]*)(?=[{_SIGNS}])")
# ECMA-376 Part 1, 22.9.2.19, ST_Xstring: how XML that cannot hold a mark writes it.
_NOT_IN_XML = re.compile(r"[\x00-\x08\x0b-\x1f\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")


# What openpyxl would take for a formula or an error, and what has to be written otherwise.
_NEEDS_A_TYPE = re.compile(rf"^#|^$|^(?:{_BEGINS.pattern})|{_NOT_IN_XML.pattern}")


def written(table: Filled, form: Format, now: datetime) -> bytes:
    """Return the bytes of a table's file; `now` is when it is made."""
    return _WRITERS[form](table, now)


def harmless(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula, whichever separator it takes."""
    marked = _INSIDE.sub(r"\1'", text)
    return f"'{marked}" if _BEGINS.match(text) else marked


def instant_text(at: datetime) -> str:
    """Return an instant as ISO 8601 has it, in UTC."""
    return at.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _as_csv(table: Filled, _now: datetime) -> bytes:
    target = io.StringIO(newline="")
    writer = csv.writer(target, lineterminator="\r\n")
    writer.writerow([field.name for field in table.shape.fields])
    for row in table.rows:
        writer.writerow(
            [
                field.empty_as if value is None else _csv_cell(value)
                for field, value in zip(table.shape.fields, row, strict=True)
            ]
        )
    return target.getvalue().encode()


def _csv_cell(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return instant_text(value)
    if isinstance(value, date):
        return value.isoformat()
    return harmless(value) if isinstance(value, str) else str(value)


def _as_xlsx(table: Filled, now: datetime) -> bytes:
    book = Workbook(write_only=True)
    book.properties.created = book.properties.modified = now.astimezone(UTC).replace(tzinfo=None)
    book.properties.creator = "Pedicle Ledger"
    # A shape's own name: nothing that was typed names a sheet.
    sheet = book.create_sheet(table.shape.name)
    sheet.append([_text_cell(sheet, field.name) for field in table.shape.fields])
    for row in table.rows:
        cells = [
            _xlsx_cell(sheet, (field.empty_as or None) if value is None else value)
            for field, value in zip(table.shape.fields, row, strict=True)
        ]
        if row[-1] is None and not table.shape.fields[-1].empty_as:
            # Else the row would end before its last column.
            cells[-1] = _text_cell(sheet, "")
        sheet.append(cells)
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def _xlsx_cell(sheet: WriteOnlyWorksheet, value: Any) -> Any:  # noqa: ANN401 - openpyxl's own
    if isinstance(value, datetime):
        # A spreadsheet knows no zone, so an instant stays text.
        return _text_cell(sheet, instant_text(value))
    if isinstance(value, str) and _NEEDS_A_TYPE.search(value):
        return _text_cell(sheet, value)
    # What else there is has its type by itself; a cell object for each takes most of the time.
    return value


def _text_cell(sheet: WriteOnlyWorksheet, text: str) -> Any:  # noqa: ANN401 - same reason
    escaped = _NOT_IN_XML.sub(lambda found: f"_x{ord(found[0]):04X}_", text)
    cell = WriteOnlyCell(sheet, value=escaped)
    cell.data_type = "s"
    if _BEGINS.match(text):
        # Someone who edits the cell would otherwise make a formula of it.
        cell.quotePrefix = True
    return cell


def _as_parquet(table: Filled, _now: datetime) -> bytes:
    arrow, parquet = _arrow()
    types: dict[Kind, Any] = {
        Kind.TEXT: arrow.string(),
        Kind.WHOLE: arrow.int64(),
        Kind.NUMBER: arrow.decimal128(9, 1),
        Kind.DAY: arrow.date32(),
        Kind.INSTANT: arrow.timestamp("us", tz="UTC"),
        Kind.TRUTH: arrow.bool_(),
    }
    fields = table.shape.fields
    schema = arrow.schema(
        [
            arrow.field(
                field.name,
                types[field.kind],
                nullable=not field.is_required,
                metadata=_about(field),
            )
            for field in fields
        ]
    )
    columns = list(zip(*table.rows, strict=True)) or [() for _ in fields]
    arrays = [
        arrow.array([_plain(value) for value in column], type=types[field.kind])
        for field, column in zip(fields, columns, strict=True)
    ]
    target = io.BytesIO()
    parquet.write_table(arrow.Table.from_arrays(arrays, schema=schema), target)
    return target.getvalue()


def _about(field: Field) -> dict[str, str]:
    return {"description": field.description, **({"unit": field.unit} if field.unit else {})}


def _plain(value: object) -> object:
    return value.quantize(Decimal("0.1")) if isinstance(value, Decimal) else value


def require_installed(form: Format) -> None:
    """Say how to install what a form needs, before anything is asked of the ledger."""
    if form is Format.PARQUET:
        _arrow()


def _arrow() -> tuple[Any, Any]:
    try:
        import pyarrow as pa  # noqa: PLC0415 - an extra, and large
        from pyarrow import parquet  # noqa: PLC0415 - same reason
    except ModuleNotFoundError as error:
        raise BadInputError(
            Fault(
                "Parquet needs pyarrow, which is not installed",
                "format",
                "install pedicle-ledger[parquet], or choose csv or xlsx",
            )
        ) from error
    return pa, parquet


_WRITERS: dict[Format, Callable[[Filled, datetime], bytes]] = {
    Format.CSV: _as_csv,
    Format.XLSX: _as_xlsx,
    Format.PARQUET: _as_parquet,
}
