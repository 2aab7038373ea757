"""Who a patient is stands in the vault alone, under a key that can be destroyed."""

from __future__ import annotations

import sqlite3
from datetime import timedelta

import pytest
from sqlalchemy import select, text

from registry.domain.problems import ConflictError, FailureError
from registry.store.keys import Keys
from registry.store.models.every import METADATA
from registry.store.models.patients import Patient, VaultEntry
from registry.store.vault import reference_hash, seal, unseal
from tests.build.loaded import NOW, fill, load_rows

# Planted by the builder of a filled ledger, and in the headers of its CT: long enough that
# no chance puts them among the random bytes of keys and digests.
IDENTITY = ("INV-0001", "H200-7191", "H300-7191", "H400-7191", "1960-01-02", "19600102",
            "Invented^Person", "ACC-77", "1.2.826.0.1.3680043.10.9999.1")  # fmt: skip


@pytest.fixture
def filled(ledger, tmp_path):
    return fill(ledger, tmp_path)


def entries(ledger):
    with ledger.reading() as session:
        rows = session.execute(
            select(VaultEntry.kind, VaultEntry.sealed, Patient.pseudonym).join(
                Patient, Patient.id == VaultEntry.patient_id
            )
        )
        return [tuple(row) for row in rows]


def test_no_table_holds_who_a_patient_is(filled):
    with filled.engine.connect() as connection:
        held = "\n".join(
            str(row) for t in METADATA.sorted_tables for row in connection.execute(t.select())
        )
    assert "OP-1" in held
    for secret in IDENTITY:
        assert secret not in held, secret


@pytest.mark.usefixtures("filled")
def test_no_byte_of_the_home_holds_who_a_patient_is(place):
    if place.kind == "sqlite":
        with place.raw() as connection:
            connection.execute(text("CREATE TABLE scratch (id INTEGER)"))  # makes the log grow
    paths = [path for path in place.home.rglob("*") if path.is_file()]
    held = b"".join(path.read_bytes() for path in paths)
    if place.kind == "sqlite":
        assert b"OP-1" in held
    assert len(paths) >= 5
    for secret in IDENTITY:
        for form in (secret, secret[::-1], secret.lower()):
            assert form.encode() not in held, secret
            assert form.encode("utf-16-le") not in held, secret


def test_the_vault_opens_with_the_patient_s_key(filled):
    opened = {
        unseal(filled.keys.patient_key(pseudonym), sealed, pseudonym)
        for kind, sealed, pseudonym in entries(filled)
        if kind != "scan identifiers"
    }
    assert opened == {"INV-0001", "H200-7191", "H300-7191", "H400-7191", "1960-01-02"}


def test_once_a_patient_s_key_is_destroyed_nothing_opens(filled):
    _, sealed, pseudonym = entries(filled)[0]
    key = filled.keys.patient_key(pseudonym)
    assert filled.keys.destroy_patient_key(pseudonym, NOW) is True
    assert filled.keys.patient_key(pseudonym) is None
    for path in (filled.home / "keys").iterdir():
        assert key not in path.read_bytes(), path.name
    for other in {row[2] for row in entries(filled)} - {pseudonym}:
        with pytest.raises(FailureError, match="does not open"):
            unseal(filled.keys.patient_key(other), sealed, pseudonym)


def test_a_destroyed_key_is_never_made_again(tmp_path):
    keys = Keys.create(tmp_path / "keys")
    keys.patient_keys(["P1", "P2"])
    assert keys.withdrawn() == {}
    assert keys.destroy_patient_key("P1", NOW) is True
    assert keys.destroy_patient_key("P1", NOW + timedelta(days=1)) is False
    assert keys.withdrawn() == {"P1": "2026-03-31T12:00:00.000000Z"}
    with pytest.raises(ConflictError, match="the patient was withdrawn"):
        keys.patient_keys(["P1"])
    with pytest.raises(ConflictError, match="the patient was withdrawn"):
        keys.patient_keys(["P2", "P1", "P3"])
    assert keys.pseudonyms() == {"P2"}
    assert Keys.create(keys.folder).withdrawn().keys() == {"P1"}


