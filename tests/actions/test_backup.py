"""Backups: whole while people work, without keys, never over another file, rehearsed."""

from __future__ import annotations

import contextlib
import shutil
import stat
import threading
from datetime import timedelta

import pytest
from sqlalchemy import func, select

from registry.actions.backup import back_up
from registry.domain.access import Role
from registry.domain.problems import NotAllowedError
from registry.store.backup import open_backup
from registry.store.keys import Keys
from registry.store.models.readings import Reading
from tests.build.backups import assert_ok, files_in, program, table_digests
from tests.build.loaded import NOW, TODAY, an_account, fill, load_reading_rows
from tests.build.places import Place

OTHER = {"sqlite": "postgresql", "postgresql": "sqlite"}


@pytest.fixture
def filled(place, tmp_path):
    """Give a place with a small ledger."""
    (place.home / "config.toml").write_text('unit_name = "Unit of theirs"\n', encoding="utf-8")
    with contextlib.closing(place.open()) as ledger:
        fill(ledger, tmp_path)
    return place


@pytest.fixture(scope="module")
def made(templates, tmp_path_factory):
    """Give the home of a small ledger on SQLite, to be copied."""
    folder = tmp_path_factory.mktemp("made")
    with templates.copied("sqlite", folder / "home") as place:
        with contextlib.closing(place.open()) as ledger:
            fill(ledger, folder)
        return place.home


@pytest.fixture
def small(made, tmp_path):
    """Give a copy of that ledger, for what both databases do alike."""
    shutil.copytree(made, tmp_path / "small")
    return Place(tmp_path / "small")


def count_readings(place):
    with contextlib.closing(place.open()) as ledger, ledger.reading() as session:
        return session.execute(select(func.count()).select_from(Reading)).scalar_one()


@pytest.mark.postgres
def test_a_backup_taken_while_readings_are_saved_restores_on_either_database(
    filled, tmp_path, templates
):
    """Whatever was acknowledged before it began is in it, and it is one state of the ledger."""
    saved, stop, went_wrong = threading.Semaphore(0), threading.Event(), []

    def read_on():
        with contextlib.closing(filled.open()) as ledger:
            for number in range(1000):
                day = TODAY - timedelta(days=number + 1)
                row = {"case_ref": "OP-5", "level": "L2", "scan_on": f"{day}", "read_on": f"{day}",
                       "scan_kind": "later CT"}  # fmt: skip
                try:
                    load_reading_rows(ledger, row)
                except BaseException as error:  # noqa: BLE001 - whatever it is, it is the finding
                    went_wrong.append(error)
                saved.release()
                if stop.is_set() or went_wrong:
                    return

    reader = threading.Thread(target=read_on)
    reader.start()
    try:
        for _ in range(2):
            assert saved.acquire(timeout=60)
        acknowledged = count_readings(filled)
        answer = filled.command("backup", tmp_path / "it.backup")
    finally:
        stop.set()
        reader.join()
    assert went_wrong == []
    assert_ok(answer)
    assert_ok(filled.command("verify"))
    for kind in (filled.kind, OTHER[filled.kind]) if filled.kind == "postgresql" else ("sqlite",):
        with templates.empty(kind, tmp_path / f"new {kind}") as new:
            said = assert_ok(
                new.command("restore", tmp_path / "it.backup", "--keys", filled.home / "keys")
            )
            assert said.out.splitlines()[-1] == "the ledger is as its trail says"
            assert_ok(new.command("verify"))
            assert acknowledged <= count_readings(new) <= count_readings(filled)
            for path in new.home.rglob("*"):
                assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path


