"""Export what was read of a case as a DICOM structured report."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from registry.actions.export_identity import (
    case_to_export,
    moved_day,
    opened_identity,
    pseudonymous_identity,
    scan_of,
)
from registry.actions.look_at_case import look_at_case
from registry.actions.report_screws import Chosen, chosen_screws
from registry.domain.access import Deed, Reach, require
from registry.domain.problems import BadInputError, Fault
from registry.imaging.structured_report import Report, Verifier, report_bytes
from registry.store.exporting.folder import check_new_file, staged_file
from registry.store.queries.people import person_name
from registry.store.queries.reported import screws_to_report
from registry.store.vault import derived_uid

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime
    from pathlib import Path

    from registry.actions.report_screws import ChosenScrews
    from registry.domain.access import Viewer
    from registry.imaging.report_groups import Point
    from registry.store.home import Ledger
    from registry.store.images import Image
    from registry.store.queries.reported import ReportedCase


@dataclass(frozen=True)
class ReportOrder:
    """What is asked for.

    Attributes
    ----------
    case_ref : of the case; its audit scan is reported on
    chosen : which reading of each screw, or their consensus
    is_pseudonymous : under the pseudonym; the vault stays closed
    is_verified : whoever asks answers for it by name, for a settled consensus alone
    """

    case_ref: str
    chosen: Chosen = Chosen.CONSENSUS
    is_pseudonymous: bool = False
    is_verified: bool = False


@dataclass(frozen=True)
class ExportedReport:
    """A report that is ready to leave.

    Attributes
    ----------
    data : the bytes of a DICOM file
    scan_id : that it reports on
    screws : how many it holds
    not_read : counted screws of the case of which nothing of the kind was read on this scan
    said : what the trail keeps of it
    """

    data: bytes = field(repr=False)
    scan_id: int
    screws: int
    not_read: int
    said: str


def export_report(
    ledger: Ledger, viewer: Viewer, order: ReportOrder, now: datetime
) -> ExportedReport:
    """Return a case's report.

    Raises
    ------
    NotFoundError : no such case among the viewer's
    BadInputError : nothing to report, or not under this identity, or not to be verified; says why
    """
    require(viewer, Deed.EXPORT, at_least=Reach.ALL)
    case, image = case_to_export(ledger, viewer, order.case_ref)
    scan, _ = scan_of(case)
    with ledger.reading() as session:
        counted = ledger.settings.counted_reading
        found = screws_to_report(session, viewer, case.case_id, scan.scan_id, counted)
    screws = chosen_screws(
        found,
        order.chosen,
        scale=ledger.settings.scale,
        tracking_uid=lambda number: _uid(ledger, order, "screw", str(number)),
        slices=_slices_of(image),
    )
    if not screws.screws:
        raise BadInputError(
            Fault(
                f"no {order.chosen} of any screw on the scan that the case is counted on",
                order.case_ref,
                "have its screws read first",
            )
        )
    verifier = _verifier(ledger, viewer, order, screws)
    look_at_case(ledger, viewer, case.case_id, now)
    asked = _Asked(ledger, viewer, order, case, now)
    data = report_bytes(asked.report(screws, len(image.voxels), verifier))
    said = {
        "digest": hashlib.sha256(data).hexdigest(),
        "pseudonymous": order.is_pseudonymous,
        "reading": order.chosen.value,
        "screws": len(screws.screws),
        "verified": verifier is not None,
    }
    kept = json.dumps(said, sort_keys=True, separators=(",", ":"))
    return ExportedReport(data, scan.scan_id, len(screws.screws), screws.not_read, kept)


def write_report(
    ledger: Ledger, viewer: Viewer, report: ExportedReport, out: Path, now: datetime
) -> None:
    """Write a report into a new file; its event and its file come together or not at all."""
    check_new_file(out, ledger.home)
    with staged_file(out, report.data) as put, ledger.writing(viewer, now) as work:
        work.note("export a structured report", f"scan:{report.scan_id}", report.said)
        work.flush()
        put()


@dataclass(frozen=True)
class _Asked:
    ledger: Ledger
    viewer: Viewer
    order: ReportOrder
    case: ReportedCase
    now: datetime

    def report(self, screws: ChosenScrews, slices: int, verifier: Verifier | None) -> Report:
        """Return what a report is made of; the vault is opened where the patient is named."""
        made_at = self.now.astimezone(ZoneInfo(self.ledger.settings.zone))
        day = made_at.date()
        scan, _ = scan_of(self.case)
        if self.order.is_pseudonymous:
            identity = pseudonymous_identity(self.ledger, self.case, slices)
            # Its own day, moved, would give the offset to whoever knows when it was made.
            day = moved_day(self.ledger, self.case, scan.scanned_on)
        else:
            why = f"for a structured report of scan {scan.scan_id}"
            identity = opened_identity(self.ledger, self.viewer, self.case, why, self.now)
        series = f"{scan.scan_id} {self.order.chosen}"
        return Report(
            identity=identity,
            is_pseudonymous=self.order.is_pseudonymous,
            screws=screws.screws,
            is_adjudication=self.order.chosen is Chosen.ADJUDICATION,
            series_uid=self._uid("series of reports", series),
            sop_uid=self._uid("report", f"{series} {self.now.isoformat()}"),
            device_uid=self._uid("ledger", "itself"),
            made_at=made_at,
            content_day=day,
            verifier=verifier,
        )

    def _uid(self, kind: str, value: str) -> str:
        return _uid(self.ledger, self.order, kind, value)


def _uid(ledger: Ledger, order: ReportOrder, kind: str, value: str) -> str:
    """Return an identifier; one under a pseudonym leads to none of those in the archive."""
    said = f"{kind}, pseudonymous" if order.is_pseudonymous else kind
    return derived_uid(ledger.keys.references, said, value)


def _verifier(
    ledger: Ledger, viewer: Viewer, order: ReportOrder, screws: ChosenScrews
) -> Verifier | None:
    """Return who answers for the report (PS3.3 C.17.2: a person's name and an organisation)."""
    if not order.is_verified:
        return None
    for is_wrong, what, mend in (
        (
            order.is_pseudonymous,
            "a report under a pseudonym names nobody who could answer for it",
            "leave --verified or --pseudonymous out",
        ),
        (
            not screws.is_settled,
            "only a consensus of more than one reading of each screw can be verified",
            "leave --verified out: the report then says UNVERIFIED",
        ),
        (
            viewer.person_id is None,
            "this account belongs to nobody who could answer for the report",
            "name an account with --as",
        ),
    ):
        if is_wrong:
            raise BadInputError(Fault(what, "--verified", mend))
    with ledger.reading() as session:
        name = person_name(session, viewer)
    given, _, family = name.rpartition(" ")
    return Verifier(f"{family}^{given}", ledger.settings.unit_name)


def _slices_of(image: Image) -> Callable[[Point, Point], tuple[int, int] | None]:
    """Return what finds the first and the last slice between two points."""
    to_voxels = np.linalg.inv(image.affine)
    last = len(image.voxels) - 1

    def between(entry: Point, tip: Point) -> tuple[int, int] | None:
        places = [float((to_voxels @ (*point, 1.0))[2]) for point in (entry, tip)]
        low, high = int(np.floor(min(places))), int(np.ceil(max(places)))
        return None if high < 0 or low > last else (max(low, 0), min(high, last))

    return between
