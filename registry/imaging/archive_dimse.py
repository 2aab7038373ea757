"""An archive asked in DICOM's own way: C-FIND, then C-MOVE to this ledger, or C-GET."""

from __future__ import annotations

import socket
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any, Final

from pydicom import dcmread
from pydicom.config import disable_value_validation
from pydicom.dataset import Dataset
from pynetdicom import AE, _config, evt, sop_class
from pynetdicom.presentation import build_role

from registry.domain.problems import FailureError
from registry.imaging.archive import (
    CT,
    MOST_STUDIES,
    NOT_TAKEN,
    ArchivedSeries,
    ArchivedStudy,
    StudyQuery,
    day_of,
    in_order,
    is_uid,
)
from registry.imaging.parsing import DAMAGE, without_warnings
from registry.imaging.received import (
    OUT_OF_RESOURCES,
    STORED,
    Received,
    RefusedError,
    received_instance,
    status_of,
)
from registry.imaging.receiver import ReceiverOrder, receiving
from registry.imaging.sources import printable
from registry.imaging.storage_classes import CT_CLASSES, SYNTAXES

if TYPE_CHECKING:
    import ssl
    from collections.abc import Callable, Iterator, Sequence
    from typing import BinaryIO

    from pynetdicom.association import Association

    from registry.domain.network import Node

# Settings of ours, no source. An archive may have to look on a tape before it answers.
_CONNECT_SECONDS, _ANSWER_SECONDS = 10, 120
_FIND: Final = sop_class.StudyRootQueryRetrieveInformationModelFind  # type: ignore[attr-defined]
_MOVE: Final = sop_class.StudyRootQueryRetrieveInformationModelMove  # type: ignore[attr-defined]
_GET: Final = sop_class.StudyRootQueryRetrieveInformationModelGet  # type: ignore[attr-defined]
# PS3.4 Tables C.4-1 to C.4-3: pending, pending with a warning, success; the destination of a move
# is not known.
_PENDING: Final = (0xFF00, 0xFF01)
# PS3.4 Table B.2-1: success, and the warnings under which it is kept all the same.
_KEPT: Final = (0x0000, 0xB000, 0xB006, 0xB007)
_NO_SUCH_DESTINATION: Final = 0xA801


@dataclass(frozen=True)
class Caller:
    """How this ledger calls the archive.

    Attributes
    ----------
    archive : the node that is called
    title : this ledger's own title
    tls : context of a client, or None for plain TCP
    landing : where the archive sends to on C-MOVE; None to have it send on the same association
    """

    archive: Node
    title: str
    tls: ssl.SSLContext | None = None
    landing: ReceiverOrder | None = None


