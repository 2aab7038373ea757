"""Files that come in, one at a time as a browser or an archive sends them."""

from __future__ import annotations

import io
import zipfile
from typing import TYPE_CHECKING

from registry.actions.accounts import acting
from registry.actions.arrival_survey import Decision
from registry.actions.arrivals import close_arrival, open_arrival, take_file
from registry.actions.work_arrivals import work_once
from registry.domain.arrivals import ArrivalSource
from registry.domain.scans import ScanKind, ScanReason
from tests.build.loaded import NOW
from tests.imaging.written_files import encoded, slices

if TYPE_CHECKING:
    from collections.abc import Iterable

    from registry.domain.access import Viewer
    from registry.store.home import Ledger


def a_study(count: int = 12, **attributes: object) -> list[bytes]:
    """Return a series as files of explicit little endian."""
    return [encoded(each, each.file_meta.TransferSyntaxUID) for each in slices(count, **attributes)]


def a_zip(files: Iterable[bytes], name: str = "Invented^Person/{}.dcm") -> bytes:
    """Return files as a zip, under names that name somebody, and with a comment that does."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.comment = b"Invented^Person"
        for number, content in enumerate(files):
            archive.writestr(name.format(number), content)
    return packed.getvalue()


def arrived(ledger: Ledger, files: Iterable[bytes], viewer: Viewer | None = None) -> int:
    """Send files and close the arrival; return it."""
    asking = viewer or acting(ledger, None)
    arrival = open_arrival(ledger, asking, ArrivalSource.UPLOAD, NOW)
    for content in files:
        take_file(ledger, asking, arrival, io.BytesIO(content), "Invented^Person.dcm", NOW)
    close_arrival(ledger, asking, arrival, NOW)
    return arrival


def looked_through(ledger: Ledger, files: Iterable[bytes], viewer: Viewer | None = None) -> int:
    """Send files and have them looked through; return the arrival."""
    arrival = arrived(ledger, files, viewer)
    assert work_once(ledger, NOW)
    return arrival


def a_decision(case_id: int = 1, series: int = 1, **chosen: object) -> Decision:
    """Return the usual decision."""
    usual = {"kind": ScanKind.POST_OPERATIVE_CT, "reason": ScanReason.ROUTINE}
    return Decision(series, case_id, **{**usual, **chosen})
