"""Find a patient's CT studies in the archive and fetch one of them into an arrival."""

from __future__ import annotations

import socket
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from registry.actions.arrivals import cancel_arrival, close_arrival, open_arrival, take_file
from registry.actions.open_vault import patient_to_match
from registry.actions.receive import credentials
from registry.domain.access import Deed, Reach, require
from registry.domain.arrivals import ArrivalSource
from registry.domain.network import Node, Sender, canonical_address, is_loopback
from registry.domain.problems import BadInputError, FailureError, Fault
from registry.imaging.archive import CT, StudyQuery, is_uid, require_whole
from registry.imaging.archive_dimse import Caller, DimseArchive
from registry.imaging.archive_web import WebAddress, WebArchive
from registry.imaging.dicom_tls import client_context, server_context
from registry.imaging.receiver import ReceiverOrder

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date, datetime
    from typing import BinaryIO

    from registry.domain.access import Viewer
    from registry.imaging.archive import Archive, ArchivedSeries, ArchivedStudy
    from registry.store.home import Ledger

WEB, MOVE, GET = "web", "move", "get"
WAYS: Final = (WEB, MOVE, GET)
# PS3.4 C.2.2.2.4: these match anything.
_WILDCARDS = "*?\\"
_LONGEST_LOGIN = 8192


@dataclass(frozen=True)
class Way:
    """How the archive is asked; empty where the settings decide.

    Attributes
    ----------
    by : one of WAYS, or ''
    url, peer : of the archive
    host, port : where it sends to on C-MOVE
    """

    by: str = ""
    url: str = ""
    peer: Node | None = None
    host: str = "127.0.0.1"
    port: int = 0


@dataclass(frozen=True)
class Wanted:
    """Which studies are wanted: of a case, or as the hospital names them."""

    case_ref: str = ""
    patient: str = field(default="", repr=False)
    accession: str = field(default="", repr=False)
    study_uid: str = field(default="", repr=False)
    first: date | None = None
    last: date | None = None


@dataclass(frozen=True)
class FoundStudy:
    """A study that holds CT: what the archive says of it, and its CT series."""

    study: ArchivedStudy
    series: tuple[ArchivedSeries, ...]

    @property
    def images(self) -> int | None:
        """How many images would come; None where the archive does not count."""
        counted = [each.images for each in self.series]
        return None if None in counted else sum(each or 0 for each in counted)


def archive_of(ledger: Ledger, way: Way) -> Archive:
    """Return the archive; BadInputError names the settings that are wanting."""
    settings = ledger.settings
    url, peer = way.url or settings.archive_url, way.peer or settings.archive_peer
    by = way.by or (WEB if url and way.peer is None else MOVE)
    if by == WEB:
        return _web_archive(ledger, url)
    if peer is None:
        raise BadInputError(
            Fault(
                "no archive is named",
                "archive_url, archive_peer",
                "name one in config.toml, or with --url or --peer",
            )
        )
    known = credentials(ledger)
    _require_encrypted(ledger, peer.host, is_encrypted=known is not None)
    tls = None if known is None else client_context(known)
    landing = None
    if by == MOVE:
        senders = (*settings.receiver_peers, *_senders(peer))
        context = None if known is None else server_context(known)
        _require_encrypted(ledger, way.host, is_encrypted=known is not None)
        landing = ReceiverOrder(settings.receiver_title, senders, way.host, way.port, context)
    return DimseArchive(Caller(peer, settings.receiver_title, tls, landing))


def find_studies(
    ledger: Ledger, viewer: Viewer, archive: Archive, wanted: Wanted, now: datetime
) -> list[FoundStudy]:
    """Return the CT studies that fit, the oldest first; those of a case from its operation on.

    For a case the vault is opened, and an event says so.
    """
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)
    query = _query(ledger, viewer, wanted, now)
    found = []
    for study in archive.studies(query):
        # An archive may find more than was asked for: numbers that only begin alike, no days.
        if query.patient and study.patient.strip() != query.patient:
            continue
        if query.first is not None and study.day is not None and study.day < query.first:
            continue
        series = tuple(each for each in archive.series(study) if each.modality == CT)
        if series:
            found.append(FoundStudy(study, series))
    return found


