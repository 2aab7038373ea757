"""A surgeon's own results, gathered from the actions that pages and commands ask as well.

Whatever else the surgeon may do, they are answered as a surgeon and nobody else: the rule of
`registry.domain.disclosure` decides what is told of the unit and of peers.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from importlib.metadata import version
from typing import TYPE_CHECKING

from registry.actions.count import count_rates, limited_view
from registry.actions.count_runs import count_run
from registry.actions.count_surgeons import count_surgeons
from registry.actions.evidence import picture
from registry.actions.export_files import Export
from registry.actions.own_notes import author_of, own_notes
from registry.actions.own_screws import own_screws
from registry.actions.replies import today_of
from registry.domain.access import Role
from registry.domain.own_notes import NoteKind
from registry.store.queries.people import person_name
from reports.documents.canonical import canonical_bytes
from reports.documents.html import as_html
from reports.documents.own import NoteOnPaper, OwnReport, numbers
from reports.documents.own_document import own_document
from reports.documents.pdf import as_pdf
from reports.frame import Threshold
from reports.tables.splits import Split
from reports.tables.technique_levels import technique_levels

if TYPE_CHECKING:
    from datetime import datetime

    import pandas as pd

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from reports.documents.blocks import Document
    from reports.tables.rates import Question, RateTable

VERB = "make own results"
"""What the trail says was done when they are written from the shell."""

_MADE_WITH = ("pedicle-ledger", "numpy", "pandas", "scipy", "matplotlib", "typst")


def as_surgeon(viewer: Viewer) -> Viewer:
    """Return the viewer as a surgeon alone; NotAllowedError for who has no own screws."""
    author_of(viewer)
    return replace(viewer, roles=viewer.roles & {Role.SURGEON}, is_local_operator=False)


def own_results(
    ledger: Ledger, viewer: Viewer, question: Question, now: datetime, *, with_notes: bool = False
) -> OwnReport:
    """Return own results over a question's days, by its event; without a last day all is settled.

    Splits and interval of the question play no part.
    """
    viewer, today = as_surgeon(viewer), today_of(ledger, now)
    view = limited_view(ledger, viewer, replace(question, by=(Split.SURGEON,)), today)
    asked = replace(view.question, by=())
    screws = _own_of_period(view.unit, asked, viewer.person_id)

    def rates(*by: Split, threshold: Threshold = asked.threshold) -> RateTable:
        return count_rates(ledger, viewer, replace(asked, by=by, threshold=threshold), today)

    with ledger.reading() as session:
        name = person_name(session, viewer)
    one_by_one = own_screws(ledger, viewer, screws, asked)
    return OwnReport(
        unit=ledger.settings.unit_name,
        surgeon=name,
        made_at=now.astimezone(UTC).replace(microsecond=0),
        question=asked,
        scale=ledger.settings.scale,
        own=tuple(rates(Split.SURGEON, threshold=each) for each in Threshold),
        whole=tuple(rates(threshold=each) for each in Threshold),
        levels=rates(Split.SURGEON, Split.LEVEL),
        techniques=rates(Split.SURGEON, Split.ENTRY_TECHNIQUE),
        crossed=technique_levels(screws, asked.event),
        surgeons=count_surgeons(ledger, viewer, asked, today),
        run=count_run(ledger, viewer, asked, None, today),
        breached=one_by_one.breached,
        provisional=one_by_one.provisional,
        ungraded=one_by_one.ungraded,
        unscanned=one_by_one.unscanned,
        notes=_notes(ledger, viewer) if with_notes else (),
        versions={each: version(each) for each in _MADE_WITH},
    )


def own_as_document(ledger: Ledger, viewer: Viewer, report: OwnReport) -> Document:
    """Return own results with the pictures that the screws which stand outside were read on."""
    viewer = as_surgeon(viewer)
    asked = {screw.reading_id for screw in report.breached if screw.reading_id is not None}
    pictures = {reading: picture(ledger, viewer, reading) for reading in sorted(asked)}
    return own_document(report, pictures)


def own_files(ledger: Ledger, viewer: Viewer, report: OwnReport) -> dict[str, bytes]:
    """Return every file of own results by its name."""
    document = own_as_document(ledger, viewer, report)
    return {
        "own.html": as_html(document),
        "own.pdf": as_pdf(document),
        "own.json": canonical_bytes(numbers(report)),
    }


def own_export(ledger: Ledger, viewer: Viewer, report: OwnReport) -> Export:
    """Return own results ready to leave the ledger, which is an event; of notes it says nothing."""
    return Export(VERB, "own results", {}, own_files(ledger, viewer, report))


def _own_of_period(unit: pd.DataFrame, asked: Question, person: int | None) -> pd.DataFrame:
    """Return the screws of the asked days of which the person was the responsible surgeon."""
    own = unit["surgeon"] == person
    days = unit["operated_on"].dt.date
    if asked.start:
        own &= days >= asked.start
    if asked.end:
        own &= days <= asked.end
    return unit[own].reset_index(drop=True)


def _notes(ledger: Ledger, viewer: Viewer) -> tuple[NoteOnPaper, ...]:
    return tuple(
        NoteOnPaper(
            is_action=note.kind is NoteKind.ACTION,
            noted_on=note.noted_on,
            words=note.words,
            due_on=note.due_on,
            done_on=note.done_on,
            outcome=note.outcome or "",
        )
        for note in own_notes(ledger, viewer)
    )
