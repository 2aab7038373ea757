"""`serve`: serve the pages."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.output import say

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

_EVERY_ADDRESS = frozenset({"0.0.0.0", "::", "*"})  # noqa: S104 - asked for by name, not a default


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take where to listen."""
    command.add_argument("--host", default="127.0.0.1", help="address to listen on (127.0.0.1)")
    command.add_argument("--port", type=int, default=8000, help="port to listen on (8000)")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Serve until told to stop; requests in flight are finished."""
    from registry.cli.opening import instant
    from registry.store.home import home_folder, open_ledger
    from registry.web.app import create_app
    from registry.web.server import serve

    ledger = open_ledger(home_folder(given.home, environment), environment)
    try:
        hosts = () if given.host in _EVERY_ADDRESS else (given.host,)
        app = create_app(ledger, clock=instant, hosts=hosts)
        serve(app, given.host, given.port, on_listening=lambda url: say(f"serving at {url}"))
    finally:
        ledger.close()
    return 0