@pytest.mark.postgres
def test_a_restored_ledger_holds_what_was_backed_up_and_goes_on_from_there(
    filled, tmp_path, templates
):
    before = table_digests(filled)
    said = assert_ok(filled.command("backup", tmp_path / "it.backup")).out
    events = int(said.split(": ")[-1].split(" events")[0])
    assert said == (
        f"backed up to {tmp_path / 'it.backup'}: {events} events, {len(before) - 5} tables, "
        "1 images, 1 pictures, 1 sealed files\n"
    )
    with templates.empty(filled.kind, tmp_path / "new") as new:
        assert_ok(new.command("restore", tmp_path / "it.backup", "--keys", filled.home / "keys"))
        after = table_digests(new)
        # The restore's own event, and nobody signed in.
        moved = {name for name, digest in after.items() if digest != before[name]}
        assert moved == {"event", "trail_head"}
        assert (new.home / "config.toml").read_text() == 'unit_name = "Unit of theirs"\n'
        assert files_in(new.home / "images") == files_in(filled.home / "images")
        with contextlib.closing(new.open()) as ledger, ledger.reading() as session:
            last = session.connection().exec_driver_sql(
                "SELECT actor, verb, record, reason FROM event ORDER BY sequence DESC LIMIT 1"
            )
            actor, verb, record, reason = last.one()
        assert (actor, verb, record) == ("local operator (shell)", "restore the ledger", "ledger")
        assert reason.endswith(f"{events} events")
        with contextlib.closing(new.open()) as ledger:
            day = f"{TODAY}"
            row = {"case_ref": "OP-5", "level": "L2", "scan_on": day, "read_on": day}
            load_reading_rows(ledger, {**row, "scan_kind": "later CT"})
        # The restored ledger's own backups go on as well.
        assert_ok(new.command("backup", tmp_path / "next.backup"))
        assert_ok(new.command("verify"))


def test_a_rehearsal_says_what_it_checked_and_leaves_nothing(small, tmp_path):
    names = set(files_in(small.home))
    said = assert_ok(small.command("backup", tmp_path / "it.backup", "--rehearse")).out
    assert "every digest is equal, and the trail ends at event" in said
    assert said.endswith("the restored ledger is as its trail says; nothing of it was kept\n")
    assert set(files_in(small.home)) - names <= {"keys/heads"}
    assert stat.S_IMODE((tmp_path / "it.backup").stat().st_mode) == 0o600
    assert_ok(small.command("verify"))


def test_a_backup_holds_every_table_but_sign_ins_and_no_key(small, tmp_path):
    assert_ok(small.command("backup", tmp_path / "it.backup"))
    keys = Keys(small.home / "keys")
    with open_backup(tmp_path / "it.backup", keys.backup) as backup:
        held = {member.name: b"".join(member.blocks) for member in backup.members()}
    assert {"rows/event", "rows/vault_entry", "rows/trail_head", "rows/draw"} <= held.keys()
    assert not {"rows/signed_in", "rows/sign_in_failure"} & held.keys()
    secrets = [path.read_bytes() for path in keys.folder.glob("*.key")]
    secrets += [keys.patient_key(name) for name in keys.pseudonyms()]
    assert len(secrets) > 5
    everything = b"\n".join(held.values())
    for secret in secrets:
        assert secret not in everything
        assert secret.hex().encode() not in everything
    assert b"INV-0001" not in everything, "a patient's number is under that patient's key"


def test_a_backup_overwrites_nothing_and_needs_its_folder(small, tmp_path):
    (tmp_path / "there").write_bytes(b"mine")
    answer = small.command("backup", tmp_path / "there")
    assert (answer.status, answer.out) == (2, "")
    assert answer.err.endswith("is there already; nothing was changed; give a new name\n")
    assert (tmp_path / "there").read_bytes() == b"mine"
    answer = small.command("backup", tmp_path / "no" / "folder")
    assert (answer.status, len(answer.err.splitlines())) == (2, 1)
    keys = small.home / "keys"
    answer = small.command("backup", tmp_path / "it.backup", "--copy-keys", keys)
    assert (answer.status, "is there already" in answer.err) == (2, True)
    assert not (tmp_path / "it.backup").exists()


def test_the_keys_are_copied_when_asked_to_a_folder_of_their_own(small, tmp_path):
    (small.home / "keys" / "backup.key").unlink()
    asked = ("backup", tmp_path / "it.backup", "--copy-keys", tmp_path / "apart")
    said = assert_ok(small.command(*asked)).out
    assert "backup.key: copy the keys folder again, no backup holds it" in said
    one, other = files_in(small.home / "keys"), files_in(tmp_path / "apart")
    assert one.keys() == other.keys() == {
        *(f"{name}.key" for name in ("backup", "cookies", "references", "seal", "trail")),
        *("heads", "patients.sqlite"),
    }  # fmt: skip
    assert Keys(tmp_path / "apart").pseudonyms() == Keys(small.home / "keys").pseudonyms()
    for path in [tmp_path / "apart", *(tmp_path / "apart").iterdir()]:
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0


