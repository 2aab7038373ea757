"""Every table in one place, for the migration's check and for `verify`."""

from __future__ import annotations

from registry.store.models.actions import QuarterAction
from registry.store.models.arrivals import ArrivalRow
from registry.store.models.base import Base, Tracked
from registry.store.models.cases import Case, CaseAssistant, Screw
from registry.store.models.drafts import ReadingDraft
from registry.store.models.drawn import DrawnCase, DrawnScan, DrawnScrew
from registry.store.models.evidence import Evidence
from registry.store.models.findings import Finding
from registry.store.models.outcomes import Outcome
from registry.store.models.own_notes import OwnNote, OwnNoteShown
from registry.store.models.patients import Patient, VaultEntry
from registry.store.models.people import Account, AccountRole, Person, PersonAlias
from registry.store.models.proposals import ProposalRow, ProposalShown, ProposalWork
from registry.store.models.readings import Assignment, ConsensusRow, Draw, Reading
from registry.store.models.replies import ReplyAnswer, ReplyRound, Rereading
from registry.store.models.scans import HeldImage, Scan
from registry.store.models.seals import QuarterRemark, QuarterSeal
from registry.store.models.trail import EventRow, TrailHead
from registry.store.models.unit import CaseSeen, UnitSettings

METADATA = Base.metadata

TRACKED: tuple[type[Tracked], ...] = (
    Person,
    PersonAlias,
    Account,
    AccountRole,
    Patient,
    Case,
    CaseAssistant,
    Screw,
    HeldImage,
    Scan,
    VaultEntry,
    Draw,
    Assignment,
    Reading,
    Evidence,
    ConsensusRow,
    Outcome,
    Finding,
    ReplyRound,
    ReplyAnswer,
    Rereading,
    QuarterRemark,
    QuarterSeal,
    OwnNote,
    OwnNoteShown,
    QuarterAction,
    CaseSeen,
    ProposalRow,
    ProposalShown,
    DrawnScan,
    DrawnScrew,
    DrawnCase,
    UnitSettings,
)
"""Parents before children."""

__all__ = [
    "METADATA",
    "TRACKED",
    "ArrivalRow",
    "EventRow",
    "ProposalWork",
    "ReadingDraft",
    "TrailHead",
]
