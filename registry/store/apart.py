"""Drawn cases are none of the unit's: every question leaves them out unless it says otherwise.

This is no rule of access but one of what there is: a question that nobody thought of here counts
no drawn screw. It holds for each table by itself, so that a child table asked alone is held to it
as well, and the house test finds a table that has drawn rows and no line here. What reads a table
raw (`registry/store/rows.py`, backups, moving, `verify`) takes every row.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, cast

from sqlalchemy import Table, event, select
from sqlalchemy.orm import Session, with_loader_criteria
from sqlalchemy.sql.visitors import iterate

from registry.store.models.cases import Case, CaseAssistant, Screw
from registry.store.models.drawn import DrawnCase, DrawnScan
from registry.store.models.evidence import Evidence
from registry.store.models.findings import Finding
from registry.store.models.outcomes import Outcome
from registry.store.models.patients import Patient, VaultEntry
from registry.store.models.people import Person, PersonAlias
from registry.store.models.proposals import ProposalRow, ProposalShown
from registry.store.models.readings import Assignment, ConsensusRow, Reading
from registry.store.models.replies import Rereading
from registry.store.models.scans import HeldImage, Scan
from registry.store.models.unit import CaseSeen
from registry.store.rows import table_of

if TYPE_CHECKING:
    from sqlalchemy import Executable, Select
    from sqlalchemy.orm import LoaderCriteriaOption, ORMExecuteState
    from sqlalchemy.sql.visitors import ExternallyTraversible

    from registry.store.models.base import Base

WITH_DRAWN = {"with_drawn": True}
"""Options of a statement that asks for drawn rows as well: `query.execution_options(**WITH_DRAWN)`.

They hold for the whole statement, so they stand on the outermost one.
"""


def _of(column: str) -> Select[Any]:
    return select(table_of(DrawnCase).c[column])


def _screws() -> Select[Any]:
    screw: Table = table_of(Screw)
    return select(screw.c.id).where(screw.c.case_id.in_(_of("case_id")))


def _readings() -> Select[Any]:
    reading: Table = table_of(Reading)
    return select(reading.c.id).where(reading.c.scan_id.in_(_of("scan_id")))


def _proposals() -> Select[Any]:
    proposal: Table = table_of(ProposalRow)
    return select(proposal.c.id).where(proposal.c.scan_id.in_(_of("scan_id")))


def _images() -> Select[Any]:
    return select(table_of(DrawnScan).c.image_id)


# Bare tables stand in the conditions: one on a model would be held to its own condition again.
KEPT_APART: dict[type[Base], tuple[str, Select[Any]]] = {
    Person: ("id", _of("surgeon_id")),
    PersonAlias: ("person_id", _of("surgeon_id")),
    Patient: ("id", _of("patient_id")),
    VaultEntry: ("patient_id", _of("patient_id")),
    Case: ("id", _of("case_id")),
    CaseAssistant: ("case_id", _of("case_id")),
    CaseSeen: ("case_id", _of("case_id")),
    Screw: ("case_id", _of("case_id")),
    Outcome: ("case_id", _of("case_id")),
    Scan: ("case_id", _of("case_id")),
    HeldImage: ("id", _images()),
    Assignment: ("scan_id", _of("scan_id")),
    Reading: ("scan_id", _of("scan_id")),
    Evidence: ("reading_id", _readings()),
    ConsensusRow: ("scan_id", _of("scan_id")),
    Finding: ("scan_id", _of("scan_id")),
    Rereading: ("screw_id", _screws()),
    ProposalRow: ("scan_id", _of("scan_id")),
    ProposalShown: ("proposal_id", _proposals()),
}
"""By model, the column by which a row is drawn, and what it is then among."""


@cache
def criteria() -> dict[str, LoaderCriteriaOption]:
    """Return what each table is held to, by its name."""
    return {
        model.__tablename__: with_loader_criteria(
            model,
            getattr(model, column).not_in(drawn),
            include_aliases=True,
        )
        for model, (column, drawn) in KEPT_APART.items()
    }


def held_apart(statement: Executable) -> Executable:
    """Return a statement held to what there is of each table that it names, however deep.

    Held to that of all tables it would find the same and take four times as long to prepare.
    """
    parts = iterate(cast("ExternallyTraversible", statement))
    named = {part.name for part in parts if isinstance(part, Table)}
    return statement.options(*(held for name, held in criteria().items() if name in named))


@event.listens_for(Session, "do_orm_execute")
def _leave_drawn_out(state: ORMExecuteState) -> None:
    if state.is_select and not state.execution_options.get("with_drawn", False):
        state.statement = held_apart(state.statement)
