"""What a backup holds, put into an empty database and a folder; nothing of it opens yet."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING

from sqlalchemy import text

from registry.domain.problems import BadInputError, Fault
from registry.store.backup import require_known, split_lines
from registry.store.backup_members import CONFIG, IMAGES, PICTURES, ROWS, SEALED
from registry.store.filling import filling, require_empty
from registry.store.images import ImageStore
from registry.store.pictures import PictureStore
from registry.store.private_files import in_words
from registry.store.sealed_quarters import SealedQuarters

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from sqlalchemy import Engine

    from registry.store.backup import OpenBackup
    from registry.store.backup_members import Member
    from registry.store.sealed_files import SealedFiles


@dataclass(frozen=True)
class Unpacked:
    """What was put in place.

    Attributes
    ----------
    tables, rows, images : how many
    pictures : that readings were made on, how many
    sealed : sealed quarters and supplements, how many
    left_out : images of patients who have been withdrawn since
    vaulted : patients of whom something lies in the vault
    """

    tables: int
    rows: int
    images: int
    left_out: int
    vaulted: frozenset[str]
    pictures: int = 0
    sealed: int = 0


def unpack(backup: OpenBackup, engine: Engine, folder: Path, withdrawn: Iterable[str]) -> Unpacked:
    """Put rows into the database and images, pictures and settings into the folder.

    Every row is read back, every digest compared. The database is left unfinished.
    """
    require_known(backup.manifest, backup.name)
    require_empty(engine)
    members = backup.members()
    after_rows: list[Member] = []
    with filling(engine, backup.manifest.revision) as filled:
        for member in members:
            if not member.name.startswith(ROWS):
                after_rows.append(member)
                break
            filled.table(member.name.removeprefix(ROWS), split_lines(member.blocks))
        lacking = sorted(backup.manifest.tables.keys() ^ filled.digests.keys())
        if lacking:
            raise BadInputError(Fault(f"its tables differ: {', '.join(lacking)}", backup.name))
        unwanted = filled.withdrawn_images(withdrawn) | filled.withdrawn_pictures(withdrawn)
        vaulted = filled.vaulted_patients()
        tables, rows = len(filled.digests), filled.rows
    _require_head(backup, engine)
    stores: tuple[tuple[str, SealedFiles], ...] = (
        (IMAGES, ImageStore(folder / "images")),
        (PICTURES, PictureStore(folder / "images")),
        (SEALED, SealedQuarters(folder / "images")),
    )
    written: Counter[str] = Counter()
    for member in chain(after_rows, members):
        if member.name == CONFIG:
            with in_words(folder / CONFIG):
                (folder / CONFIG).write_bytes(member.whole())
                (folder / CONFIG).chmod(0o600)
            continue
        kind, store = next(each for each in stores if member.name.startswith(each[0]))
        digest = member.name.removeprefix(kind)
        if digest in unwanted:
            written["left out"] += kind == IMAGES
            continue
        store.put_back(digest, member.blocks)
        written[kind] += 1
    return Unpacked(
        tables,
        rows,
        written[IMAGES],
        written["left out"],
        vaulted,
        pictures=written[PICTURES],
        sealed=written[SEALED],
    )


def _require_head(backup: OpenBackup, engine: Engine) -> None:
    said = (backup.manifest.length, backup.manifest.head, backup.manifest.seal)
    with engine.connect() as connection:
        found = connection.execute(text("SELECT length, head, seal FROM trail_head")).one_or_none()
    if found is None or tuple(found) != said:
        raise BadInputError(Fault("its trail ends elsewhere than it says", backup.name))
