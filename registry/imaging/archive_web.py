"""An archive asked by DICOMweb: QIDO-RS and WADO-RS (PS3.18 sections 10.6 and 10.4)."""

from __future__ import annotations

import base64
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import BytesIO
from typing import TYPE_CHECKING, Any

import requests
from dicomweb_client.web import DICOMwebClient
from pydicom import dcmread
from pydicom.config import disable_value_validation
from pydicom.dataset import Dataset
from requests.auth import AuthBase

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
from registry.imaging.parsing import without_warnings
from registry.imaging.sources import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path
    from typing import BinaryIO

    from registry.imaging.dicom_tls import Credentials

# Settings of ours, no source.
_CONNECT_SECONDS, _SILENT_SECONDS = 10, 60
_LONGEST_LIST_BYTES = 32 * 1024 * 1024
_LONGEST_INSTANCE_BYTES = 512 * 1024 * 1024
_CHUNK = 1024 * 1024
# What is stored there, as it is stored there (PS3.18 section 8.7.3).
_AS_STORED = 'multipart/related; type="application/dicom"; transfer-syntax=*'
_STUDY_UID, _SERIES_UID, _PATIENT = "0020000D", "0020000E", "00100020"
_STUDY_DATE, _STUDY_WORDS, _SERIES_WORDS = "00080020", "00081030", "0008103E"
_MODALITY, _IMAGES = "00080060", "00201209"
_UNAUTHORIZED, _FORBIDDEN, _NOT_FOUND = 401, 403, 404


@dataclass(frozen=True)
class WebAddress:
    """Where the service is, and what it asks for.

    Attributes
    ----------
    url : of the service, without a slash at its end
    login : content of an Authorization header, or `user:password`; empty for none
    credentials : own certificate and known authorities; None for the system's authorities
    """

    url: str
    login: str = field(default="", repr=False)
    credentials: Credentials | None = None


class WebArchive:
    """An archive behind a DICOMweb service."""

    def __init__(self, address: WebAddress) -> None:
        self._url = address.url
        self._bounds = _Bounds()
        session = requests.Session()
        # Neither a proxy nor a password comes from the environment or a netrc file unasked.
        session.trust_env = False
        # A redirect would take a patient's number, and the login, to where nobody has said.
        session.max_redirects = 0
        session.auth = _Asking(_authorization(address.login))
        if address.credentials is not None:
            known = address.credentials
            session.verify = _path(known.authority)
            session.cert = (_path(known.certificate), _path(known.key))
        self._client = DICOMwebClient(
            address.url,
            session,
            headers={"Accept-Encoding": "identity"},
            callback=self._bounds.bind,
            chunk_size=_CHUNK,
            timeout=(_CONNECT_SECONDS, _SILENT_SECONDS),
        )
        self._client.set_http_retry_params(retry=False)

    def studies(self, query: StudyQuery) -> Sequence[ArchivedStudy]:
        """Return the studies that fit."""
        asked = {
            "PatientID": query.patient,
            "AccessionNumber": query.accession,
            "StudyInstanceUID": query.study_uid,
            "StudyDate": query.days(),
            "ModalitiesInStudy": CT,
        }
        filters = {name: value for name, value in asked.items() if value}
        with _in_words(), self._bounds.at_most(_LONGEST_LIST_BYTES):
            found = self._client.search_for_studies(
                search_filters=filters, fields=["StudyDescription"], limit=MOST_STUDIES
            )
            # More than was asked for is not answered: each would be asked of anew.
            known = [each for each in found if is_uid(_text(each, _STUDY_UID))][:MOST_STUDIES]
            return in_order([_study(each) for each in known])

    def series(self, study: ArchivedStudy) -> Sequence[ArchivedSeries]:
        """Return what a study holds."""
        with _in_words(), self._bounds.at_most(_LONGEST_LIST_BYTES):
            found = self._client.search_for_series(
                study.uid, fields=["SeriesDescription", "NumberOfSeriesRelatedInstances"]
            )
            return [_series(each) for each in found if is_uid(_text(each, _SERIES_UID))]

    def fetch(
        self, study: ArchivedStudy, series: ArchivedSeries, take: Callable[[BinaryIO], None]
    ) -> int:
        """Hand each image of a series to `take` as a file; return how many came."""
        url = f"{self._url}/studies/{study.uid}/series/{series.uid}"
        came = 0
        with self._bounds.at_most(_LONGEST_INSTANCE_BYTES):
            # The client's own retrieval would parse each image, and inflate a deflated one without
            # bound: its bytes are wanted, untouched.
            with _in_words():
                parts = iter(self._client.iter_bulkdata(url))
            while True:
                with _in_words():
                    part = next(parts, None)
                if part is None:
                    return came
                self._bounds.begin()
                take(BytesIO(part))
                came += 1

    def store(self, report: bytes) -> None:
        """Store a report by STOW-RS (PS3.18 section 10.5); FailureError where it is not taken."""
        with (
            _in_words(),
            self._bounds.at_most(_LONGEST_LIST_BYTES),
            disable_value_validation(),
            without_warnings(),
        ):
            sent = dcmread(BytesIO(report))
            answer = self._client.store_instances([sent])
        stored = [
            each.ReferencedSOPInstanceUID
            for each in answer.get("ReferencedSOPSequence") or ()
            if "FailureReason" not in each
        ]
        if sent.SOPInstanceUID not in stored:
            failed = answer.get("FailedSOPSequence") or [Dataset()]
            reason = failed[0].get("FailureReason")
            words = "without a reason" if reason is None else f"reason {reason:#06x}"
            raise FailureError(f"{NOT_TAKEN} ({words})")


