"""Export the ledger's tables with their dictionary."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.export_files import Export
from registry.domain.access import Deed, Reach, Viewer, require
from registry.store.exporting.dictionary import NAME, dictionary
from registry.store.exporting.files import Format, require_installed, written
from registry.store.queries.exported import exported_tables

if TYPE_CHECKING:
    from datetime import datetime

    from registry.store.home import Ledger

DESCRIPTION = (
    "Tables of one unit's register of pedicle screws. Patients stand under pseudonyms; their "
    "hospital's numbers and days of birth are in none of the tables. Millimetres are whole tenths; "
    "an empty cell was not measured or not said, never 0. For audit and quality improvement; not "
    "for diagnosis or treatment decisions; follow local policy and licensed practice."
)


def export_tables(ledger: Ledger, viewer: Viewer, form: Format, now: datetime) -> Export:
    """Return the files of an export; only what the viewer may see is in them."""
    require(viewer, Deed.EXPORT, at_least=Reach.ALL)
    require_installed(form)
    with ledger.reading() as session:
        tables = exported_tables(session, viewer, ledger.settings)
    data = {table.shape.name: written(table, form, now) for table in tables}
    package = dictionary(
        [table.shape for table in tables],
        data,
        form,
        title=f"{ledger.settings.unit_name}: tables",
        description=DESCRIPTION,
        now=now,
    )
    files = {f"{name}.{form}": found for name, found in data.items()}
    rows = {table.shape.name: len(table.rows) for table in tables}
    return Export("export tables", form.value, rows, {**files, NAME: package})
