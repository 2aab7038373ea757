"""Send a structured report to the hospital's archive."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from registry.actions.fetch import GET, WEB, archive_of
from registry.domain.problems import ProblemError

if TYPE_CHECKING:
    from datetime import datetime

    from registry.actions.export_sr import ExportedReport
    from registry.actions.fetch import Way
    from registry.domain.access import Viewer
    from registry.imaging.archive import Archive
    from registry.store.home import Ledger


def archive_to_send_to(ledger: Ledger, way: Way) -> Archive:
    """Return the archive: by STOW-RS where a DICOMweb service is named, else by C-STORE.

    BadInputError names the settings that are wanting.
    """
    is_web = bool(way.url or ledger.settings.archive_url) and way.peer is None
    return archive_of(ledger, replace(way, by=WEB if is_web else GET))


def send_report(
    ledger: Ledger, viewer: Viewer, report: ExportedReport, archive: Archive, now: datetime
) -> None:
    """Send a report; returns once the archive says that it keeps it.

    The event comes first, for what has left cannot be taken back; where the archive does not take
    it, a second event says so, and FailureError says why.
    """
    record = f"scan:{report.scan_id}"
    with ledger.writing(viewer, now) as work:
        work.note("send a structured report", record, report.said)
    try:
        archive.store(report.data)
    except ProblemError:
        with ledger.writing(viewer, now) as work:
            work.note("a structured report was not taken", record, report.said)
        raise
