"""`demo` as a person runs it: the real program in a folder of its own."""

from __future__ import annotations

import os
import re
import resource
import signal
import socket
import subprocess
import sys
import urllib.request
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest

from demo_data.scenario import people
from demo_data.scenario.ct.study import PatientIdentity
from demo_data.scenario.unit import invent_unit
from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.replies import quarter_state, quarters
from registry.actions.sessions import sign_in, viewer_of
from registry.actions.worklist import worklist
from registry.domain.directions import Direction
from registry.store.home import open_ledger
from registry.store.queries.constructs import cases_in_full
from registry.store.queries.outcomes import outcomes_of_case

PROGRAM = [sys.executable, "-c", "import sys; from registry.cli.main import main; sys.exit(main())"]
ROOT = Path(__file__).resolve().parents[2]
NOW = datetime(2026, 12, 31, 12, 0, tzinfo=UTC)
ALLOWED_SECONDS = 60


def environment(**more):
    kept = {k: v for k, v in os.environ.items() if not k.startswith("PEDICLE_LEDGER_")}
    return kept | {"PYTHONPATH": str(ROOT)} | more


def start(folder, *words, **more):
    return subprocess.Popen(
        [*PROGRAM, "demo", *words],
        cwd=folder,
        env=environment(**more),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def finish(folder, *words, **more):
    with start(folder, *words, **more) as process:
        said, wrong = process.communicate(timeout=300)
    return process.returncode, said.splitlines(), wrong.splitlines()


def worked_seconds():
    """Return how long the processes that have ended were at work, however busy the machine was."""
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    return ended.ru_utime + ended.ru_stime


@dataclass
class Made:
    """A demo that was cut short once, and made from the start again."""

    home: Path
    lines: list[str]
    was_unfinished: bool
    seconds: float


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    with start(folder, "--no-serve") as cut:
        for line in cut.stdout:
            if line.startswith("loaded its readings"):
                break
        cut.send_signal(signal.SIGKILL)
        cut.communicate()
    home = folder / "ledger"
    names = {path.name for path in home.iterdir()}
    began = worked_seconds()
    status, lines, wrong = finish(folder, "--no-serve")
    assert (status, wrong) == (0, [])
    was_unfinished = "invented-demo.unfinished" in names and "invented-demo.txt" not in names
    return Made(home, lines, was_unfinished, worked_seconds() - began)


@pytest.fixture
def ledger(made):
    opened = open_ledger(made.home, {})
    yield opened
    opened.close()


def test_a_demo_that_was_killed_is_made_again(made, ledger):
    assert made.was_unfinished
    assert not (made.home / "invented-demo.unfinished").exists()
    assert check_ledger(ledger, acting(ledger, None)) == []


def test_it_is_ready_within_a_minute(made):
    assert made.seconds < ALLOWED_SECONDS


def test_it_says_first_that_everything_is_invented_and_then_who_may_sign_in(made):
    assert "invented scenario" in made.lines[0]
    text = "\n".join(made.lines)
    assert "400 cases, 3,000 screws" in text
    assert people.PASSPHRASE in text
    assert all(account.name in text for account in people.ACCOUNTS)
    assert "For audit and quality improvement; not for diagnosis" in text
    assert "invented" in ledger_settings(made).lower()


def ledger_settings(made):
    return (made.home / "config.toml").read_text(encoding="utf-8")


def test_every_account_signs_in_with_the_printed_passphrase(ledger):
    for account in people.ACCOUNTS:
        token = sign_in(ledger, account.name, people.PASSPHRASE, NOW)
        viewer = viewer_of(ledger, token, NOW)
        assert {role.value for role in viewer.roles} == set(account.roles.split(","))
        assert (viewer.person_id is None) == (account.person is None)


def test_the_last_quarter_is_past_its_right_of_reply_and_ready_to_be_sealed(ledger):
    lead = acting(ledger, "greta")
    states = [quarter_state(ledger, lead, each.name, NOW) for each in quarters(ledger, lead, NOW)]
    # The drawn case, whose screws wait to be read, is of the quarter after it.
    present, *states = states
    assert (present.quarter.name, present.unread, present.round) == ("2026Q4", 12, None)
    assert len(states) == 9
    assert states[0].quarter.name == "2026Q3"
    assert states[0].in_the_way == []
    assert states[0].owed == 0
    for state in states:
        assert state.surgeons
        assert all(surgeon.answered_at is not None for surgeon in state.surgeons)
        assert state.round is not None
        assert state.round.closes_on < NOW.date()


def test_what_became_of_a_few_patients_is_recorded_with_their_cases(ledger):
    lead, wanted = acting(ledger, "greta"), invent_unit().outcomes()
    assert 4 <= len(wanted) <= 6
    with ledger.reading() as session:
        cases = cases_in_full(session, lead, ledger.settings.audit_window_days)
        found = {case.reference: outcomes_of_case(session, lead, case.case_id) for case in cases}
    assert {ref for ref, listed in found.items() if listed} == {each.reference for each in wanted}
    for each in wanted:
        [outcome] = found[each.reference]
        for name, text in each.texts.items():
            assert outcome.texts[name] == text, name


def test_the_unit_has_a_policy_of_its_own_that_is_said_to_be_invented(ledger):
    policy = ledger.settings.policy()
    assert policy.words.endswith("This is an invented unit's policy.")
    assert policy.met({Direction.MEDIAL: Decimal(4)}) == "medial 4 mm (from 4 mm on)"


def test_the_drawn_screws_wait_in_the_registrar_s_worklist(ledger):
    waiting = worklist(ledger, acting(ledger, "elif"), NOW)
    assert len([screw for screw in waiting if screw.role == "reading" and not screw.is_last]) == 12


def test_the_surgeon_of_the_drawn_case_is_not_offered_its_screws(ledger):
    assert worklist(ledger, acting(ledger, "ravi"), NOW) == []


def test_the_identity_in_the_drawn_files_is_nowhere_else_in_the_folder(made):
    identity = PatientIdentity()
    texts = {str(getattr(identity, each.name)) for each in fields(identity)}
    texts |= {identity.birth_date.strftime("%Y%m%d"), *identity.name.split("^")}
    planted = [text.encode() for text in texts if len(text) > 1]
    found = [
        (path.name, text)
        for path in made.home.rglob("*")
        if path.is_file() and not {"drawn-ct", "keys"} & set(path.relative_to(made.home).parts)
        for data in [path.read_bytes()]
        for text in planted
        if text in data
    ]
    assert found == []
    a_slice = (made.home / "drawn-ct" / "axial" / "IM0001.dcm").read_bytes()
    assert identity.patient_id.encode() in a_slice


def test_a_finished_demo_is_used_again(made, tmp_path):
    before = (made.home / "ledger.sqlite").read_bytes()
    status, lines, wrong = finish(tmp_path, "--no-serve", "--home", str(made.home))
    assert (status, wrong) == (0, [])
    assert any("is used again" in line for line in lines)
    assert (made.home / "ledger.sqlite").read_bytes() == before


def test_a_finished_demo_is_served_at_once_and_ends_on_sigterm(made, tmp_path):
    with start(tmp_path, "--port", "0", "--home", str(made.home)) as process:
        for line in process.stdout:
            found = re.match(r"open (http://127\.0\.0\.1:\d+/)", line)
            if found:
                break
        with urllib.request.urlopen(found[1], timeout=30) as answer:  # noqa: S310 - our own server
            page = answer.read().decode()
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=60)
    assert process.returncode == 0
    assert "<form" in page
    assert people.UNIT_NAME in page


