"""The log: a JSON line an event on stderr, under the request's reference, naming nobody.

A path may hold a token and a query string anything, so that only the route's rule is written, and
the whole numbers in it.
"""

from __future__ import annotations

import logging
import secrets
import sys
from time import monotonic
from typing import TYPE_CHECKING, TextIO

from flask import g, request

from registry.web.json_lines import FIELDS, JsonLines

if TYPE_CHECKING:
    from flask import Response

LOGGER = logging.getLogger("registry.web")


class _Stderr(logging.StreamHandler[TextIO]):
    """Writes to whatever stderr is at the time."""

    def __init__(self) -> None:
        super().__init__(sys.stderr)

    def emit(self, record: logging.LogRecord) -> None:
        self.stream = sys.stderr
        super().emit(record)


def start_logging() -> None:
    """Send the program's log to stderr as JSON lines; of libraries, warnings alone."""
    handler = _Stderr()
    handler.setFormatter(JsonLines())
    logging.basicConfig(handlers=[handler], level=logging.WARNING, force=True)
    logging.getLogger("registry").setLevel(logging.INFO)
    logging.getLogger("pydicom").setLevel(logging.CRITICAL)


def log(event: str, *, level: int = logging.INFO, failed: bool = False, **fields: object) -> None:
    """Write an event of this request; `failed` adds the exception that is being handled."""
    LOGGER.log(level, event, exc_info=failed, extra={FIELDS: {"reference": g.reference, **fields}})


def begin_request() -> None:
    """Give the request its reference."""
    g.reference = secrets.token_hex(8)
    g.began = monotonic()


def log_request(response: Response) -> Response:
    """Write a line about an answered request."""
    viewer = g.get("viewer")
    log(
        "request",
        method=request.method,
        route=request.url_rule.rule if request.url_rule else None,
        records=[value for value in (request.view_args or {}).values() if isinstance(value, int)],
        status=response.status_code,
        milliseconds=round(1000 * (monotonic() - g.began)),
        account=viewer.account_id if viewer else None,
    )
    return response
