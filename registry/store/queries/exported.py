"""The rows of an export: one question a table, each from what the viewer may see."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from registry.domain.directions import Direction
from registry.domain.scales import grade
from registry.store.exporting import tables
from registry.store.exporting.shapes import Field, Filled
from registry.store.models.cases import Case, CaseAssistant, Screw
from registry.store.models.evidence import Evidence
from registry.store.models.outcomes import Outcome
from registry.store.models.patients import Patient
from registry.store.models.people import Person
from registry.store.models.readings import Assignment, ConsensusRow, Reading
from registry.store.models.scans import HeldImage, Scan
from registry.store.queries.counted_screws import audit_scans
from registry.store.visible import visible_cases, visible_readings

if TYPE_CHECKING:
    from sqlalchemy import Select
    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer
    from registry.domain.settings import Settings

Rows = list[tuple[object, ...]]


def exported_tables(session: Session, viewer: Viewer, settings: Settings) -> list[Filled]:
    """Return every table of an export with the rows that a viewer may see, in the order of ids."""
    asking = _Asking(session, viewer, settings)
    rows = {
        tables.CASES: asking.cases(),
        tables.SCREWS: asking.screws(),
        tables.SCANS: asking.scans(),
        tables.READINGS: asking.readings(),
        tables.CONSENSUS: asking.consensus(),
        tables.OUTCOMES: asking.outcomes(),
        tables.ASSIGNMENTS: asking.assignments(),
    }
    # Only people who stand in a table that is shown.
    rows[tables.PEOPLE] = asking.people()
    return [Filled(shape, rows[shape]) for shape in tables.SHAPES]


class _Asking:
    """One export's questions; every one starts from the cases that the viewer may see."""

    def __init__(self, session: Session, viewer: Viewer, settings: Settings) -> None:
        self.session = session
        self._scale = settings.scale
        self._cases = visible_cases(viewer).with_only_columns(Case.id)
        self._screws = select(Screw.id).where(Screw.case_id.in_(self._cases))
        self._readings = visible_readings(viewer)
        self._audit = audit_scans(session, settings.audit_window_days)
        self._people: set[object] = set()

    def _rows(self, question: Select[*tuple[Any, ...]]) -> Rows:
        return [tuple(row) for row in self.session.execute(question)]

    def cases(self) -> Rows:
        assistants: dict[int, list[int]] = defaultdict(list)
        asked = select(CaseAssistant.case_id, CaseAssistant.person_id).where(
            CaseAssistant.case_id.in_(self._cases)
        )
        for case_id, person in self.session.execute(asked.order_by(CaseAssistant.person_id)):
            assistants[case_id].append(person)
            self._people.add(person)
        rows: Rows = []
        for case, pseudonym, withdrawn_at in self.session.execute(
            select(Case, Patient.pseudonym, Patient.withdrawn_at)
            .join(Patient, Patient.id == Case.patient_id)
            .where(Case.id.in_(self._cases))
            .order_by(Case.id)
        ):
            self._people |= {case.surgeon_id, case.second_surgeon_id}
            rows.append(
                (
                    case.id,
                    case.reference,
                    pseudonym,
                    withdrawn_at is not None,
                    case.operated_on,
                    case.surgeon_id,
                    case.second_surgeon_id,
                    " ".join(map(str, assistants[case.id])) or None,
                    case.indication,
                    case.is_revision,
                    case.cobb_deg,
                    case.body_mass_index,
                    case.bone_quality,
                    case.approach,
                    case.no_scan_reason,
                    self._audit.get(case.id),
                )
            )
        return rows

    def screws(self) -> Rows:
        rows = self._rows(
            select(
                Screw.id,
                Screw.case_id,
                Screw.level,
                Screw.side,
                Screw.number,
                Screw.entry_technique,
                Screw.technique_words,
                Screw.guidance,
                Screw.operator_id,
                Screw.operator_grade,
                Screw.supervision,
                Screw.diameter_mm,
                Screw.length_mm,
                Screw.alloy,
                Screw.curve_side,
                Screw.is_at_apex,
                Screw.intention,
                Screw.intention_recorded_at,
                Screw.implant_identifier,
                Screw.life,
                Screw.first_track,
                Screw.replaces_id,
            )
            .where(Screw.case_id.in_(self._cases))
            .order_by(Screw.id)
        )
        self._note_people(rows, tables.SCREWS.fields, "operator")
        return rows

    def scans(self) -> Rows:
        counted = set(self._audit.values())
        found = self._rows(
            select(
                Scan.id,
                Scan.case_id,
                Scan.scanned_on,
                Scan.kind,
                Scan.reason,
                HeldImage.id,
                HeldImage.removed_at,
                Scan.is_adequate,
            )
            .outerjoin(HeldImage, HeldImage.id == Scan.image_id)
            .where(Scan.case_id.in_(self._cases))
            .order_by(Scan.id)
        )
        return [
            (*row[:5], row[5] is not None and row[6] is None, row[7], row[0] in counted)
            for row in found
        ]

    def readings(self) -> Rows:
        walls = [getattr(Reading, f"{wall}_mm") for wall in Direction]
        deviations = [getattr(Reading, f"{wall}_sd_mm") for wall in Direction]
        kept = (Evidence.reading_id == Reading.id) & Evidence.removed_at.is_(None)
        rows = self._rows(
            self._readings.with_only_columns(
                Reading.id,
                Reading.screw_id,
                Reading.scan_id,
                Reading.reader_id,
                Reading.role,
                Reading.read_on,
                Reading.recorded_at,
                Reading.is_assessable,
                Reading.not_assessable_reason,
                Reading.method,
                *walls,
                *deviations,
                Reading.bearing_deg,
                Reading.convergence_deg,
                Reading.sagittal_deg,
                Reading.confidence,
                Reading.is_blind,
                Reading.seconds_spent,
                Reading.note,
                Reading.supersedes_id,
                Reading.superseded_reason,
                Reading.proposal_seen,
                Evidence.picture_digest,
            )
            .outerjoin(Evidence, kept)
            .order_by(Reading.id)
        )
        self._note_people(rows, tables.READINGS.fields, "reader")
        return rows

    def consensus(self) -> Rows:
        counted = set(self._audit.values())
        rows: Rows = []
        for found, level in self.session.execute(
            select(ConsensusRow, Screw.level)
            .join(Screw, Screw.id == ConsensusRow.screw_id)
            .where(ConsensusRow.screw_id.in_(self._screws))
            .order_by(ConsensusRow.screw_id, ConsensusRow.scan_id)
        ):
            extents = {wall: getattr(found, f"{wall}_mm") for wall in Direction}
            rows.append(
                (
                    found.screw_id,
                    found.scan_id,
                    found.scan_id in counted,
                    found.state,
                    found.is_provisional,
                    found.is_assessable,
                    *extents.values(),
                    found.bearing_deg,
                    grade(extents, level, self._scale) if found.is_assessable else None,
                    found.reading_ids,
                    found.rule_version,
                )
            )
        return rows

    def outcomes(self) -> Rows:
        rows = self._rows(
            select(
                Outcome.id,
                Outcome.case_id,
                Outcome.screw_id,
                Outcome.observed_on,
                Outcome.has_deficit,
                Outcome.deficit_words,
                Outcome.is_revised_for_position,
                Outcome.action,
                Outcome.told_on,
                Outcome.told_by_id,
                Outcome.recorded_at,
            )
            .where(Outcome.case_id.in_(self._cases))
            .order_by(Outcome.id)
        )
        self._note_people(rows, tables.OUTCOMES.fields, "patient_told_by")
        return rows

    def assignments(self) -> Rows:
        rows = self._rows(
            select(
                Assignment.id,
                Assignment.screw_id,
                Assignment.scan_id,
                Assignment.role,
                Assignment.reader_id,
                Assignment.reason,
                Assignment.made_at,
                Assignment.supersedes_id,
                Assignment.closed_at,
                Assignment.closed_reason,
            )
            .where(Assignment.screw_id.in_(self._screws))
            .order_by(Assignment.id)
        )
        self._note_people(rows, tables.ASSIGNMENTS.fields, "reader")
        return rows

    def people(self) -> Rows:
        names = self._rows(select(Person.id, Person.name).order_by(Person.id))
        return [row for row in names if row[0] in self._people]

    def _note_people(self, rows: Rows, fields: tuple[Field, ...], name: str) -> None:
        at = [field.name for field in fields].index(name)
        self._people |= {row[at] for row in rows}
