"""Logs of the shell's side: JSON lines on standard error."""

from __future__ import annotations

import json
import logging
from datetime import UTC, datetime


class JsonLines(logging.Formatter):
    """One JSON object a line."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the record as JSON: when, how grave, who, what, and the traceback if any."""
        line = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(),
            "level": record.levelname.lower(),
            "from": record.name,
            "what": record.getMessage(),
        }
        for name in ("request", "reference"):
            if hasattr(record, name):
                line[name] = getattr(record, name)
        if record.exc_info:
            line["traceback"] = self.formatException(record.exc_info)
        return json.dumps(line, ensure_ascii=False)


def start_logging() -> None:
    """Send warnings and worse of this program to standard error."""
    handler = logging.StreamHandler()
    handler.setFormatter(JsonLines())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    # What is wrong with a file is told in words of our own.
    logging.getLogger("pydicom").setLevel(logging.CRITICAL)
    # What these say quotes addresses, titles and whole queries with a patient's number in them.
    for name in ("pynetdicom", "dicomweb_client", "urllib3"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
