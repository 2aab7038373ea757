"""A DICOM storage receiver (C-STORE, C-ECHO) that trusts none of what it is sent.

pynetdicom takes as many bytes as a PDU's header claims, waits as long as a peer likes and shakes
hands in the thread that takes connections; here each of these has a bound. What was received is
handed on as the peer encoded it: of the data set only the few attributes are looked at that say
where it belongs.
"""

from __future__ import annotations

import threading
from contextlib import contextmanager
from dataclasses import dataclass
from socketserver import BaseServer
from time import monotonic, sleep
from typing import TYPE_CHECKING, Any, Final, cast

from pynetdicom import AE, _config, evt
from pynetdicom.transport import (
    AssociationSocket,
    RequestHandler,
    ThreadedAssociationServer,
)

from registry.domain.network import canonical_address
from registry.domain.problems import BadInputError, Fault
from registry.imaging.received import STORED, Received, received_instance, status_of
from registry.imaging.storage_classes import receiver_contexts

if TYPE_CHECKING:
    import ssl
    from collections.abc import Callable, Iterator, Sequence

    from pynetdicom.association import Association
    from pynetdicom.dimse_primitives import C_STORE

    from registry.domain.network import Sender

_MEBIBYTE = 1024 * 1024
# Settings of ours, no source. A CT slice has half a MiB, a multi-frame CT of 900 slices 450 MiB.
PDU_BYTES: Final = 128 * 1024
PDU_BYTES_TAKEN: Final = _MEBIBYTE
INSTANCE_BYTES: Final = 512 * _MEBIBYTE
ASSOCIATIONS: Final = 3
THREADS: Final = 32
# How long a peer may take to shake hands, to send one PDU, and between two messages.
HANDSHAKE_SECONDS: Final = 10
PDU_SECONDS: Final = 60
IDLE_SECONDS: Final = 120
_FINISH_SECONDS = 5
_CHUNK = 64 * 1024


@dataclass(frozen=True)
class ReceiverOrder:
    """How to receive.

    Attributes
    ----------
    title : the application entity title that peers have to call
    senders : who may send: title and address together
    host, port : where to listen; port 0 takes a free one
    tls : context of a server, or None for plain TCP
    """

    title: str
    senders: Sequence[Sender]
    host: str
    port: int
    tls: ssl.SSLContext | None = None


@contextmanager
def receiving(
    order: ReceiverOrder,
    take: Callable[[Received], None],
    told: Callable[[str], None] = lambda _words: None,
) -> Iterator[int]:
    """Receive while the block runs; give the port. On leaving what is under way is waited for.

    Parameters
    ----------
    order : who may send, and where to
    take : has each instance safe on disk when it returns; what it raises is the peer's answer
    told : learns what was refused, in words without identifiers

    Raises
    ------
    BadInputError : the address or port cannot be listened on
    """
    _config.LOG_HANDLER_LEVEL = "none"
    _config.LOG_REQUEST_IDENTIFIERS = _config.LOG_RESPONSE_IDENTIFIERS = False
    try:
        server = _Server(order, take, told)
    except OSError as error:
        raise BadInputError(
            Fault(
                f"cannot listen on {order.host} port {order.port}: {error.strerror or error}",
                "--port",
                "choose another",
            )
        ) from error
    turning = threading.Thread(target=server.serve_forever, args=(0.1,), daemon=True)
    turning.start()
    try:
        yield int(server.server_address[1])
    finally:
        server.end()
        turning.join()


class _BoundedSocket(AssociationSocket):
    """Reads no more than a PDU may have, and not longer than a PDU may take."""

    # Each is counted by one thread alone, so neither needs a lock.
    came = 0
    handed_on = 0

    def recv(self, nr_bytes: int) -> bytearray:
        """Return `nr_bytes`, fewer where the peer has gone; OSError where they are too many."""
        # The length is the peer's word: it is judged before anything is kept for it.
        self.came += nr_bytes
        if nr_bytes > PDU_BYTES_TAKEN or self.came - self.handed_on > INSTANCE_BYTES:
            self._shutdown_socket()
            raise OSError("more was sent than is taken")
        until = monotonic() + PDU_SECONDS
        read = bytearray()
        while self.socket is not None and len(read) < nr_bytes:
            if monotonic() > until:
                raise TimeoutError("the peer took too long for one PDU")
            part = self.socket.recv(min(nr_bytes - len(read), _CHUNK))
            if not part:
                break
            read += part
        return read

    def _shutdown_socket(self) -> None:
        """Close the socket, also where the peer has gone: pynetdicom leaves that one open."""
        super()._shutdown_socket()
        if self.socket is not None:
            self.socket.close()
        if self.assoc.requestor.primitive is None:
            # Whoever goes before asking for anything frees the place at once, not when the wait
            # for a request is over; nothing is what the wait gives then, too.
            self.assoc.dul.to_user_queue.put(None)