def fetch_study(
    ledger: Ledger,
    viewer: Viewer,
    archive: Archive,
    found: FoundStudy,
    clock: Callable[[], datetime],
) -> int:
    """Fetch a study's CT series into a new arrival and return it; nothing half-kept."""
    arrival = open_arrival(ledger, viewer, ArrivalSource.ARCHIVE, clock())

    def take(stream: BinaryIO) -> None:
        take_file(ledger, viewer, arrival, stream, "an image of the archive", clock())

    try:
        for series in found.series:
            require_whole(series, archive.fetch(found.study, series, take))
        close_arrival(ledger, viewer, arrival, clock())
    except BaseException:
        cancel_arrival(ledger, viewer, arrival, clock())
        raise
    return arrival


def chosen_study(found: Sequence[FoundStudy], number: int | None) -> FoundStudy:
    """Return the study of that number, or the only one there is."""
    if not found:
        raise BadInputError(Fault("the archive has no such CT study"))
    if number is None and len(found) > 1:
        raise BadInputError(
            Fault(f"{len(found)} CT studies fit", "--number", "say which, by its number above")
        )
    if number is not None and not 1 <= number <= len(found):
        raise BadInputError(Fault(f"there is no study {number}", "--number", f"1 to {len(found)}"))
    return found[(number or 1) - 1]


def _query(ledger: Ledger, viewer: Viewer, wanted: Wanted, now: datetime) -> StudyQuery:
    for name in ("patient", "accession"):
        if any(letter in _WILDCARDS for letter in getattr(wanted, name)):
            raise BadInputError(
                Fault("a number with *, ? or \\ would match others", f"--{name}", "give it whole")
            )
    if wanted.study_uid and not is_uid(wanted.study_uid):
        raise BadInputError(Fault("not a study's identifier", "--study", "digits and dots alone"))
    patient, first = wanted.patient.strip(), wanted.first
    if wanted.case_ref:
        because = "to find its CT in the archive"
        known = patient_to_match(ledger, viewer, wanted.case_ref, because, now)
        patient, first = known.number.strip(), first or known.operated_on
        if any(letter in _WILDCARDS for letter in patient):
            raise BadInputError(
                Fault("the case's hospital number would match others", mend="use --study")
            )
    return StudyQuery(patient, wanted.accession.strip(), wanted.study_uid, first, wanted.last)


def _web_archive(ledger: Ledger, url: str) -> WebArchive:
    if not url:
        raise BadInputError(
            Fault("no DICOMweb service is named", "archive_url", "name it, or give --url")
        )
    parts = urlsplit(url)
    _require_encrypted(ledger, parts.hostname or "", is_encrypted=parts.scheme == "https")
    return WebArchive(WebAddress(url, _login(ledger), credentials(ledger)))


def _login(ledger: Ledger) -> str:
    """Return what the service asks for, out of its file: a secret stands in no setting."""
    if not ledger.settings.archive_login:
        return ""
    path = ledger.home / ledger.settings.archive_login
    try:
        with path.open(encoding="utf-8") as file:
            lines = file.read(_LONGEST_LOGIN).split("\n")
    except (OSError, UnicodeDecodeError) as error:
        words = getattr(error, "strerror", None) or "it is no text"
        raise BadInputError(Fault(f"the file cannot be read ({words})", "archive_login")) from None
    return lines[0].strip()


def _require_encrypted(ledger: Ledger, host: str, *, is_encrypted: bool) -> None:
    if is_encrypted or is_loopback(host) or ledger.settings.archive_in_clear:
        return
    raise BadInputError(
        Fault(
            f"images and a patient's number would travel unencrypted ({host})",
            "archive_in_clear",
            "use https or the dicom_ settings, or set it to true where the network is the unit's",
        )
    )


def _senders(peer: Node) -> list[Sender]:
    """Return the archive as one who sends here, at each of its addresses."""
    try:
        found = socket.getaddrinfo(peer.host, peer.port, type=socket.SOCK_STREAM)
    except OSError:
        raise FailureError(f"there is no such host as {peer.host}; see archive_peer") from None
    return [Sender(peer.title, canonical_address(str(each[4][0]))) for each in found]
