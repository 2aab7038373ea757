"""Keys of the ledger, kept in files apart from the database.

`HOME/keys/` holds the trail's key, the key of the reference hashes, the key under which browsers'
cookies are signed, the key of backups, the private key of seals once a quarter was sealed, and
`patients.sqlite` with one encryption key a patient. A patient's key can be destroyed: what was
encrypted with it is then gone, here and in every copy of the database. In its place the pseudonym
stays, and no key is made for it again. Beside them lies one key for each lot of files that came in,
destroyed once it has been read or dropped.
"""

from __future__ import annotations

import os
import secrets
import sqlite3
from typing import TYPE_CHECKING

from registry.domain.problems import ConflictError, FailureError, Fault
from registry.store.columns import instant_text

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime
    from pathlib import Path

KEY_BYTES = 32
_ARRIVALS = "CREATE TABLE IF NOT EXISTS arrival_key (token TEXT PRIMARY KEY, key BLOB NOT NULL)"
_ARRIVAL_KEY = "SELECT key FROM arrival_key WHERE token = ?"
_WITHDRAWN = "CREATE TABLE IF NOT EXISTS withdrawn (pseudonym TEXT PRIMARY KEY, at TEXT NOT NULL)"


class Keys:
    """The keys in one folder.

    Parameters
    ----------
    folder : Path, made with access for its owner alone by `create`
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @classmethod
    def create(cls, folder: Path) -> Keys:
        """Make the folder and its keys; keys that are there stay."""
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        folder.chmod(0o700)
        keys = cls(folder)
        # The key of seals is made when the first quarter is sealed.
        for name in ("trail", "references", "cookies", "backup"):
            keys._create_one(name)
        with keys._patients() as database:
            database.execute(
                "CREATE TABLE IF NOT EXISTS patient_key (pseudonym TEXT PRIMARY KEY, key BLOB)"
            )
            database.execute(_WITHDRAWN)
        database.close()
        (folder / "patients.sqlite").chmod(0o600)
        return keys

    def _create_one(self, name: str) -> None:
        path = self.folder / f"{name}.key"
        if path.exists():
            return
        # Whole or not at all: half a key would look like damage for ever.
        part = self.folder / f"{name}.key.{secrets.token_hex(4)}.part"
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(secrets.token_bytes(KEY_BYTES))
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(part, path)
        except FileExistsError:
            pass
        finally:
            part.unlink()

    def _read(self, name: str) -> bytes:
        path = self.folder / f"{name}.key"
        try:
            key = path.read_bytes()
        except OSError as error:
            raise FailureError(
                f"the key file {path} cannot be read ({error.strerror}); put the ledger's keys "
                "folder back in its place"
            ) from error
        if len(key) != KEY_BYTES:
            raise FailureError(f"the key file {path} is damaged; put the ledger's own back")
        return key

    @property
    def trail(self) -> bytes:
        """The key that seals events."""
        return self._read("trail")

    @property
    def references(self) -> bytes:
        """The key of the hashes by which patients are found again."""
        return self._read("references")

    @property
    def cookies(self) -> bytes:
        """The key that signs form tokens."""
        return self._read("cookies")

    @property
    def backup(self) -> bytes:
        """The key under which backups are encrypted."""
        return self._read("backup")

    @property
    def seal(self) -> bytes | None:
        """The private key under which quarters are sealed; None before the first seal."""
        return self._read("seal") if (self.folder / "seal.key").exists() else None

    def seal_key(self, *, is_first: bool) -> bytes:
        """Return the private key of seals, made where the ledger has sealed nothing yet.

        FailureError where it has, and its key is gone: another one would not be the unit's.
        """
        if is_first:
            self._create_one("seal")
        return self._read("seal")

    def make_backup_key(self) -> bool:
        """Make the key of backups where an older ledger has none; return whether it was made."""
        if (self.folder / "backup.key").exists():
            return False
        self._create_one("backup")
        return True

    def _patients(self) -> sqlite3.Connection:
        database = sqlite3.connect(self.folder / "patients.sqlite", timeout=30)
        database.execute("PRAGMA secure_delete = ON")
        database.execute("PRAGMA synchronous = FULL")
        return database

    def patient_keys(self, pseudonyms: Iterable[str]) -> dict[str, bytes]:
        """Return a key a pseudonym, made and safe on disk where there was none.

        They are made before the ledger's own transaction ends, so that nothing encrypted is ever
        kept without its key; a key that is then not used harms nobody. ConflictError where a
        patient was withdrawn: there is no key for them ever again.
        """
        wanted = sorted(set(pseudonyms))
        database = self._patients()
        try:
            with database:
                # Taken before the look at who was withdrawn: no key slips in behind it.
                database.execute("BEGIN IMMEDIATE")
                gone = _withdrawn(database).keys() & set(wanted)
                if gone:
                    raise ConflictError(_is_withdrawn(len(gone)))
                database.executemany(
                    "INSERT OR IGNORE INTO patient_key VALUES (?, ?)",
                    [(name, secrets.token_bytes(KEY_BYTES)) for name in wanted],
                )
            return {name: key for name in wanted if (key := self._key(database, name))}
        finally:
            database.close()

    def destroy_patient_key(self, pseudonym: str, at: datetime) -> bool:
        """Destroy a patient's key for good; return whether that was not done before.

        The pseudonym stays, with the instant, in the same transaction: whoever looks finds either
        the key or that the patient was withdrawn.
        """
        database = self._patients()
        try:
            with database:
                database.execute("BEGIN IMMEDIATE")
                database.execute(_WITHDRAWN)
                database.execute("DELETE FROM patient_key WHERE pseudonym = ?", (pseudonym,))
                found = database.execute(
                    "INSERT OR IGNORE INTO withdrawn VALUES (?, ?)", (pseudonym, instant_text(at))
                )
            return found.rowcount == 1
        finally:
            database.close()

    def withdrawn(self) -> dict[str, str]:
        """Return who was withdrawn, by pseudonym, and when, as the trail writes an instant."""
        database = self._patients()
        try:
            return _withdrawn(database)
        finally:
            database.close()

    def pseudonyms(self) -> set[str]:
        """Return whose keys are here."""
        database = self._patients()
        try:
            return {str(name) for (name,) in database.execute("SELECT pseudonym FROM patient_key")}
        finally:
            database.close()

    def patient_key(self, pseudonym: str) -> bytes | None:
        """Return a patient's key, or None where there is none (any more)."""
        database = self._patients()
        try:
            return self._key(database, pseudonym)
        finally:
            database.close()

    def make_arrival_key(self, token: str) -> bytes:
        """Return the key of an arrival's files, made and safe on disk where there was none."""
        there = self.arrival_keys().get(token)
        if there is not None:
            return there
        database = self._patients()
        try:
            with database:
                database.execute(_ARRIVALS)
                database.execute(
                    "INSERT OR IGNORE INTO arrival_key VALUES (?, ?)",
                    (token, secrets.token_bytes(KEY_BYTES)),
                )
            return bytes(database.execute(_ARRIVAL_KEY, (token,)).fetchone()[0])
        finally:
            database.close()

    def arrival_keys(self) -> dict[str, bytes]:
        """Return the key of each arrival that has one, by its token."""
        database = self._patients()
        try:
            if not _has_table(database, "arrival_key"):
                return {}
            rows = database.execute("SELECT token, key FROM arrival_key").fetchall()
        finally:
            database.close()
        return {str(token): bytes(key) for token, key in rows}

    def destroy_arrival_key(self, token: str) -> None:
        """Destroy an arrival's key for good; nothing happens if it is gone."""
        database = self._patients()
        try:
            with database:
                database.execute(_ARRIVALS)
                database.execute("DELETE FROM arrival_key WHERE token = ?", (token,))
        finally:
            database.close()

    @staticmethod
    def _key(database: sqlite3.Connection, pseudonym: str) -> bytes | None:
        row = database.execute(
            "SELECT key FROM patient_key WHERE pseudonym = ?", (pseudonym,)
        ).fetchone()
        return None if row is None else bytes(row[0])


def _has_table(database: sqlite3.Connection, name: str) -> bool:
    """Return whether there is such a table; an older program made fewer."""
    asked = "SELECT 1 FROM sqlite_master WHERE name = ?"
    return database.execute(asked, (name,)).fetchone() is not None


def _withdrawn(database: sqlite3.Connection) -> dict[str, str]:
    if not _has_table(database, "withdrawn"):
        return {}
    return {str(name): str(at) for name, at in database.execute("SELECT * FROM withdrawn")}


def _is_withdrawn(count: int) -> Fault:
    who = "the patient was withdrawn" if count == 1 else f"{count} of the patients were withdrawn"
    return Fault(f"{who}: nothing more is kept of them", mend="nothing was changed")
