"""How a coded word is read: any case; spaces, underscores and hyphens are one."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Mapping

Word = TypeVar("Word", bound=StrEnum)


def folded(text: str) -> str:
    """Return the form under which two spellings of one word are equal.

    Examples
    --------
    >>> folded("Robot_assisted") == folded("robot-assisted")
    True
    """
    for mark in "_-\N{NON-BREAKING HYPHEN}\N{EN DASH}":
        text = text.replace(mark, " ")
    return " ".join(text.casefold().split())


def parse_word(kind: type[Word], text: str, also: Mapping[str, Word] | None = None) -> Word:
    """Return the member of `kind` that `text` names.

    Parameters
    ----------
    kind : the closed set of words
    text : the word as it stands in a table or form
    also : other accepted spellings, folded, and what each means

    Raises
    ------
    ValueError
        `text` names none; the message lists the words that do
    """
    wanted = folded(text)
    for member in kind:
        if folded(member.value) == wanted:
            return member
    if also and wanted in also:
        return also[wanted]
    raise ValueError("use one of: " + ", ".join(member.value for member in kind))


def one_line(text: str) -> str:
    r"""Return typed words on one line, without marks that nobody can see.

    A control character would keep a report of them from being made as PDF or workbook, and one
    that turns the direction of writing shows other words than were typed.

    Examples
    --------
    >>> one_line(" ask\x07 for\n thinner ")
    'ask for thinner'
    """
    return " ".join("".join(mark if mark.isprintable() else " " for mark in text).split())