class _Handler(RequestHandler):
    """One connection, shaken hands with in its own thread."""

    server: _Server

    def setup(self) -> None:
        """Take the peer's certificate; ssl.SSLError where it has none that is trusted."""
        self.request.settimeout(HANDSHAKE_SECONDS)
        if self.server.tls is not None:
            self.request = self.server.tls.wrap_socket(self.request, server_side=True)
        self.request.settimeout(PDU_SECONDS)

    @property
    def ae(self) -> AE:
        """The entity that knows the titles which may call from this address."""
        return self.server.entities[canonical_address(self.client_address[0])]

    def _create_association(self) -> Association:
        made = super()._create_association()
        # pynetdicom has no hook between a PDU's header and its body but this method's.
        made.dul.socket.__class__ = _BoundedSocket
        return made


class _Server(ThreadedAssociationServer):
    """Lets in who is listed, as many at a time as there is memory for."""

    daemon_threads = True

    def __init__(
        self,
        order: ReceiverOrder,
        take: Callable[[Received], None],
        told: Callable[[str], None],
    ) -> None:
        self.tls = order.tls
        self.entities = _entities(order)
        self._take = take
        self._told = told
        super().__init__(
            _entity(order.title, ()),
            (order.host, order.port),
            order.title,
            receiver_contexts(),
            evt_handlers=[(evt.EVT_C_STORE, self._stored), (evt.EVT_REJECTED, self._rejected)],
            request_handler=_Handler,
        )

    def verify_request(self, request: Any, client_address: Any) -> bool:  # noqa: ANN401, ARG002 - socketserver's own types
        """Say whether a connection is looked at; nothing of it has been read."""
        if canonical_address(client_address[0]) not in self.entities:
            self._told(f"refused a connection from {client_address[0]}: not in receiver_peers")
            return False
        if threading.active_count() > THREADS:
            self._told("refused a connection: too many at once")
            return False
        return True

    def handle_error(self, request: Any, client_address: Any) -> None:  # noqa: ANN401, ARG002
        """Tell of a connection that failed, in one line."""
        self._told(f"ended a connection from {client_address[0]}: no usable handshake")

    def end(self) -> None:
        """Take no more connections; wait for those under way, then cut them."""
        # Not pynetdicom's own shutdown: it looks this server up in a list that it is not in.
        BaseServer.shutdown(self)
        self.server_close()
        until = monotonic() + _FINISH_SECONDS
        while monotonic() < until and any(each.is_established for each in self.active_associations):
            sleep(0.02)
        for association in self.active_associations:
            association.abort()

    def _rejected(self, event: evt.Event) -> None:
        self._told(f"refused an association from {event.assoc.requestor.address}: wrong titles")

    def _stored(self, event: evt.Event) -> int:
        sent = cast("C_STORE", event.request).DataSet
        size = 0 if sent is None else len(sent.getbuffer())
        status, words = status_of(lambda: self._take(received_instance(event)))
        cast("_BoundedSocket", event.assoc.dul.socket).handed_on += size
        if status != STORED:
            self._told(f"answered {status:#06x}: {words}")
        return status


def _entity(title: str, callers: Sequence[str]) -> AE:
    made = AE(title)
    made.require_called_aet = True
    made.require_calling_aet = list(callers)
    made.maximum_pdu_size = PDU_BYTES
    made.maximum_associations = ASSOCIATIONS
    made.acse_timeout = HANDSHAKE_SECONDS
    made.dimse_timeout = PDU_SECONDS
    made.network_timeout = IDLE_SECONDS
    return made


def _entities(order: ReceiverOrder) -> dict[str, AE]:
    """Return an entity for each address, which knows the titles that call from there."""
    titles: dict[str, list[str]] = {}
    for sender in order.senders:
        titles.setdefault(sender.address, []).append(sender.title)
    return {address: _entity(order.title, names) for address, names in titles.items()}
