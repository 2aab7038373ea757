"""What an XLSX file is made of, looked at before any of it is trusted.

A workbook is a zip of XML parts (ECMA-376 Part 2). Sizes are checked before anything is unpacked;
a document type declaration, which alone can define entities, is refused as Part 2 does (8.2.5).
"""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from xml.parsers import expat

from openpyxl.utils import column_index_from_string

if TYPE_CHECKING:
    from collections.abc import Mapping

LARGEST_UNPACKED = 100 * 1024 * 1024
MOST_PARTS = 2000
MOST_ROWS = 100_000
MOST_COLUMNS = 200
BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, OSError)

SAVE_AS = "save it as an Excel workbook (.xlsx) or as CSV in UTF-8"
_OLD_BINARY = b"\xd0\xcf\x11\xe0"
_ENCRYPTED = "EncryptedPackage".encode("utf-16-le")  # [MS-OFFCRYPTO] 2.3.4.4
_DECLARATIONS = tuple("<!DOCTYPE".encode(codec) for codec in ("utf-8", "utf-16-le", "utf-16-be"))
_STRICT = b"purl.oclc.org/ooxml/spreadsheetml"
_CHUNK = 1 << 16
_COORDINATE = re.compile(r"([A-Z]{1,3})([0-9]{1,7})")


class RefusedError(Exception):
    """A workbook that is not read; says what it is and how to mend it."""

    def __init__(self, what: str, mend: str = SAVE_AS) -> None:
        super().__init__(what)
        self.what = what
        self.mend = mend


def is_workbook(data: bytes) -> bool:
    """Return whether the bytes are to be read as a workbook: a zip, or the old binary form."""
    return data.startswith((b"PK\x03\x04", _OLD_BINARY))


def check_package(data: bytes) -> None:
    """Refuse what is no XLSX, is locked, would grow out of bounds, or defines entities."""
    if data.startswith(_OLD_BINARY):
        if _ENCRYPTED in data:
            raise RefusedError(
                "this workbook is locked with a password",
                "open it, take the password off and save it again",
            )
        raise RefusedError("this is a workbook in the old binary form (XLS)")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _check_sizes(archive)
            _check_kind(archive)
            _check_declarations(archive)
    except BROKEN as error:
        raise RefusedError("this workbook is damaged and cannot be unpacked") from error


def _check_sizes(archive: zipfile.ZipFile) -> None:
    parts = archive.infolist()
    if len(parts) > MOST_PARTS:
        raise RefusedError(f"this workbook has more than {MOST_PARTS} parts")
    # Reading never unpacks more of a part than its stated size, so the sum is the most it can be.
    if sum(part.file_size for part in parts) > LARGEST_UNPACKED:
        raise RefusedError(
            f"this workbook would unpack to more than {LARGEST_UNPACKED // 2**20} MB",
            "save the table alone in a new workbook, or split it by year",
        )
    if any(part.flag_bits & 1 for part in parts):
        raise RefusedError("this zip is locked with a password", "take the password off")


def _check_kind(archive: zipfile.ZipFile) -> None:
    names = set(archive.namelist())
    if "xl/workbook.bin" in names:
        raise RefusedError("this is a workbook in the newer binary form (XLSB)")
    if "mimetype" in names and b"opendocument" in archive.read("mimetype"):
        raise RefusedError("this is an OpenDocument file (ODS)")
    if "[Content_Types].xml" not in names or not any(name.startswith("xl/") for name in names):
        raise RefusedError("this is a zip and holds no workbook")
    if "xl/workbook.xml" in names and _STRICT in archive.read("xl/workbook.xml"):
        raise RefusedError(
            "this workbook was saved as Strict Open XML", "save it as an ordinary Excel workbook"
        )


def _check_declarations(archive: zipfile.ZipFile) -> None:
    """Refuse a document type declaration in any part: no workbook has one."""
    longest = max(len(mark) for mark in _DECLARATIONS)
    for part in archive.infolist():
        with archive.open(part) as opened:
            before = b""
            while chunk := opened.read(_CHUNK):
                seen = before + chunk
                if any(mark in seen for mark in _DECLARATIONS):
                    raise RefusedError("this workbook declares a document type, which none does")
                before = seen[-longest:]


@dataclass
class Layout:
    """How the cells of a sheet lie.

    Attributes
    ----------
    rows, columns : the furthest that hold anything
    merged : the ranges of merged cells
    hidden_rows : numbers of the rows that are not shown and hold anything
    """

    rows: int = 0
    columns: int = 0
    merged: list[str] = field(default_factory=list)
    hidden_rows: set[int] = field(default_factory=set)


class _Walk:
    """Walks through a sheet's XML once; nothing of it is kept but the layout."""

    def __init__(self) -> None:
        self.layout = Layout()
        self._row = self._column = 0
        self._is_hidden = False

    def start(self, name: str, attributes: Mapping[str, str]) -> None:
        tag = name.rpartition(" ")[2]
        if tag == "row":
            self._begin_row(attributes)
        elif tag == "c":
            self._begin_cell(attributes)
        elif tag in {"v", "is", "f"}:
            self._hold()
        elif tag == "mergeCell":
            self.layout.merged.append(attributes.get("ref", "?"))

    def _begin_row(self, attributes: Mapping[str, str]) -> None:
        given = attributes.get("r", "")
        self._row = (
            int(given) if given.isdecimal() and len(given) <= len("1048576") else (self._row + 1)
        )
        self._column = 0
        self._is_hidden = attributes.get("hidden") in {"1", "true"}

    def _begin_cell(self, attributes: Mapping[str, str]) -> None:
        self._column += 1
        if found := _COORDINATE.fullmatch(attributes.get("r", "")):
            self._column = column_index_from_string(found[1])
            self._row = int(found[2])

    def _hold(self) -> None:
        layout = self.layout
        layout.rows = max(layout.rows, self._row)
        layout.columns = max(layout.columns, self._column)
        if self._is_hidden:
            layout.hidden_rows.add(self._row)
        if layout.rows > MOST_ROWS:
            raise RefusedError(
                f"the first sheet goes beyond row {MOST_ROWS}", "split the table by year"
            )
        if layout.columns > MOST_COLUMNS:
            raise RefusedError(
                f"the first sheet holds something beyond column {MOST_COLUMNS}",
                "empty the cells to the right of the table",
            )


def layout_of(data: bytes, part: str) -> Layout:
    """Return how the cells of the sheet in `part` lie."""
    walk = _Walk()
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = walk.start
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive, archive.open(part) as opened:
            parser.ParseFile(opened)
    except (expat.ExpatError, KeyError, ValueError, *BROKEN) as error:
        raise RefusedError("the first sheet of this workbook is damaged") from error
    return walk.layout