class DimseArchive:
    """An archive that is a DICOM node."""

    def __init__(self, caller: Caller) -> None:
        self._caller = caller
        self._is_there = False
        _config.LOG_HANDLER_LEVEL = "none"
        _config.LOG_REQUEST_IDENTIFIERS = _config.LOG_RESPONSE_IDENTIFIERS = False

    def studies(self, query: StudyQuery) -> Sequence[ArchivedStudy]:
        """Return the studies that fit."""
        asked = Dataset()
        asked.QueryRetrieveLevel = "STUDY"
        asked.PatientID = query.patient
        asked.AccessionNumber = query.accession
        asked.StudyInstanceUID = query.study_uid
        asked.StudyDate = query.days()
        asked.ModalitiesInStudy = CT
        asked.StudyDescription = ""
        found = [_study(each) for each in self._found(asked)]
        return in_order([each for each in found if is_uid(each.uid)])

    def series(self, study: ArchivedStudy) -> Sequence[ArchivedSeries]:
        """Return what a study holds."""
        asked = Dataset()
        asked.QueryRetrieveLevel = "SERIES"
        asked.StudyInstanceUID = study.uid
        asked.SeriesInstanceUID = ""
        asked.Modality = ""
        asked.SeriesDescription = ""
        asked.NumberOfSeriesRelatedInstances = ""
        found = [_series(each) for each in self._found(asked)]
        return [each for each in found if is_uid(each.uid)]

    def fetch(
        self, study: ArchivedStudy, series: ArchivedSeries, take: Callable[[BinaryIO], None]
    ) -> int:
        """Hand each image of a series to `take` as a file; return how many came."""
        counted = _Counted(take, study.uid)
        asked = Dataset()
        asked.QueryRetrieveLevel = "SERIES"
        asked.StudyInstanceUID = study.uid
        asked.SeriesInstanceUID = series.uid
        landing = self._caller.landing
        if landing is None:
            self._get(asked, counted)
        else:
            with receiving(landing, counted.received), self._called([_MOVE]) as association:
                counted.carried_out(association.send_c_move(asked, self._caller.title, _MOVE))
        return counted.came

    def store(self, report: bytes) -> None:
        """Store a report by C-STORE (PS3.4 Annex B); FailureError where it is not taken."""
        with disable_value_validation(), without_warnings():
            sent = dcmread(BytesIO(report))
            with self._called([str(sent.SOPClassUID)]) as association:
                status = _status(association.send_c_store(sent))
        if status not in _KEPT:
            raise FailureError(f"{NOT_TAKEN} ({_named(status)})")

    def _get(self, asked: Dataset, counted: _Counted) -> None:
        def stored(event: evt.Event) -> int:
            status, words = status_of(lambda: counted.received(received_instance(event)))
            if status != STORED:
                counted.refused = counted.refused or words
            return status

        handlers: list[Any] = [(evt.EVT_C_STORE, stored)]
        with self._called([_GET, *CT_CLASSES], handlers) as association:
            counted.carried_out(association.send_c_get(asked, _GET))

    def _found(self, asked: Dataset) -> list[Dataset]:
        found: list[Dataset] = []
        with self._called([_FIND]) as association:
            for answer, identifier in association.send_c_find(asked, _FIND):
                status = _status(answer)
                if status in _PENDING and identifier is not None:
                    found.append(identifier)
                elif status not in {*_PENDING, STORED}:
                    raise FailureError(f"the archive could not search ({_named(status)})")
                if len(found) >= MOST_STUDIES:
                    association.abort()
                    break
        return found

    @contextmanager
    def _called(
        self, classes: Sequence[str], handlers: list[Any] | None = None
    ) -> Iterator[Association]:
        association = self._associated(classes, handlers or [])
        try:
            with without_warnings():
                yield association
        except DAMAGE:
            raise FailureError("the archive's answer cannot be read; nothing was kept") from None
        finally:
            if association.is_established:
                association.release()

    def _require_there(self) -> None:
        """Raise in words where nobody listens: pynetdicom tells that by its log alone."""
        archive = self._caller.archive
        if not self._is_there:
            try:
                with socket.create_connection((archive.host, archive.port), _CONNECT_SECONDS):
                    self._is_there = True
            except OSError:
                raise FailureError("the archive is not there; see archive_peer") from None

    def _associated(self, classes: Sequence[str], handlers: list[Any]) -> Association:
        self._require_there()
        entity = AE(self._caller.title)
        entity.acse_timeout = entity.connection_timeout = _CONNECT_SECONDS
        entity.dimse_timeout = entity.network_timeout = _ANSWER_SECONDS
        roles: list[Any] = []
        for each in classes:
            if each in CT_CLASSES:
                entity.add_requested_context(each, list(SYNTAXES))
                roles.append(build_role(each, scp_role=True))
            else:
                entity.add_requested_context(each)
        archive = self._caller.archive
        tls = None if self._caller.tls is None else (self._caller.tls, archive.host)
        made = entity.associate(
            archive.host,
            archive.port,
            ae_title=archive.title,
            ext_neg=roles,
            tls_args=tls,
            evt_handlers=handlers,
        )
        if made.is_rejected:
            raise FailureError(
                "the archive refuses this ledger's title, or its own is another; "
                "see receiver_title and archive_peer"
            )
        if not made.is_established:
            # A refusal may get lost as well, where the archive closes right behind it.
            raise FailureError(
                "the archive ended the connection without a word: it may want TLS, or none, or "
                "another certificate, or know other titles; see dicom_certificate, "
                "dicom_authority, receiver_title and archive_peer"
            )
        if not made.accepted_contexts:
            made.release()
            raise FailureError("the archive does not offer what is asked for; see archive_peer")
        return made


class _Counted:
    """Counts a study's images on their way to who takes them, and keeps why one was not taken."""

    def __init__(self, take: Callable[[BinaryIO], None], study_uid: str) -> None:
        self._take = take
        self._study_uid = study_uid
        self.came = 0
        self.refused = ""

    def received(self, received: Received) -> None:
        """Hand one image on; RefusedError where it is of another study than was asked for."""
        if received.study_uid != self._study_uid:
            # Taken, it would be acknowledged here, and lost where this study ends in failure.
            raise RefusedError(OUT_OF_RESOURCES, "another study is being fetched")
        try:
            self._take(received.content)
        except Exception as error:
            self.refused = self.refused or str(error)
            raise
        self.came += 1

    def carried_out(self, answers: Iterator[tuple[Dataset, Dataset | None]]) -> None:
        """Go through the answers to a retrieval; FailureError where it did not succeed whole."""
        last, failed = None, 0
        for answer, _ in answers:
            last = _status(answer)
            failed = int(answer.get("NumberOfFailedSuboperations") or 0)
        if self.refused:
            raise FailureError(self.refused)
        if last is None:
            raise FailureError("the archive broke off half way; nothing was kept")
        if last == _NO_SUCH_DESTINATION:
            raise FailureError(
                "the archive does not know where to send: have this ledger's receiver_title, "
                "address and port entered there"
            )
        if last != STORED or failed:
            many = f", {failed} images failed" if failed else ""
            raise FailureError(
                f"the archive could not send all of it ({_named(last)}{many}); nothing was kept"
            )


def _status(status: Dataset) -> int | None:
    """Return the status; None where the peer has gone, which pynetdicom says by an empty one."""
    found = status.get("Status")
    return None if found is None else int(found)


def _named(status: int | None) -> str:
    return "it broke off" if status is None else f"status {status:#06x}"


def _text(found: Dataset, keyword: str) -> str:
    return printable(str(found.get(keyword) or "")).strip()


def _study(found: Dataset) -> ArchivedStudy:
    return ArchivedStudy(
        uid=_text(found, "StudyInstanceUID"),
        patient=_text(found, "PatientID"),
        day=day_of(_text(found, "StudyDate")),
        words=_text(found, "StudyDescription"),
    )


def _series(found: Dataset) -> ArchivedSeries:
    counted = _text(found, "NumberOfSeriesRelatedInstances")
    return ArchivedSeries(
        uid=_text(found, "SeriesInstanceUID"),
        modality=_text(found, "Modality"),
        words=_text(found, "SeriesDescription"),
        images=int(counted) if counted.isascii() and counted.isdigit() else None,
    )
