"""The production server: waitress, ended in order.

Waitress by itself drops what waits for a thread when it is told to stop, and waits five seconds
for what runs; so its loop is turned here, until every request that had arrived is answered.
"""

from __future__ import annotations

from time import monotonic
from typing import TYPE_CHECKING, Any

from waitress.channel import HTTPChannel
from waitress.server import BaseWSGIServer, create_server
from waitress.wasyncore import close_all, loop

from registry.actions.supervise import told_to_stop
from registry.domain.problems import BadInputError, Fault
from registry.web.context import surroundings
from registry.web.logs import start_logging

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask import Flask

THREADS = 8
FINISH_SECONDS = 60
"""How long requests in flight are waited for once the server was told to stop."""

_TURN_SECONDS = 1
_FINISHING_TURN_SECONDS = 0.05


def serve(
    app: Flask, host: str, port: int, *, on_listening: Callable[[str], None] | None = None
) -> None:
    """Serve until SIGTERM or SIGINT, finish the requests in flight, and return.

    `on_listening` is told the address once connections are taken; port 0 takes a free one. To be
    called in the main thread, where signals arrive.
    """
    start_logging()
    connections: dict[int, Any] = {}
    with app.app_context():
        scheme = "https" if surroundings().is_https else "http"
        proxies = surroundings().ledger.settings.proxies
    # What comes in is held in memory until its view takes it: waitress would write a larger body
    # to a temporary file, in the clear.
    in_memory = app.config["MAX_CONTENT_LENGTH"] + 1
    try:
        server = create_server(
            app,
            connections,
            host=host,
            port=port,
            threads=THREADS,
            url_scheme=scheme,
            ident=None,
            max_request_body_size=in_memory,
            inbuf_overflow=in_memory,
            # Kept for the application, which believes as many entries as there are proxies.
            clear_untrusted_proxy_headers=proxies == 0,
        )
    except (OSError, ValueError) as error:
        close_all(connections)
        raise BadInputError(
            Fault(f"cannot listen on {host} port {port}: {error}", "--port", "choose another")
        ) from error
    listeners = _of_kind(connections, BaseWSGIServer)
    with told_to_stop(listeners[0].pull_trigger) as stop:
        if on_listening is not None:
            shown = f"[{host}]" if ":" in host else host
            on_listening(f"{scheme}://{shown}:{listeners[0].effective_port}/")
        while not stop.is_set():
            loop(_TURN_SECONDS, use_poll=True, map=connections, count=1)
        _finish(connections, listeners)
        server.task_dispatcher.shutdown()
        close_all(connections)


def _finish(connections: dict[int, Any], listeners: list[Any]) -> None:
    """Take no more connections; go on until all that had arrived is answered and sent."""
    for listener in listeners:
        listener.accepting = False
        listener.del_channel(connections)
        listener.socket.close()
    until = monotonic() + FINISH_SECONDS
    while monotonic() < until and any(map(_is_busy, _of_kind(connections, HTTPChannel))):
        loop(_FINISHING_TURN_SECONDS, use_poll=True, map=connections, count=1)


def _is_busy(channel: Any) -> bool:  # noqa: ANN401 - waitress has no types
    return bool(channel.requests or channel.request is not None or channel.total_outbufs_len)


def _of_kind(connections: dict[int, Any], kind: type) -> list[Any]:
    return [found for found in connections.values() if isinstance(found, kind)]
