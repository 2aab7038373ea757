"""Export the image of a case's audit scan as plain CT slices under the pseudonym."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING

from registry.actions.export_identity import (
    case_to_export,
    moved_day,
    pseudonymous_identity,
    scan_of,
)
from registry.domain.access import Deed, Reach, require
from registry.imaging.ct_slices import KeptImage, slice_files
from registry.store.exporting.folder import check_free, staged

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from datetime import datetime
    from pathlib import Path

    from registry.domain.access import Viewer
    from registry.store.home import Ledger


def export_slices(
    ledger: Ledger,
    viewer: Viewer,
    case_ref: str,
    out: Path,
    *,
    is_looked_through: bool,
    now: datetime,
) -> int:
    """Write the slices into a new folder; return how many.

    Its event and its files come together or not at all. The vault stays closed: everything is made
    of what the ledger keeps apart from it. `is_looked_through` says that a person has looked at
    the slices and no text stands in them.

    Raises
    ------
    NotFoundError : no such case among the viewer's
    BadInputError : nothing is held here, the values do not fit into a CT slice, or the folder
        holds something; nothing was written
    """
    require(viewer, Deed.EXPORT, at_least=Reach.ALL)
    check_free(out, ledger.home)
    case, image = case_to_export(ledger, viewer, case_ref)
    scan, _ = scan_of(case)
    identity = pseudonymous_identity(ledger, case, len(image.voxels))
    files = slice_files(
        KeptImage(image.voxels, image.affine, image.attributes),
        identity,
        moved_day(ledger, case, scan.scanned_on),
        is_looked_through=is_looked_through,
    )
    digest = hashlib.sha256()
    with staged(out, _digested(files, digest)) as put, ledger.writing(viewer, now) as work:
        said = {
            "digest": digest.hexdigest(),
            "looked_through": is_looked_through,
            "slices": len(image.voxels),
        }
        kept = json.dumps(said, sort_keys=True, separators=(",", ":"))
        work.note("export images", f"scan:{scan.scan_id}", kept)
        work.flush()
        put()
    return len(image.voxels)


def _digested(
    files: Iterable[tuple[str, bytes]], digest: hashlib._Hash
) -> Iterator[tuple[str, bytes]]:
    """Pass files on; into the digest goes a line a file, as of every export."""
    for name, data in files:
        digest.update(f"{name} {hashlib.sha256(data).hexdigest()}\n".encode())
        yield name, data
