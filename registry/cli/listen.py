"""`listen`: receive what an archive sends."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from registry.cli.output import say
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

# 11112 is registered for DICOM (IANA's list, from memory); 104, its other port, needs root.
DEFAULT_PORT = 11112


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take where to listen."""
    command.add_argument("--host", default="127.0.0.1", help="address to listen on (127.0.0.1)")
    command.add_argument("--port", type=int, default=DEFAULT_PORT, help=f"default {DEFAULT_PORT}")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Receive until told to stop; the receiver itself is a process of its own."""
    from registry.actions.receive import receiver_order
    from registry.actions.supervise import keep_running
    from registry.cli.opening import opened

    given.acting_as = None  # as `serve`: it is for who has a shell on this machine
    with opened(given, environment) as (ledger, viewer):
        # What the settings want is said here, before a process is started for it.
        order = receiver_order(ledger, viewer, given.host, given.port)
        name, way = order.title, "plain TCP" if order.tls is None else "TLS"

    def ready(answer: Mapping[str, object]) -> None:
        say(f"{name} receives on {given.host} port {answer['port']} ({way}); stop with Ctrl-C")
        say(CAUTION)

    def died(status: int) -> None:
        words = "the receiver ended with status %s and is started again"
        logging.getLogger("registry.receiver").warning(words, status)

    asked = {"home": given.home, "host": given.host, "port": given.port}
    keep_running("registry.cli.receiver_process", asked, on_ready=ready, on_death=died)
    return 0
