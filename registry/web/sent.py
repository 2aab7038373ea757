"""What pages of numbers answer with besides themselves: JSON, a file to keep, a chart."""

from __future__ import annotations

import base64
import json
from typing import TYPE_CHECKING

from flask import Response

from registry.web.headers import PICTURE_POLICY

if TYPE_CHECKING:
    from reports.charts.rates import Chart


def json_document(document: object) -> Response:
    """Return a document as the commands print it."""
    text = json.dumps(document, allow_nan=False, ensure_ascii=False, indent=2)
    return Response(f"{text}\n", mimetype="application/json")


def kept_file(content: str | bytes, name: str, media_type: str) -> Response:
    """Return a file that a browser keeps under a name."""
    response = Response(content, mimetype=media_type)
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


def chart_alone(chart: Chart) -> Response:
    """Return a chart as a picture of its own."""
    response = Response(chart.svg, mimetype="image/svg+xml")
    response.headers["Content-Security-Policy"] = PICTURE_POLICY
    return response


def embedded(chart: Chart) -> str:
    """Return a chart as the address of a picture that stands in the page itself."""
    return f"data:image/svg+xml;base64,{base64.b64encode(chart.svg.encode()).decode()}"
