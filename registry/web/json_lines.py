"""A log's records as JSON, one a line."""

from __future__ import annotations

import json
import logging
from datetime import UTC, datetime

FIELDS = "fields"
"""The attribute of a record under which its own fields stand."""


class JsonLines(logging.Formatter):
    """Writes a record as one line of JSON, an exception whole."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line: when, how grave, who, what, its own fields, and the traceback if any."""
        line = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(),
            "level": record.levelname.lower(),
            "from": record.name,
            "what": record.getMessage(),
            **getattr(record, FIELDS, {}),
        }
        if record.exc_info:
            line["traceback"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False, default=str)
