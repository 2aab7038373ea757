"""What an export is asked for with: the fields, and what they hold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.export_research import Factor, asked_factors
from registry.domain.problems import BadInputError, Fault
from registry.store.exporting.files import Format
from registry.web.fields import Choice, Field

if TYPE_CHECKING:
    from collections.abc import Sequence

    from werkzeug.datastructures import MultiDict

TABLES, RESEARCH = "tables", "research"
_FORMATS = (
    Choice(Format.CSV, "CSV"),
    Choice(Format.XLSX, "Excel workbook (XLSX)"),
    Choice(Format.PARQUET, "Parquet"),
)
_FACTORS = tuple(Choice(factor, factor.value) for factor in Factor)


@dataclass(frozen=True)
class Asked:
    """What was asked for; `by` only for research."""

    is_research: bool
    form: Format
    by: tuple[Factor, ...]


def read_asked(form: MultiDict[str, str]) -> Asked:
    """Return what a form asks for; BadInputError says what is wrong with it."""
    what, wanted = form.get("what", ""), form.get("format", "")
    if what not in {TABLES, RESEARCH}:
        raise BadInputError(Fault("neither tables nor research", "what", "choose one"))
    if wanted not in list(Format):
        raise BadInputError(Fault("no such format", "format", f"choose from {', '.join(Format)}"))
    by = ",".join(filter(None, (form.get("by", ""), form.get("and_by", ""))))
    return Asked(what == RESEARCH, Format(wanted), asked_factors(by if what == RESEARCH else ""))


def table_fields() -> Sequence[Field]:
    """Return the fields of an export of the tables."""
    return (Field("format", "Files", Format.CSV, "select", _FORMATS, mark="-tables"),)


def research_fields() -> Sequence[Field]:
    """Return the fields of a research extract."""
    return (
        Field("format", "Files", Format.CSV, "select", _FORMATS, mark="-research"),
        Field("by", "Split by", "", "select", (Choice("", "nothing"), *_FACTORS)),
        Field("and_by", "And by", "", "select", (Choice("", "nothing more"), *_FACTORS)),
    )
