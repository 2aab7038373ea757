"""Back a ledger up into one sealed file, and rehearse that the file restores."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from registry.actions.check_ledger import wrong_within
from registry.actions.restore import put_together, withdraw_again
from registry.actions.steward_notes import note
from registry.domain.access import Deed, Reach, Viewer, require
from registry.store.backup import WrittenBackup, open_backup, write_backup
from registry.store.configuration import PREFIX
from registry.store.kept_heads import KeptHead, keep_head
from registry.store.private_files import working_folder

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from registry.store.home import Ledger
    from registry.store.unpacking import Unpacked
    from registry.store.verification import Wrong

PROGRAM = "pedicle-ledger"
_PART = "rehearsal.part"


@dataclass(frozen=True)
class BackedUp:
    """What was done.

    Attributes
    ----------
    is_new_key : the key of backups was made for this one, and is in no copy of the keys yet
    unnoted : why the trail took no event, or None
    """

    written: WrittenBackup
    is_new_key: bool
    unnoted: str | None


@dataclass(frozen=True)
class Rehearsed:
    """What was restored for the rehearsal, and what `verify` said of it."""

    unpacked: Unpacked
    wrong: list[Wrong]


def back_up(ledger: Ledger, viewer: Viewer, target: Path, now: datetime) -> BackedUp:
    """Write a backup; an event in the trail and the trail's head beside the keys say so."""
    require(viewer, Deed.BACK_UP, at_least=Reach.ALL)
    is_new_key, written = keep_backup(ledger, target, now)
    manifest = written.manifest
    said = f"{target.name[:200]}, {manifest.length} events"
    return BackedUp(written, is_new_key, note(ledger, viewer, "back up the ledger", said, now))


def keep_backup(ledger: Ledger, target: Path, now: datetime) -> tuple[bool, WrittenBackup]:
    """Write a backup of a ledger at whatever schema; return whether its key had to be made."""
    is_new_key = ledger.keys.make_backup_key()
    written = write_backup(ledger, target, program=version(PROGRAM), now=now)
    manifest = written.manifest
    kept = KeptHead(manifest.made_at, "backup", manifest.length, manifest.head)
    keep_head(ledger.keys.folder, ledger.keys.trail, kept)
    return is_new_key, written


def rehearse(
    ledger: Ledger, viewer: Viewer, file: Path, environment: Mapping[str, str], now: datetime
) -> Rehearsed:
    """Restore a backup into a folder inside the home, check all of it, and leave nothing.

    Always into SQLite: rows are written down alike for both databases, and no right to make a
    database on the server is needed.
    """
    require(viewer, Deed.BACK_UP, at_least=Reach.ALL)
    plain = {name: value for name, value in environment.items() if name != PREFIX + "DATABASE"}
    with (
        open_backup(file, ledger.keys.backup) as backup,
        working_folder(ledger.home / _PART) as part,
    ):
        (part / "keys").symlink_to(Path("..") / "keys")
        copy, unpacked = put_together(part, backup, plain)
        try:
            # Of somebody who was withdrawn this minute no image was put back.
            withdraw_again(copy, now)
            return Rehearsed(unpacked, wrong_within(copy))
        finally:
            copy.close()
