"""The headers that every answer carries."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import request

from registry.web.context import surroundings

if TYPE_CHECKING:
    from flask import Response

# No inline script or style is used anywhere, so that no nonce is needed (OWASP ASVS 5.0, 3.4.3).
_RULES = (
    "default-src 'none'",
    "script-src 'self'",
    "style-src 'self'",
    "img-src 'self' data: blob:",
    "connect-src 'self'",
    "font-src 'self'",
    "form-action 'self'",
    "base-uri 'none'",
    "frame-ancestors 'none'",
    "object-src 'none'",
)
PAGE_POLICY = "; ".join(_RULES)

# A picture opened by itself may style its own shapes and do nothing else.
PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'; sandbox"

# A report brings its own style and pictures, and charts style their shapes; nothing runs and
# nothing is fetched.
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'none'; "
    "base-uri 'none'; frame-ancestors 'none'"
)

_ALWAYS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
_YEAR_SECONDS = 365 * 24 * 3600


def add_headers(response: Response) -> Response:
    """Return the answer with its headers; a view may have set a narrower policy."""
    for name, value in _ALWAYS.items():
        response.headers[name] = value
    response.headers.setdefault("Content-Security-Policy", PAGE_POLICY)
    is_static = request.endpoint is not None and request.endpoint.rpartition(".")[2] == "static"
    response.headers["Cache-Control"] = "no-cache" if is_static else "no-store"
    if surroundings().is_https:
        response.headers["Strict-Transport-Security"] = (
            f"max-age={_YEAR_SECONDS}; includeSubDomains"
        )
    return response
