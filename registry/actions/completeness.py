"""What is missing of a period's screws, and how much it could change the rate."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.whole_unit import whole_unit
from registry.domain.access import Deed, Reach, require
from registry.domain.problems import BadInputError, Fault
from registry.store.queries.steps import steps
from reports.frame import with_extents
from reports.tables.completeness import StepFacts, completeness

if TYPE_CHECKING:
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from reports.tables.completeness import Completeness
    from reports.tables.rates import Question


def measure_completeness(
    ledger: Ledger, viewer: Viewer, question: Question, assumed_rate: float | None = None
) -> Completeness:
    """Return the steps of a period for who may see everybody's numbers.

    `assumed_rate` is of the screws that nobody has looked at, 0 to 1; None assumes nothing.
    """
    require(viewer, Deed.SEE_SURGEONS, at_least=Reach.ALL)
    window = ledger.settings.audit_window_days
    # The screws first, so that each of them has its steps.
    screws = whole_unit(ledger, viewer, question.end).screws
    with ledger.reading() as session:
        found = steps(session, window)
    ids = screws["screw_id"].tolist()
    on_symptom_scans = with_extents(
        screws.assign(imaged=screws["screw_id"].isin(list(found.symptom_mm))),
        [found.symptom_mm.get(screw, {}) for screw in ids],
    )
    facts = {
        screw: StepFacts(
            is_read=step.is_read,
            is_second_read=step.is_second_read,
            is_adjudicated=step.is_adjudicated,
            not_assessable=step.not_assessable,
        )
        for screw, step in found.screws.items()
    }
    return completeness(screws, question, facts, found.unimaged, on_symptom_scans, assumed_rate)


def assumed_from(text: str) -> float | None:
    """Return the share that a text in per cent says, None for an empty one."""
    said = text.strip().removesuffix("%").strip()
    if not said:
        return None
    try:
        percent = float(said)
    except ValueError:
        percent = -1.0
    if not 0 <= percent <= 100:  # noqa: PLR2004 - per cent
        raise BadInputError(
            Fault(f"{text[:40]!r} cannot be used", "assumed", "give per cent, from 0 to 100")
        )
    return percent / 100
