"""Bytes of a table to cells: encoding, separator, quotes. Cells stay text.

Quoting follows RFC 4180; besides the comma, semicolon and tab may separate.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from registry.intake.parsed import Faults, shown

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

SEPARATORS = (",", ";", "\t")
WHITE = " \t\r\n\N{NO-BREAK SPACE}"
"""Trimmed from cells; the separators that bar codes carry inside are not among them."""

# First bytes: PKWARE APPNOTE 4.3.7; [MS-CFB] 2.2; ISO 32000-1 7.5.2; RFC 1952 2.3.1.
_NOT_TEXT = (
    (b"PK\x03\x04", "an XLSX workbook or a zip"),
    (b"PK\x05\x06", "an empty zip"),
    (b"\xd0\xcf\x11\xe0", "a workbook in the old binary form (XLS)"),
    (b"%PDF", "a PDF"),
    (b"\x1f\x8b", "packed with gzip"),
)
_UTF_16_MARKS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
# Python's codecs that are no encoding of a file of text.
_NO_FILE_ENCODINGS = frozenset(
    {"idna", "punycode", "undefined", "unicode_escape", "raw_unicode_escape"}
)
_SAVE_AS = "save the table as CSV in UTF-8"


class Decoded(NamedTuple):
    """Text and the encoding it came in."""

    text: str
    encoding: str


class Record(NamedTuple):
    """One row as a spreadsheet numbers it; a line break inside quotes starts no row."""

    row: int
    cells: list[str]


@dataclass(frozen=True)
class Sheet:
    """Header and rows of a table, blank rows left out.

    Attributes
    ----------
    header : None where there is none
    records : the rows under it
    separator : '' where nothing stands between the cells, as in a workbook
    days : row and index of the cells that a workbook holds as dates
    unread : row and index of the cells that have no text; faults say why
    notes : what a person should know, though nothing is wrong
    """

    header: Record | None
    records: tuple[Record, ...]
    separator: str
    days: frozenset[tuple[int, int]] = frozenset()
    unread: frozenset[tuple[int, int]] = frozenset()
    notes: tuple[str, ...] = ()


def decode(data: bytes, encoding: str | None, faults: Faults) -> Decoded | None:
    """Return the text of `data`, or None where it has none; what is wrong goes to `faults`.

    UTF-8 with or without byte order mark; `encoding` is for files that are not.
    """
    if data.startswith(codecs.BOM_UTF8):
        encoding = "utf-8-sig"
    elif refusal := _no_csv(data, encoding):
        faults.add(*refusal)
        return None
    codec = _codec(encoding or "utf-8")
    if codec is None:
        faults.add(
            f"no text encoding is called '{shown(encoding or '')}'",
            "use a name such as utf-8, cp1252 or iso-8859-15 with --encoding",
        )
        return None
    try:
        text = data.decode(codec)
    except UnicodeDecodeError as error:
        _tell_byte(data, error.start, codec, faults)
        return None
    except UnicodeError:
        faults.add(
            f"the text is not {codec}", f"name the file's own with --encoding, or {_SAVE_AS}"
        )
        return None
    if "\0" in text:
        line = _line(text[: text.index("\0")])
        faults.add(f"line {line} holds a zero byte, so this is no CSV text", _SAVE_AS)
        return None
    return Decoded(text, codec)


def _no_csv(data: bytes, encoding: str | None) -> tuple[str, str] | None:
    """Return what the first bytes say that this is instead of CSV, and the mend."""
    for mark, kind in _NOT_TEXT:
        if data.startswith(mark):
            return f"this is {kind}, not CSV", _SAVE_AS
    if encoding is None and data.startswith(_UTF_16_MARKS):
        return "the text is UTF-16, not UTF-8", f"say --encoding utf-16, or {_SAVE_AS}"
    return None


def _codec(encoding: str) -> str | None:
    """Python's name of a text encoding, or None where there is none."""
    if not re.fullmatch(r"[A-Za-z0-9_.:-]{1,40}", encoding):
        return None
    try:
        name = codecs.lookup(encoding).name
        " ".encode(name)  # a codec that does not make text refuses to
    except (LookupError, UnicodeError):
        return None
    return None if name.replace("-", "_") in _NO_FILE_ENCODINGS else name


def _tell_byte(data: bytes, at: int, codec: str, faults: Faults) -> None:
    value = f" (0x{data[at]:02X})" if at < len(data) else ""
    line = _line(data[:at].decode("latin-1"))
    another = "--encoding cp1252" if codec.startswith("utf") else "--encoding utf-8"
    faults.add(
        f"line {line} holds a byte{value} that is not {codec}",
        f"name the file's own encoding, such as {another}, or {_SAVE_AS}",
    )


def _line(before: str) -> int:
    """Line of the character that follows `before`, counted from 1; CR, LF or CRLF end a line."""
    return len(re.findall(r"\r\n|\r|\n", before)) + 1


def split(text: str, known: Collection[str], faults: Faults) -> Sheet:
    """Return the rows of `text`; the separator is the one under which the header is best known.

    Parameters
    ----------
    text : a whole table
    known : the column names that a header may hold, in small letters
    faults : takes the rows whose quotes are wrong
    """
    separator = max(SEPARATORS, key=lambda mark: _fit(text, mark, known))
    header: Record | None = None
    records: list[Record] = []
    for record in _records(text, separator, faults):
        if not any(cell.strip(WHITE) for cell in record.cells):
            continue
        if header is None:
            header = record
        else:
            records.append(record)
    return Sheet(header, tuple(records), separator)


def _fit(text: str, separator: str, known: Collection[str]) -> tuple[int, int]:
    """How many known names, then how many cells, the header has under this separator."""
    unheard = Faults("")
    for record in _records(text, separator, unheard):
        names = [header_name(cell) for cell in record.cells]
        if any(name.strip("".join(SEPARATORS) + WHITE) for name in names):
            return sum(name in known for name in names), len(names)
    return 0, 0


def header_name(cell: str) -> str:
    """Return a column's name as it is compared: trimmed, in small letters."""
    return cell.strip(WHITE).lower()


def _records(text: str, separator: str, faults: Faults) -> Iterator[Record]:
    # newline="" leaves line ends alone, so that those inside quotes stay the cell's own.
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    row = 0
    while True:
        row += 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            reason = str(error)
            if "field larger" in reason:
                # So long a cell is an opening quote that was never closed: what follows is noise.
                faults.add("a cell is too long to be one", "close its quote", row=row)
                return
            _tell_quotes(reason, row, faults)
        else:
            yield Record(row, cells)


def _tell_quotes(reason: str, row: int, faults: Faults) -> None:
    if "unexpected end" in reason:
        faults.add("a quote is opened and never closed", 'close it, or write "" for one', row=row)
        return
    faults.add(
        "text follows a closing quote",
        'put the whole cell in quotes and write "" for a quote inside it',
        row=row,
    )