def test_a_port_in_use_is_one_line_and_nothing_is_made(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        status, said, wrong = finish(tmp_path, "--port", str(port))
    assert (status, said) == (2, [])
    assert len(wrong) == 1
    assert str(port) in wrong[0]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("port", ["-1", "65536"])
def test_a_port_that_does_not_exist_is_one_line(tmp_path, port):
    status, said, wrong = finish(tmp_path, f"--port={port}")
    assert (status, said, len(wrong)) == (2, [], 1)


def test_a_folder_that_holds_something_else_is_left_as_it_is(tmp_path):
    home = tmp_path / "ledger"
    (home / "keys").mkdir(parents=True)
    (home / "ledger.sqlite").write_bytes(b"somebody's own")
    status, said, wrong = finish(tmp_path, "--no-serve")
    assert (status, said, len(wrong)) == (2, [], 1)
    assert "not a demo" in wrong[0]
    assert (home / "ledger.sqlite").read_bytes() == b"somebody's own"


def test_another_database_is_refused(tmp_path):
    url = f"sqlite:///{tmp_path / 'own.sqlite'}"
    status, said, wrong = finish(tmp_path, "--no-serve", PEDICLE_LEDGER_DATABASE=url)
    assert (status, said, len(wrong)) == (2, [], 1)
    assert "PEDICLE_LEDGER_DATABASE" in wrong[0]
    assert list(tmp_path.iterdir()) == []