class _Asking(AuthBase):
    """Adds the login, and asks for images as they are stored: the client has no word for that."""

    def __init__(self, authorization: str) -> None:
        self._authorization = authorization

    def __call__(self, request: Any) -> Any:  # noqa: ANN401
        if self._authorization:
            request.headers["Authorization"] = self._authorization
        if str(request.headers.get("Accept", "")).startswith("multipart/"):
            request.headers["Accept"] = _AS_STORED
        return request


class _Bounds:
    """Counts what comes in and cuts it off where one answer or image grows too large."""

    def __init__(self) -> None:
        self._most = _LONGEST_LIST_BYTES
        self._came = 0

    @contextmanager
    def at_most(self, size: int) -> Iterator[None]:
        """Let one answer, or one image where `begin` is called after each, have `size` bytes."""
        self._most, self._came = size, 0
        yield

    def begin(self) -> None:
        """Begin to count anew."""
        self._came = 0

    def bind(self, response: Any, *_: object, **__: object) -> Any:  # noqa: ANN401
        """Have a response's bytes counted as they come."""
        if response.headers.get("Content-Encoding", "identity") != "identity":
            response.close()
            raise FailureError("the archive packs its answers although it was asked not to")
        plain = response.iter_content

        def counted(*given: Any, **named: Any) -> Iterator[bytes]:  # noqa: ANN401
            for chunk in plain(*given, **named):
                self._came += len(chunk)
                if self._came > self._most + _CHUNK:
                    raise FailureError("the archive sends more than one image may have")
                yield chunk

        response.iter_content = counted
        return response


def _authorization(login: str) -> str:
    """Return the content of the header: as it is, or Basic (RFC 7617) from `user:password`."""
    text = login.strip()
    first, space, _ = text.partition(" ")
    if not text or (space and ":" not in first):
        return text
    return "Basic " + base64.b64encode(text.encode()).decode()


def _path(path: Path) -> str:
    return str(path)


def _value(found: dict[str, Any], tag: str) -> Any:  # noqa: ANN401 - JSON
    values = found.get(tag, {}).get("Value") or [""]
    return "" if values[0] is None else values[0]


def _text(found: dict[str, Any], tag: str) -> str:
    return printable(str(_value(found, tag))).strip()


def _study(found: dict[str, Any]) -> ArchivedStudy:
    return ArchivedStudy(
        uid=_text(found, _STUDY_UID),
        patient=_text(found, _PATIENT),
        day=day_of(_text(found, _STUDY_DATE)),
        words=_text(found, _STUDY_WORDS),
    )


def _series(found: dict[str, Any]) -> ArchivedSeries:
    counted = _text(found, _IMAGES)
    return ArchivedSeries(
        uid=_text(found, _SERIES_UID),
        modality=_text(found, _MODALITY),
        words=_text(found, _SERIES_WORDS),
        images=int(counted) if counted.isascii() and counted.isdigit() else None,
    )


@contextmanager
def _in_words() -> Iterator[None]:
    """Turn what the network says into a line that quotes no address, number or identifier."""
    try:
        yield
    except requests.exceptions.SSLError:
        words = "the archive's certificate is not trusted, or it does not trust this ledger's"
        raise FailureError(f"{words}; see dicom_authority and dicom_certificate") from None
    except requests.exceptions.TooManyRedirects as error:
        if error.response is not None:
            error.response.close()
        raise FailureError(
            "the archive sends on to another address, which is not followed; give that one as "
            "archive_url if it is the archive's"
        ) from None
    except requests.exceptions.HTTPError as error:
        raise FailureError(_refusal(error.response)) from None
    except requests.exceptions.Timeout:
        raise FailureError("the archive does not answer; nothing was kept") from None
    except (requests.exceptions.ChunkedEncodingError, requests.exceptions.ContentDecodingError):
        raise FailureError("the archive broke off half way; nothing was kept") from None
    except requests.exceptions.ConnectionError:
        raise FailureError(
            "the archive is not there, or broke off; nothing was kept; see archive_url"
        ) from None
    except (
        *(requests.exceptions.RequestException, AttributeError, LookupError),
        *(RecursionError, TypeError, ValueError),
    ):
        raise FailureError(
            "the archive's answer is not DICOMweb; nothing was kept; see archive_url"
        ) from None


def _refusal(response: requests.Response | None) -> str:
    status = 0
    if response is not None:
        status = response.status_code
        response.close()
    if status in {_UNAUTHORIZED, _FORBIDDEN}:
        return f"the archive refuses this ledger (status {status}); see archive_login"
    if status == _NOT_FOUND:
        return "the archive knows no such study, or no such service (status 404); see archive_url"
    return f"the archive answered with status {status}; nothing was kept"
