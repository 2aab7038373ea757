"""`serve`: serve the pages of a ledger."""

from __future__ import annotations

from contextlib import ExitStack
from typing import TYPE_CHECKING

from registry.cli.output import say
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

DEFAULT_PORT = 8000


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take where to listen and under which names."""
    command.add_argument("--host", default="127.0.0.1", help="address to listen on (127.0.0.1)")
    command.add_argument("--port", type=int, default=DEFAULT_PORT, help=f"default {DEFAULT_PORT}")
    command.add_argument(
        "--name",
        action="append",
        default=[],
        help="a host name under which browsers reach it, besides the setting `hosts`; repeatable",
    )
    command.add_argument(
        "--https",
        action="store_true",
        help="browsers reach it over TLS, which a proxy in front ends (setting `behind_https`)",
    )


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Serve until told to stop; finish the requests in flight."""
    from registry.actions.resettle import resettle
    from registry.cli.opening import instant
    from registry.cli.worker_process import working_beside
    from registry.store.home import home_folder, open_ledger
    from registry.web.app import create_app
    from registry.web.server import serve

    home = home_folder(given.home, environment)
    ledger = open_ledger(home, environment)
    try:
        resettle(ledger, instant())
        app = create_app(ledger, clock=instant, hosts=given.name, is_https=given.https)

        def listening(address: str) -> None:
            beside.enter_context(working_beside(home))
            say(f"serving {ledger.settings.unit_name} on {address} ; stop with Ctrl-C")
            say(CAUTION)

        with ExitStack() as beside:
            serve(app, given.host, given.port, on_listening=listening)
    finally:
        ledger.close()
    return 0