def test_an_image_that_is_gone_or_damaged_is_said_and_stands_in_no_way(small, tmp_path):
    (image,) = (small.home / "images").glob("*.voxels")
    image.chmod(0o600)
    content = image.read_bytes()
    image.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
    answer = small.command("backup", tmp_path / "damaged.backup", "--rehearse")
    assert answer.status == 1
    assert "is not what was written" in answer.err
    image.unlink()
    answer = small.command("backup", tmp_path / "gone.backup")
    assert (answer.status, answer.err) == (
        0,
        f"the file {image.stem[:12]} is not in the folder of images, so the backup lacks it\n",
    )
    answer = small.command("backup", tmp_path / "gone again.backup", "--rehearse")
    assert answer.status == 1
    assert f"image {image.stem[:12]}: is not in the image folder" in answer.err


def test_a_tampered_ledger_is_backed_up_as_it_is_and_told_after_the_restore(small, tmp_path):
    with small.raw() as connection:
        connection.exec_driver_sql("UPDATE screw SET life = 'removed' WHERE id = 1")
        connection.exec_driver_sql("UPDATE trail_head SET seal = 'x'")
    told = small.command("verify").err.splitlines()
    answer = small.command("backup", tmp_path / "it.backup")
    assert answer.status == 0
    assert answer.err.startswith("the trail took no event of it: the trail's head does not carry")
    new = Place(tmp_path / "new")
    answer = new.command("restore", tmp_path / "it.backup", "--keys", small.home / "keys")
    assert answer.status == 1
    assert answer.err.splitlines()[1:] == told
    assert new.command("verify").err.splitlines() == told


def test_a_patient_withdrawn_since_the_backup_stays_withdrawn(filled, tmp_path, templates):
    assert_ok(filled.command("backup", tmp_path / "before.backup"))
    because = ("--reason", "asked for it")
    assert_ok(filled.command("withdraw", "--case", "OP-1", *because))
    withdrawn = Keys(filled.home / "keys").withdrawn()
    assert len(withdrawn) == 1
    with templates.empty(filled.kind, tmp_path / "new") as new:
        said = assert_ok(
            new.command("restore", tmp_path / "before.backup", "--keys", filled.home / "keys")
        ).out
        assert "withdrew again 1 patients who were withdrawn since the backup; 1 images" in said
        assert list((new.home / "images").glob("*.voxels")) == []
        assert_ok(new.command("verify"))
        assert Keys(new.home / "keys").withdrawn() == withdrawn
        with new.raw() as connection:
            asked = "SELECT pseudonym, withdrawn_at IS NOT NULL FROM patient ORDER BY id"
            found = dict(tuple(row) for row in connection.exec_driver_sql(asked))
        assert {name for name, is_gone in found.items() if is_gone} == set(withdrawn)
    # What is backed up from now on restores as well.
    assert_ok(filled.command("backup", tmp_path / "after.backup", "--rehearse"))


# The system's own limit stands in for a full disk: the write itself fails. SQLite's shared memory
# takes 32 KiB.
SMALL_DISK = (
    "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
    "resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, 40_000))"
)


def test_a_full_disk_is_told_in_words_and_leaves_no_file(small, tmp_path):
    target = tmp_path / "disk"
    target.mkdir()
    with program(small, "backup", target / "it.backup", before=SMALL_DISK) as running:
        out, err = running.communicate()
    assert (running.returncode, out) == (1, "")
    assert "cannot be written (File too large); nothing was kept" in err.splitlines()[-1]
    assert list(target.iterdir()) == []


def test_only_the_steward_and_the_shell_back_up(small, tmp_path):
    ledger = small.open()
    for role in Role:
        viewer = an_account(ledger, role.value, role)
        target = tmp_path / f"{role}.backup"
        if role is Role.STEWARD:
            assert back_up(ledger, viewer, target, NOW).unnoted is None
            continue
        with pytest.raises(NotAllowedError):
            back_up(ledger, viewer, target, NOW)
        assert not target.exists()
    ledger.close()
