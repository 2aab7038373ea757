"""A quarter's report as files: JSON, HTML, PDF, a workbook, and a CSV a table."""

from __future__ import annotations

import io
import zipfile
from typing import TYPE_CHECKING

from registry.actions.export_files import Export
from registry.actions.quarter_numbers import quarter_numbers
from reports.documents.flat_tables import flat_tables
from reports.documents.html import as_html
from reports.documents.pdf import as_pdf
from reports.documents.quarter import as_json_bytes
from reports.documents.quarter_document import quarter_document
from reports.documents.table_files import as_csv, as_workbook

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from reports.documents.blocks import Document
    from reports.documents.quarter import QuarterReport

VERB = "make a quarter's report"
"""What the trail says was done when a report is written from the shell."""

_EARLIEST = (1980, 1, 1, 0, 0, 0)


def quarter_files(report: QuarterReport, document: Document | None = None) -> dict[str, bytes]:
    """Return every file of a report by its name: 2026Q3.html, 2026Q3.rates.csv ...

    `document` is what people read of it, where that is more than the report's own.
    """
    name = report.spans.quarter.name
    document, tables = document or quarter_document(report), flat_tables(report)
    files = {
        f"{name}.html": as_html(document),
        f"{name}.pdf": as_pdf(document),
        f"{name}.json": as_json_bytes(report),
        f"{name}.xlsx": as_workbook(tables, report.made_at),
    }
    return files | {f"{name}.{table.name}.csv": as_csv(table) for table in tables}


def _zipped(report: QuarterReport) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in quarter_files(report).items():
            member = zipfile.ZipInfo(name, _EARLIEST)
            member.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(member, data)
    return target.getvalue()


FORMS: dict[str, Callable[[QuarterReport], bytes]] = {
    "html": lambda report: as_html(quarter_document(report)),
    "pdf": lambda report: as_pdf(quarter_document(report)),
    "json": as_json_bytes,
    "xlsx": lambda report: as_workbook(flat_tables(report), report.made_at),
    "zip": _zipped,
}
"""What makes each form of a report alone; `zip` is all of its files."""


def quarter_export(ledger: Ledger, viewer: Viewer, period: str, now: datetime) -> Export:
    """Return a quarter's report ready to leave the ledger, which is an event."""
    report = quarter_numbers(ledger, viewer, period, now)
    rows = {table.name: len(table.lines) for table in flat_tables(report)}
    return Export(VERB, f"report of {report.spans.quarter.name}", rows, quarter_files(report))
