"""Files that leave the ledger: noted in the trail, and whole or not there."""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from registry.store.exporting.folder import check_free, staged

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path

    from registry.domain.access import Viewer
    from registry.store.home import Ledger


@dataclass(frozen=True)
class Export:
    """Files that are ready to leave.

    Attributes
    ----------
    verb : what the trail says was done
    form : of the files
    rows : by the name of the table
    files : bytes by the name of the file
    """

    verb: str
    form: str
    rows: Mapping[str, int]
    files: Mapping[str, bytes] = field(repr=False)

    @property
    def digest(self) -> str:
        """SHA-256 over every file's name and digest, in the order of the names."""
        lines = (
            f"{name} {hashlib.sha256(data).hexdigest()}\n"
            for name, data in sorted(self.files.items())
        )
        return hashlib.sha256("".join(lines).encode()).hexdigest()

    def said(self) -> str:
        """Return what the trail keeps of it."""
        kept = {"digest": self.digest, "format": self.form, "rows": dict(self.rows)}
        return json.dumps(kept, sort_keys=True, separators=(",", ":"))


def write_export(ledger: Ledger, viewer: Viewer, export: Export, out: Path, now: datetime) -> None:
    """Write an export into a new folder; its event and its files come together or not at all.

    Raises
    ------
    BadInputError
        the folder holds something, or lies where it must not; nothing was written
    """
    check_free(out, ledger.home)
    with staged(out, export.files.items()) as put, ledger.writing(viewer, now) as work:
        work.note(export.verb, "export", export.said())
        work.flush()
        put()


def zip_export(ledger: Ledger, viewer: Viewer, export: Export, now: datetime) -> bytes:
    """Return an export as one zip, its event written."""
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in export.files.items():
            archive.writestr(name, data)
    with ledger.writing(viewer, now) as work:
        work.note(export.verb, "export", export.said())
    return target.getvalue()
