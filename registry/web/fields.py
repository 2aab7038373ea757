"""Form fields as the shared macro draws them: label, hint, value and what is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Sequence

_PICKED = frozenset({"date", "datetime-local", "number"})
"""Kinds whose browsers drop a value that is none of theirs."""


@dataclass(frozen=True)
class Choice:
    """One option of a choice: what is sent, and what is read."""

    value: str
    words: str


@dataclass(frozen=True)
class Field:
    """One field of a form.

    Attributes
    ----------
    name : under which it is sent
    label, hint, error : what is read beside it
    value : what it holds
    kind : of input; `select` needs choices, a `textarea` takes several lines
    autocomplete : what a browser or password manager may fill in
    mark : makes the element's id where two fields are sent under one name
    suggestions : id of a list of values that may be typed
    longest : characters that it takes; 0 where the browser need not mind
    """

    name: str
    label: str
    value: str = ""
    kind: Literal["text", "password", "date", "datetime-local", "number", "select", "textarea"] = (
        "text"
    )
    choices: Sequence[Choice] = ()
    hint: str = ""
    error: str = ""
    autocomplete: str = "off"
    mark: str = ""
    suggestions: str = ""
    longest: int = 0

    @property
    def id(self) -> str:
        """The element's id."""
        return f"field-{self.name}{self.mark}"

    @property
    def is_shown(self) -> bool:
        """Whether its value may stand in the page: no password, no day that is none."""
        if self.kind == "date" and self.error:
            return _is_day(self.value)
        return self.kind != "password" and not (self.kind in _PICKED and self.error)

    @property
    def described_by(self) -> str:
        """The ids of what describes it, for `aria-describedby`."""
        told = (("hint", self.hint), ("error", self.error))
        return " ".join(f"{self.id}-{kind}" for kind, text in told if text)


def _is_day(text: str) -> bool:
    """Return whether a browser takes it as a day: a wrong one, such as of next year, may stay."""
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False
