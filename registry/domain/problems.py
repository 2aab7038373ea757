"""What can go wrong, as one tree of exceptions.

`web.errors` and `cli.output` are the only places that turn these into pages, JSON and exit
statuses.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with an input.

    Attributes
    ----------
    what : str, what is wrong, with the offending value
    where : str, file, row and column, or the option's or setting's name; may be empty
    mend : str, how to put it right; may be empty
    """

    what: str
    where: str = ""
    mend: str = ""

    def line(self) -> str:
        """Return the fault as one line of text."""
        text = f"{self.where}: {self.what}" if self.where else self.what
        if self.mend:
            text = f"{text}; {self.mend}"
        return " ".join(text.split())


class ProblemError(Exception):
    """Any problem that is told to a person in words; exit status 1 unless a kind says otherwise."""

    exit_status = 1
    http_status = 500

    def lines(self) -> list[str]:
        """Return one line a fault."""
        return [" ".join(str(self).split())]


class BadInputError(ProblemError):
    """The input is wrong; nothing was changed. Carries every fault found, not only the first."""

    exit_status = 2
    http_status = 400

    def __init__(self, *faults: Fault) -> None:
        self.faults = faults
        super().__init__("; ".join(fault.line() for fault in faults))

    def lines(self) -> list[str]:
        """Return one line a fault."""
        return [fault.line() for fault in self.faults]


class NotAllowedError(ProblemError):
    """The viewer may not do or see this; said without telling whether the record exists."""

    exit_status = 2
    http_status = 403


class NotFoundError(ProblemError):
    """No such record among those that the viewer may see."""

    exit_status = 2
    http_status = 404


class ConflictError(ProblemError):
    """The record has changed, or holds another value already; nothing was changed."""

    exit_status = 2
    http_status = 409

    def __init__(self, *faults: Fault) -> None:
        self.faults = faults
        super().__init__("; ".join(fault.line() for fault in faults))

    def lines(self) -> list[str]:
        """Return one line a fault."""
        return [fault.line() for fault in self.faults]


class FailureError(ProblemError):
    """The program or its surroundings failed (disk full, database away); exit status 1."""


class NoRoomError(FailureError):
    """The disk has no room for what comes in, which whoever sends it is to be told in words."""

    http_status = 507
