"""The whole unit's counted screws, for who may see every surgeon, and rows for the frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.techniques import Intention, Life
from registry.store.queries.counted_screws import counted_screws
from registry.store.queries.people import all_person_names
from reports.frame import ScrewRow, frame

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    import pandas as pd

    from registry.store.home import Ledger
    from registry.store.queries.counted_screws import CountedScrew


@dataclass(frozen=True)
class WholeUnit:
    """Every counted screw of the ledger, and who its persons are.

    Attributes
    ----------
    screws : the frame
    rows : that it was made from
    names : of every person, by id
    """

    screws: pd.DataFrame
    rows: tuple[ScrewRow, ...]
    names: Mapping[int, str]


def whole_unit(ledger: Ledger, viewer: Viewer, until: date | None) -> WholeUnit:
    """Return the unit up to a day, to who may see every surgeon and to nobody else."""
    require(viewer, Deed.SEE_SURGEONS, at_least=Reach.ALL)
    with ledger.reading() as session:
        screws = counted_screws(session, ledger.settings.audit_window_days, until)
        names = all_person_names(session)
    rows = tuple(screw_row(screw) for screw in screws)
    return WholeUnit(frame(rows), rows, names)


def screw_row(screw: CountedScrew) -> ScrewRow:
    """Return a counted screw as a row of the frame."""
    return ScrewRow(
        screw_id=screw.screw_id,
        patient=screw.patient,
        case_id=screw.case_id,
        operated_on=screw.operated_on,
        level=screw.level,
        side=screw.side,
        number=screw.number,
        entry_technique=screw.entry_technique,
        guidance=screw.guidance,
        surgeon=screw.surgeon_id,
        operator=screw.operator_id,
        indication=screw.indication,
        diameter_mm=screw.diameter_mm,
        revision=screw.is_revision,
        bone_quality=screw.bone_quality,
        body_mass_index=screw.body_mass_index,
        cobb_deg=screw.cobb_deg,
        curve_side=screw.curve_side,
        life=Life(screw.life),
        intention=None if screw.intention is None else Intention(screw.intention),
        imaged=screw.is_imaged,
        provisional=screw.is_provisional,
        extents_mm=screw.extents_mm,
    )
