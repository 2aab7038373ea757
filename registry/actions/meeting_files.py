"""A pack for the morbidity meeting as files; each that leaves the ledger is an event."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.export_files import Export
from registry.domain.problems import NotFoundError
from registry.store.exporting.folder import check_free, staged
from registry.store.models.cases import Screw
from registry.store.rows import record_name
from reports.documents.html import as_html
from reports.documents.meeting_document import meeting_document
from reports.documents.pdf import as_pdf

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from registry.actions.meeting_pack import MadePack
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.writing import Writing

VERB, PUT_IN = "make a meeting pack", "put into a meeting pack"
NAME = "meeting-pack"
FORMS = {"html": as_html, "pdf": as_pdf}
_SHOWN_DIGITS = 12


def write_pack(
    ledger: Ledger, viewer: Viewer, made: MadePack, out: Path, now: datetime
) -> list[str]:
    """Write both files into a new folder and return their names; with their events, or not at all.

    Raises
    ------
    BadInputError
        the folder holds something, or lies where it must not; nothing was written
    """
    check_free(out, ledger.home)
    document = meeting_document(made.pack)
    files = {f"{NAME}.{form}": write(document) for form, write in FORMS.items()}
    with staged(out, files.items()) as put, ledger.writing(viewer, now) as work:
        _note(work, made, Export(VERB, ", ".join(FORMS), {"screws": len(made.screws)}, files))
        work.flush()
        put()
    return sorted(files)


def give_pack(ledger: Ledger, viewer: Viewer, made: MadePack, form: str, now: datetime) -> bytes:
    """Return one file of a pack, its events written; NotFoundError where there is no such form."""
    if form not in FORMS:
        raise NotFoundError(f"there is no such form of a pack: {', '.join(FORMS)}")
    data = FORMS[form](meeting_document(made.pack))
    files = {f"{NAME}.{form}": data}
    with ledger.writing(viewer, now) as work:
        _note(work, made, Export(VERB, form, {"screws": len(made.screws)}, files))
    return data


def _note(work: Writing, made: MadePack, export: Export) -> None:
    """Note the pack, and each of its screws: whose it is learns of it in their own trail.

    The screw's number in the pack would tell them how many of others come before it, and at which
    levels: the pages go by level.
    """
    name = export.digest[:_SHOWN_DIGITS]
    work.note(VERB, f"meeting_pack:{name}", export.said())
    for screw in made.screws:
        work.note(PUT_IN, record_name(Screw, screw.screw_id), f"in meeting_pack:{name}")