def test_keys_of_an_older_program_take_a_withdrawal(tmp_path):
    keys = Keys.create(tmp_path / "keys")
    keys.patient_keys(["P1"])
    with sqlite3.connect(keys.folder / "patients.sqlite") as older:
        older.execute("DROP TABLE withdrawn")
    older.close()
    assert keys.withdrawn() == {}
    assert keys.destroy_patient_key("P1", NOW) is True
    assert keys.withdrawn().keys() == {"P1"}


def test_an_entry_opens_only_where_it_belongs():
    key = bytes(32)
    sealed = seal(key, "H100", "P1")
    assert unseal(key, sealed, "P1") == "H100"
    assert seal(key, "H100", "P1") != sealed
    with pytest.raises(FailureError):
        unseal(key, sealed, "P2")
    with pytest.raises(FailureError):
        unseal(bytes(31) + b"\1", sealed, "P1")


def test_the_cipher_is_that_of_the_standard():
    # NIST's GCM test case 14 (McGrew and Viega, The Galois/Counter Mode of Operation, appendix B):
    # AES-256, key and nonce zero, 16 zero bytes; from memory.
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM  # noqa: PLC0415 - named here

    found = AESGCM(bytes(32)).encrypt(bytes(12), bytes(16), None)
    assert found.hex() == "cea7403d4d606b6e074ec5d3baf39d18d0d1c8a799996bf0265b98b5d48ab919"


def test_a_reference_is_found_again_by_a_keyed_hash():
    one = reference_hash(b"k" * 32, "patient", "H100")
    assert one == reference_hash(b"k" * 32, "patient", " H100 ")
    others = {
        reference_hash(b"j" * 32, "patient", "H100"),
        reference_hash(b"k" * 32, "series", "H100"),
        reference_hash(b"k" * 32, "patient", "H101"),
    }
    assert one not in others
    assert len(others) == 3


def test_the_same_day_of_birth_looks_different_for_each_patient(ledger):
    born = {"birth_date": "1960-01-02"}
    load_rows(ledger, born, {**born, "case_ref": "OP-2", "patient_ref": "H2"})
    with ledger.reading() as session:
        hashes = session.execute(
            select(VaultEntry.matching_hash).where(VaultEntry.kind == "birth date")
        ).scalars().all()  # fmt: skip
    assert len(set(hashes)) == 2


def test_keys_are_their_owner_s_alone_and_made_once(tmp_path):
    keys = Keys.create(tmp_path / "keys")
    before = {path.name: path.read_bytes() for path in keys.folder.iterdir()}
    names = ["backup.key", "cookies.key", "patients.sqlite", "references.key", "trail.key"]
    assert sorted(before) == names
    assert {path.stat().st_mode & 0o777 for path in keys.folder.iterdir()} == {0o600}
    assert keys.folder.stat().st_mode & 0o777 == 0o700
    assert len({keys.trail, keys.references, keys.cookies, keys.backup}) == 4
    Keys.create(tmp_path / "keys")
    assert {path.name: path.read_bytes() for path in keys.folder.iterdir()} == before


def test_a_patient_keeps_the_key_they_have(tmp_path):
    keys = Keys.create(tmp_path / "keys")
    first = keys.patient_keys(["P1", "P2"])
    assert len(set(first.values())) == 2
    assert keys.patient_keys(["P2", "P3"])["P2"] == first["P2"]
    assert keys.patient_key("P9") is None


@pytest.mark.parametrize("name", ["trail", "references", "cookies"])
def test_a_key_that_is_gone_or_short_is_named_in_one_line(place, name):
    path = place.home / "keys" / f"{name}.key"
    keys = Keys(place.home / "keys")
    whole = path.read_bytes()
    path.chmod(0o600)
    path.write_bytes(whole[:31])
    with pytest.raises(FailureError, match=f"{name}.key is damaged"):
        getattr(keys, name)
    path.unlink()
    with pytest.raises(FailureError, match=f"{name}.key cannot be read"):
        getattr(keys, name)
    if name == "trail":
        answer = place.command("verify")
        assert (answer.status, answer.out) == (1, "")
        assert len(answer.err.splitlines()) == 1
