"""Put a ledger back from a backup, into an empty home, whole or not at all."""

from __future__ import annotations

import shutil
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.accounts import acting
from registry.actions.check_ledger import everything_wrong
from registry.actions.resettle import resettle
from registry.actions.steward_notes import keep_present_head, note
from registry.actions.withdraw import apply_withdrawals
from registry.domain.problems import BadInputError, ConflictError, FailureError, Fault
from registry.store.backup import open_backup, require_known
from registry.store.backup_members import CONFIG
from registry.store.configuration import PREFIX
from registry.store.filling import clear, finish, require_empty
from registry.store.home import database_url, open_unchecked
from registry.store.keys import Keys
from registry.store.private_files import copy_keys, in_words, sync_folder, working_folder
from registry.store.session import make_engine
from registry.store.unpacking import Unpacked, unpack

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime
    from pathlib import Path

    from registry.store.backup import Manifest, OpenBackup
    from registry.store.home import Ledger
    from registry.store.verification import Wrong

PART = "restoring.part"
_DATABASE = "ledger.sqlite"
_KEY_FILES = ("backup.key", "trail.key")


@dataclass(frozen=True)
class Restored:
    """What was put back, and what `verify` says of it.

    Attributes
    ----------
    unnoted : why the trail took no event, or None
    without_key : how many patients' keys are not in the folder of keys
    again : how many patients' withdrawals were applied again
    """

    manifest: Manifest
    unpacked: Unpacked
    wrong: list[Wrong]
    unnoted: str | None
    without_key: int
    again: int


def restore(
    file: Path, home: Path, environment: Mapping[str, str], keys: Path | None, now: datetime
) -> Restored:
    """Put a backup's ledger into `home` and, where the environment names one, its database.

    `keys` is the folder that was kept apart; without it the keys stand in the home already.
    """
    source = home / "keys" if keys is None else keys
    if not (source / "backup.key").is_file():
        raise BadInputError(
            Fault(
                f"there is no backup.key in {source}",
                mend="name the folder of the ledger's keys with --keys",
            )
        )
    with open_backup(file, Keys(source).backup) as backup:
        require_known(backup.manifest, backup.name)
        with _claimed(home, source) as part:
            return _into(home, part, backup, environment, now)


@contextmanager
def _claimed(home: Path, keys: Path) -> Iterator[Path]:
    """Give the folder in which a ledger is put together; the home is as it was if that fails."""
    is_new = not home.exists()
    with in_words(home):
        home.mkdir(mode=0o700, parents=True, exist_ok=True)
    was_cut_off = (home / PART).exists()
    if not was_cut_off:
        _require_empty_home(home)
    has_keys = (home / "keys").exists()
    try:
        with working_folder(home / PART) as part:
            _clear_home(home)
            if not has_keys:
                copy_keys(keys, home / "keys")
            _require_same_keys(home / "keys", keys)
            (part / "keys").symlink_to("../keys")
            try:
                yield part
            except BaseException:
                _clear_home(home)
                raise
    except BaseException:
        if not has_keys:
            shutil.rmtree(home / "keys", ignore_errors=True)
        if is_new and not any(home.iterdir()):
            home.rmdir()
        raise


def _require_empty_home(home: Path) -> None:
    # Looking at a home that has keys alone leaves an empty database there.
    allowed = {"keys", "keys.part", _DATABASE, f"{_DATABASE}-wal", f"{_DATABASE}-shm"}
    there = sorted(path.name for path in home.iterdir() if path.name not in allowed)
    if there or _has_tables(home / _DATABASE):
        raise ConflictError(
            Fault(
                f"{home} is not empty ({(there or [_DATABASE])[0]})",
                mend="nothing was changed; name an empty or a new folder with --home",
            )
        )


def _has_tables(database: Path) -> bool:
    if not database.exists():
        return False
    engine = make_engine(f"sqlite:///{database.absolute()}")
    try:
        require_empty(engine)
    except ConflictError:
        return True
    finally:
        engine.dispose()
    return False


def _clear_home(home: Path) -> None:
    """Take away what a restore that did not end has put in place; a whole ledger stays."""
    if _has_tables(home / _DATABASE):
        raise ConflictError(
            Fault(f"there is a ledger in {home} already", mend="nothing was changed")
        )
    for name in (_DATABASE, f"{_DATABASE}-wal", f"{_DATABASE}-shm", CONFIG):
        (home / name).unlink(missing_ok=True)
    shutil.rmtree(home / "images", ignore_errors=True)


def _require_same_keys(there: Path, given: Path) -> None:
    for name in _KEY_FILES:
        if not (given / name).is_file() or not (there / name).is_file():
            raise BadInputError(Fault(f"{name} is missing", str(given), "give the whole folder"))
        if (there / name).read_bytes() != (given / name).read_bytes():
            raise ConflictError(
                Fault(f"{there} holds other keys than {given}", mend="nothing was changed")
            )


def _into(
    home: Path, part: Path, backup: OpenBackup, environment: Mapping[str, str], now: datetime
) -> Restored:
    is_elsewhere = bool(environment.get(PREFIX + "DATABASE"))
    engine = make_engine(database_url(part, environment))
    try:
        if is_elsewhere:
            require_empty(engine)
        ledger, unpacked = put_together(part, backup, environment)
        try:
            restored = _settled(ledger, backup.manifest, unpacked, now)
        finally:
            ledger.close()
        if not is_elsewhere:
            finish(engine)
            engine.dispose()
        with in_words(home):
            _put_in_place(part, home)
        if is_elsewhere:
            finish(engine)
    except BaseException:
        if is_elsewhere:
            clear(engine)
        raise
    finally:
        engine.dispose()
    return restored


def put_together(
    part: Path, backup: OpenBackup, environment: Mapping[str, str]
) -> tuple[Ledger, Unpacked]:
    """Make a ledger of a backup in a folder that has its keys; the database stays unfinished."""
    withdrawn = Keys(part / "keys").withdrawn()
    engine = make_engine(database_url(part, environment))
    try:
        unpacked = unpack(backup, engine, part, withdrawn)
    finally:
        engine.dispose()
    (part / "images").mkdir(mode=0o700, exist_ok=True)
    if (part / _DATABASE).exists():
        (part / _DATABASE).chmod(0o600)
    return open_unchecked(part, environment), unpacked


def _settled(ledger: Ledger, manifest: Manifest, unpacked: Unpacked, now: datetime) -> Restored:
    """Write down that the ledger was restored, and check all of it."""
    said = f"from a backup of {manifest.made_at}, {manifest.length} events"
    viewer = acting(ledger, None)
    again, refused = withdraw_again(ledger, now)
    unnoted = note(ledger, viewer, "restore the ledger", said, now) or refused
    if unnoted is None:
        # An older program's backup was settled by an older rule.
        resettle(ledger, now)
    keep_present_head(ledger, "restore", now)
    without_key = len(unpacked.vaulted - ledger.keys.pseudonyms() - ledger.keys.withdrawn().keys())
    return Restored(manifest, unpacked, everything_wrong(ledger), unnoted, without_key, again)


def withdraw_again(ledger: Ledger, now: datetime) -> tuple[int, str | None]:
    """Withdraw whom the keys know as withdrawn; return how many, and why not if it is refused."""
    try:
        return apply_withdrawals(ledger, acting(ledger, None), now), None
    except FailureError as refused:
        return 0, str(refused)


def _put_in_place(part: Path, home: Path) -> None:
    """Give everything its place, the database last: without it nothing opens."""
    for name in ("images", CONFIG, _DATABASE):
        if (part / name).exists():
            (part / name).rename(home / name)
            sync_folder(home)
