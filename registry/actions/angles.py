"""How screws lie and how large they are, against the usual and against their breaches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.whole_unit import whole_unit
from registry.domain.access import Deed, Reach, require
from registry.store.queries.angles import screw_angles
from reports.tables.angles import Lie, angles_and_sizes

if TYPE_CHECKING:
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from reports.tables.angles import AnglesAndSizes
    from reports.tables.rates import Question


@dataclass(frozen=True)
class AnglesMeasured:
    """The tables, and who measured the angles: screws by readers and by the program alone."""

    tables: AnglesAndSizes
    by_readers: int
    by_program: int


def measure_angles(ledger: Ledger, viewer: Viewer, question: Question) -> AnglesMeasured:
    """Return angles and sizes for who may see everybody's numbers."""
    require(viewer, Deed.SEE_SURGEONS, at_least=Reach.ALL)
    unit = whole_unit(ledger, viewer, question.end).screws
    with ledger.reading() as session:
        found = screw_angles(session, ledger.settings.audit_window_days)
    lies = {
        screw: Lie(each.convergence_deg, each.sagittal_deg, each.length_mm)
        for screw, each in found.items()
    }
    day = unit["operated_on"].dt.date
    asked = unit["pedicle"] if question.start is None else unit["pedicle"] & (day >= question.start)
    measured = [found[screw] for screw in unit["screw_id"][asked] if screw in found]
    read = [each.is_convergence_read or each.is_sagittal_read for each in measured]
    there = [each.convergence_deg is not None or each.sagittal_deg is not None for each in measured]
    return AnglesMeasured(
        tables=angles_and_sizes(unit, question, lies),
        by_readers=sum(read),
        by_program=sum(there) - sum(read),
    )
