"""How much the sending script puts into one request."""

from __future__ import annotations

PIECE_BYTES = 1024 * 1024
"""What one request may carry of a file; half of what any request may hold."""

MOST_ASKED = 1000
"""Files of which one request may ask how much is there."""
