"""Logs of the shell's side: JSON lines on standard error."""

from __future__ import annotations

import logging

from registry.web.json_lines import JsonLines


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
