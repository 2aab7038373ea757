"""The reason that every correction asks for."""

from __future__ import annotations

from registry.domain.problems import BadInputError, Fault
from registry.domain.words import one_line

LONGEST_REASON = 300


def reason_given(text: str) -> str:
    """Return a reason on one line; BadInputError where there is none or too much of it."""
    line = one_line(text)
    if not line:
        raise BadInputError(Fault("is empty", "Reason", "say why; it stays in the event trail"))
    if len(line) > LONGEST_REASON:
        raise BadInputError(
            Fault("is too long", "Reason", f"use at most {LONGEST_REASON} characters")
        )
    return line
