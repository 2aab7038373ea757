"""A browser in a few words, for the list of one's own sessions; the rest is dropped."""

from __future__ import annotations

# The first that is found counts: later families carry the names of earlier ones.
_FAMILIES = (
    ("Edg", "Edge"),
    ("OPR/", "Opera"),
    ("Firefox/", "Firefox"),
    ("FxiOS/", "Firefox"),
    ("CriOS/", "Chrome"),
    ("Chrome/", "Chrome"),
    ("Chromium/", "Chromium"),
    ("Safari/", "Safari"),
)
_SYSTEMS = (
    ("Windows", "Windows"),
    ("Android", "Android"),
    ("iPhone", "iOS"),
    ("iPad", "iOS"),
    ("CrOS", "ChromeOS"),
    ("Mac OS X", "macOS"),
    ("Linux", "Linux"),
)
UNKNOWN = "another browser or program"


def browser_in_words(user_agent: str) -> str:
    """Return such words as `Firefox on Windows` for a User-Agent header."""
    family = next((words for mark, words in _FAMILIES if mark in user_agent), None)
    system = next((words for mark, words in _SYSTEMS if mark in user_agent), None)
    if family is None:
        return UNKNOWN
    return family if system is None else f"{family} on {system}"
