"""Receive what an archive sends: each instance into the arrival of its study."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.arrivals import arrival_of_study, take_file
from registry.domain.access import Deed, Reach, require
from registry.domain.arrivals import ArrivalSource
from registry.domain.network import is_loopback
from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.imaging.dicom_tls import Credentials, server_context
from registry.imaging.receiver import ReceiverOrder

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.imaging.received import Received
    from registry.store.home import Ledger

_NAME = "received instance"


def receiver_order(ledger: Ledger, viewer: Viewer, host: str, port: int) -> ReceiverOrder:
    """Return how this ledger receives; BadInputError names the settings that are wanting."""
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)
    settings = ledger.settings
    if not settings.receiver_peers:
        raise BadInputError(
            Fault(
                "nobody may send here yet",
                "receiver_peers",
                'name who may in config.toml, such as receiver_peers = ["ARCHIVE@10.0.0.5"]',
            )
        )
    known = credentials(ledger)
    if known is None and not is_loopback(host) and not settings.archive_in_clear:
        raise BadInputError(
            Fault(
                f"images would come in unencrypted on {host}",
                "dicom_certificate",
                "give certificate, key and authority, or set archive_in_clear = true where the "
                "network is the unit's own",
            )
        )
    tls = None if known is None else server_context(known)
    return ReceiverOrder(settings.receiver_title, settings.receiver_peers, host, port, tls)


def credentials(ledger: Ledger) -> Credentials | None:
    """Return the files that TLS needs, None where none is named; paths begin in the home."""
    named = {
        name: getattr(ledger.settings, name)
        for name in ("dicom_certificate", "dicom_key", "dicom_authority")
    }
    if not any(named.values()):
        return None
    wanting = [name for name, path in named.items() if not path]
    if wanting:
        raise BadInputError(
            Fault("TLS needs all three files", ", ".join(wanting), "name them in config.toml")
        )
    return Credentials(*(ledger.home / path for path in named.values()))


def study_taker(
    ledger: Ledger, viewer: Viewer, clock: Callable[[], datetime]
) -> Callable[[Received], None]:
    """Return what puts an instance into its study's arrival, safe on disk when it returns."""

    def take(received: Received) -> None:
        try:
            _into_its_arrival(ledger, viewer, received, clock())
        except ConflictError:
            # The study was closed as whole between the look and the file: it begins a new one.
            received.content.seek(0)
            _into_its_arrival(ledger, viewer, received, clock())

    return take


def _into_its_arrival(ledger: Ledger, viewer: Viewer, received: Received, now: datetime) -> None:
    source = ArrivalSource.RECEIVER
    arrival = arrival_of_study(ledger, viewer, received.study_uid, source, now)
    take_file(ledger, viewer, arrival, received.content, _NAME, now)
