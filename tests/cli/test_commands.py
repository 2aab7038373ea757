"""Commands: exit statuses, one line an error, one JSON document and nothing else."""

from __future__ import annotations

import json
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from registry.cli.main import COMMANDS
from registry.domain.caution import CAUTION
from tests.build.loaded import LOG_ROWS, READING_ROWS, fill
from tests.build.tables import a_log, a_readings
from tests.imaging.written_files import slices, write

ROOT = Path(__file__).parents[2]
_MAIN = "import sys; from registry.cli.main import main; sys.exit(main(sys.argv[1:]))"
PROGRAM = [sys.executable, "-c", _MAIN]


@pytest.fixture
def files(tmp_path):
    (tmp_path / "log.csv").write_bytes(a_log(*LOG_ROWS))
    (tmp_path / "readings.csv").write_bytes(a_readings(*READING_ROWS))
    write(slices(12), tmp_path / "ct")
    return tmp_path


@pytest.fixture
def loaded(place, tmp_path):
    ledger = place.open()
    fill(ledger, tmp_path)
    ledger.close()
    return place


def real(place, *arguments, **how):
    """Run the program as a shell does."""
    return subprocess.run(
        [*PROGRAM, *map(str, arguments)],
        cwd=ROOT,
        env=place.all_environment(),
        capture_output=True,
        check=False,
        **how,
    )


def test_a_ledger_from_nothing_to_a_rate(empty_place, files):
    place = empty_place
    made = place.command("init")
    assert (made.status, made.err) == (0, "")
    assert "keep a copy apart, no backup holds them" in made.out
    log = place.command("load-log", files / "log.csv", "--new-persons")
    assert (log.status, log.err) == (0, "")
    assert log.out.splitlines()[0] == "9 rows: 4 patients new, 5 cases new, 9 screws new"
    again = place.command("load-log", files / "log.csv")
    assert again.out.splitlines()[0] == "9 rows: 5 cases known already, 9 screws known already"
    read = place.command("load-readings", files / "readings.csv", "--new-persons")
    assert read.out.splitlines()[0] == "5 rows: 3 scans new, 5 readings new"
    scan = place.command("load-ct", files / "ct")
    assert (scan.status, scan.err) == (0, "")
    assert scan.out.splitlines()[-1] == (
        "attached post-operative CT of 2026-03-02 (12 slices of 24 x 32) to case OP-1; 4 readings "
        "are now owed"
    )
    rates = place.command("rates", "--by", "level", "--minimum", "0")
    assert rates.status == 0
    assert rates.out.rstrip().endswith(CAUTION)
    assert place.command("verify").out == "the ledger is as its trail says\n"


def test_what_init_makes_is_its_owner_s_alone(empty_place):
    assert empty_place.command("init").status == 0
    home = empty_place.home
    assert stat.S_IMODE(home.stat().st_mode) == 0o700
    for name in ("keys", "images"):
        assert stat.S_IMODE((home / name).stat().st_mode) == 0o700
    for path in home.rglob("*"):
        if path.is_file():
            assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path


def test_a_check_says_what_it_would_do_and_does_nothing(place, files):
    answer = place.command("load-log", files / "log.csv", "--new-persons", "--check")
    assert (answer.status, answer.err) == (0, "")
    lines = answer.out.splitlines()
    assert (
        lines[0] == "9 rows: 4 patients would be new, 5 cases would be new, 9 screws would be new"
    )
    assert lines[1].startswith("people would be new: Anna Berg, Bodo Carl")
    assert lines[-1] == "nothing was changed"
    answer = place.command("load-log", files / "log.csv")
    assert answer.status == 2
    assert "nobody is known as 'Anna Berg'" in answer.err


def test_every_bad_row_is_one_line_and_nothing_is_said_on_the_output(loaded, tmp_path):
    rows = [{"case_ref": f"X{n}", "level": "L9", "side": "?"} for n in range(6)]
    (tmp_path / "bad.csv").write_bytes(a_log(*rows))
    answer = loaded.command("load-log", tmp_path / "bad.csv")
    assert (answer.status, answer.out) == (2, "")
    lines = answer.err.splitlines()
    assert len(lines) == 12
    assert all(line.startswith("bad.csv, row ") and "; " in line for line in lines)


def test_a_conflict_is_listed_and_not_applied(loaded, tmp_path):
    (tmp_path / "log.csv").write_bytes(a_log({**LOG_ROWS[4], "guidance": "navigation"}))
    answer = loaded.command("load-log", tmp_path / "log.csv")
    assert (answer.status, answer.out) == (2, "")
    assert answer.err == (
        "log.csv, row 2, column guidance: case OP-2, L3 L: known with another value; nothing was "
        "changed; take the row out of the file, or correct the ledger's own record\n"
    )


# The shape of `rates --format json`: every key, in its order, and nothing beside it.
SHAPE = ["by", "threshold", "direction", "from", "to", "interval", "rows"]
ROW = [
    *("stratum", "patients", "patients_with_event", "placed", "imaged", "graded", "breached"),
    *("rate", "low", "high", "design_effect", "df", "patient_share"),
]


NUMBER = ["value", "low", "high"]
AGREEMENT = ["screws", "patients", "scale", "table", "observed", "kappa", "ac1", "icc_2_1",
             "icc_3_1", "bland_altman"]  # fmt: skip
COMPLETENESS = ["placed", "imaged", "graded", "second_read", "adjudicated", "rate",
                "if_none_breached", "if_all_breached"]  # fmt: skip


def test_agreement_and_completeness_are_documents_of_the_stated_shape(loaded):
    answer = loaded.command("agreement", "--format", "json")
    assert (answer.status, answer.err) == (0, "")
    document = json.loads(answer.out)
    assert list(document) == AGREEMENT
    assert (document["screws"], document["scale"]) == (1, "gertzbein-robbins")
    assert document["table"][2] == [0, 0, 1, 0, 0]
    assert document["kappa"] == {
        name: dict.fromkeys(NUMBER) for name in ("unweighted", "linear", "quadratic")
    }  # one pair of one grade: not defined
    assert list(document["bland_altman"]) == ["bias", "sd", "lower", "upper"]
    assert "not defined: both readers used one grade only" in loaded.command("agreement").out
    answer = loaded.command("completeness", "--format", "json", "--threshold", "any")
    document = json.loads(answer.out)
    assert list(document) == COMPLETENESS
    told = loaded.command("completeness", "--assumed", "2.5").out
    assert "2.5% are breached, as was asked" in told
    assert told.rstrip().endswith(CAUTION)
    refused = loaded.command("completeness", "--assumed", "some", "--from", "2026-13-01")
    assert (refused.status, refused.out) == (2, "")


def test_json_is_one_document_of_the_stated_shape(loaded):
    answer = loaded.command("rates", "--by", "level", "--format", "json")
    assert (answer.status, answer.err) == (0, "")
    document = json.loads(answer.out)
    assert list(document) == SHAPE
    assert document["interval"] == {"name": "clustered", "confidence": 0.95}
    assert (document["by"], document["threshold"]) == (["level"], "2")
    assert (document["direction"], document["from"], document["to"]) == (None, None, None)
    assert [row["stratum"]["level"] for row in document["rows"]] == ["T8", *["L2", "L3", "L4"],
                                                                     "L5", "S1"]  # fmt: skip
    for row in document["rows"]:
        assert list(row) == ROW
        assert (row["rate"], row["low"], row["high"]) == (None, None, None)
    by_level = {row["stratum"]["level"]: row for row in document["rows"]}
    counts = [by_level["L3"][name] for name in ROW[1:7]]
    assert counts == [1, 1, 2, 2, 2, 1]


def test_json_says_what_was_asked(loaded):
    asked = ["--by", "side,level", "--from", "2026-01-01", "--to", "2026-02-28", "--threshold",
             "any", "--direction", "medial", "--interval", "wilson", "--minimum", "0"]  # fmt: skip
    document = json.loads(loaded.command("rates", *asked, "--format", "json").out)
    assert {name: document[name] for name in SHAPE[:-1]} == {
        "by": ["side", "level"],
        "threshold": "any",
        "direction": "medial",
        "from": "2026-01-01",
        "to": "2026-02-28",
        "interval": {"name": "wilson", "confidence": 0.95},
    }
    shown = [row for row in document["rows"] if row["graded"]]
    assert shown
    assert all(row["df"] is None and row["design_effect"] == 1.0 for row in shown)
    assert all(0 <= row["low"] <= row["rate"] <= row["high"] <= 1 for row in shown)


def test_a_comparison_of_two_groups_is_one_document_of_the_stated_shape(loaded):
    asked = ["compare", "--by", "side", "--groups", "l,R", "--minimum", "1"]
    answer = loaded.command(*asked, "--format", "json")
    assert (answer.status, answer.err) == (0, "")
    document = json.loads(answer.out)
    assert list(document) == ["a", "b", "difference", "ratio", "method"]
    for side, name in (("a", "L"), ("b", "R")):
        assert list(document[side]) == ROW
        assert document[side]["stratum"] == {"side": name}
    apart = document["a"]["rate"] - document["b"]["rate"]
    assert document["difference"]["value"] == pytest.approx(apart)
    assert list(document["ratio"]) == ["value", "low", "high"]
    table = loaded.command(*asked)
    assert f"{100 * apart:+.1f}" in table.out
    assert "association, not an effect" in table.out
    assert table.out.rstrip().endswith(CAUTION)
    assert loaded.command(*asked, "--format", "csv").out.startswith("a_group,")


def test_csv_and_table_hold_the_same_counts_as_json(loaded):
    by = ["rates", "--by", "level", "--minimum", "0"]
    rows = json.loads(loaded.command(*by, "--format", "json").out)["rows"]
    lines = loaded.command(*by, "--format", "csv").out.splitlines()
    header = lines[0].split(",")
    assert len(lines) == len(rows) + 1
    for line, row in zip(lines[1:], rows, strict=True):
        cells = dict(zip(header, line.split(","), strict=True))
        assert cells["level"] == row["stratum"]["level"]
        for name in ROW[1:7]:
            assert int(cells[name]) == row[name]
        assert (float(cells["rate"]) if cells["rate"] else None) == row["rate"]
    table = loaded.command(*by).out
    assert all(row["stratum"]["level"] in table for row in rows)


BAD_WORDS = {
    "no command": [],
    "an unknown command": ["frobnicate"],
    "an unknown option": ["rates", "--colour", "red"],
    "an unknown split": ["rates", "--by", "mood"],
    "groups of two splits": ["compare", "--by", "level,side"],
    "a group that is none": ["compare", "--by", "side", "--groups", "L,M"],
    "three splits": ["rates", "--by", "level,side,region"],
    "an unknown threshold": ["rates", "--threshold", "3"],
    "an unknown direction": ["rates", "--direction", "up"],
    "a day that is none": ["rates", "--from", "1.2.2026"],
    "a period backwards": ["rates", "--from", "2026-02-01", "--to", "2026-01-01"],
    "a minimum that is none": ["rates", "--minimum", "-1"],
    "an unknown interval": ["rates", "--interval", "wald"],
    "an unknown format": ["rates", "--format", "xml"],
    "an unknown account": ["rates", "--as", "nobody"],
    "a file that is not there": ["load-log", "/nowhere/log.csv"],
    "a folder for a file": ["load-log", "/"],
    "an encoding that is none": ["load-log", "LOG", "--encoding", "ebcdic-9"],
    "a CT that is not there": ["load-ct", "/nowhere"],
    "a kind that is none": ["load-ct", "/", "--kind", "MR"],
    "a reason that is none": ["load-ct", "/", "--reason", "because"],
    "a case that is none": ["load-ct", "/", "--case", "OP-99"],
    "a role that is none": ["account", "add", "x", "--role", "boss"],
    "no role": ["account", "add", "x", "--role", ","],
    "a role left out": ["account", "add", "x"],
    "a person that is none": ["account", "add", "x", "--role", "surgeon", "--person", "Nobody"],
    "an account that is there": ["account", "add", "RITA", "--role", "registrar"],
    "a ledger that is there": ["init"],
}


@pytest.mark.parametrize("name", BAD_WORDS)
def test_what_is_wrong_is_one_line_on_the_error_output_and_status_2(loaded, tmp_path, name):
    (tmp_path / "LOG").write_bytes(a_log())
    words = [str(tmp_path / "LOG") if word == "LOG" else word for word in BAD_WORDS[name]]
    answer = loaded.command(*words)
    assert (answer.status, answer.out) == (2, "")
    (line,) = answer.err.splitlines()
    assert len(line) > 15
    assert loaded.command("verify").status == 0


def test_a_setting_that_is_wrong_is_named_whichever_command_runs(place):
    (place.home / "config.toml").write_text('zone = "Mars"\ncolour = 1\n', encoding="utf-8")
    answer = place.command("verify")
    assert (answer.status, answer.out) == (2, "")
    assert sorted(line.split(";")[0] for line in answer.err.splitlines()) == [
        "config.toml: unknown setting 'colour'",
        "config.toml: zone cannot be 'Mars'",
    ]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_says_what_it_takes(place, name):
    answer = place.command(name, "--help")
    assert (answer.status, answer.err) == (0, "")
    assert "--home" in answer.out
    assert " ".join(CAUTION.split()) in " ".join(answer.out.split())


def test_an_account_gets_a_link_that_works_once(place):
    answer = place.command(
        "account", "add", "stefan", "--role", "steward", "--address", "http://h/"
    )
    assert (answer.status, answer.err) == (0, "")
    link, note = answer.out.splitlines()
    assert link.startswith("http://h/invitation/")
    assert len(link.rsplit("/", 1)[1]) >= 43  # 32 random bytes
    assert note.startswith("works once, within 7 days")


def test_the_shell_s_own_account_says_in_the_trail_where_it_came_from(loaded):
    with loaded.raw() as connection:
        actors = connection.exec_driver_sql("SELECT DISTINCT actor FROM event").scalars().all()
    assert "local operator (shell)" in actors


@pytest.mark.parametrize("place", ["sqlite"], indirect=True)
def test_a_reader_that_stops_listening_is_no_error(loaded):
    with subprocess.Popen(
        [*PROGRAM, "rates", "--by", "level"],
        cwd=ROOT,
        env=loaded.all_environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        process.stdout.close()
        said = process.stderr.read()
    assert said == b""
    assert process.returncode == 1


def test_stopping_it_is_one_line(loaded, monkeypatch):
    def interrupted(*_: object, **__: object):
        raise KeyboardInterrupt

    monkeypatch.setattr("registry.actions.check_ledger.verify", interrupted)
    answer = loaded.command("verify")
    assert (answer.status, answer.out, answer.err) == (1, "", "stopped\n")


def test_what_nobody_foresaw_is_a_line_with_a_reference_and_the_rest_is_logged(loaded, monkeypatch):
    def broken(*_: object, **__: object):
        raise ZeroDivisionError("unforeseen")

    monkeypatch.setattr("registry.actions.check_ledger.verify", broken)
    answer = loaded.command("verify")
    assert (answer.status, answer.out) == (1, "")
    log, line = answer.err.splitlines()
    logged = json.loads(log)
    assert logged["level"] == "error"
    assert "ZeroDivisionError" in logged["traceback"]
    assert line.endswith(logged["reference"])
    assert "Traceback" not in line


def test_a_home_that_cannot_be_made_is_one_line(place, tmp_path):
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    answer = place.command("init", "--home", tmp_path / "file" / "home")
    assert (answer.status, answer.out) == (1, "")
    assert len(answer.err.splitlines()) == 1


@pytest.mark.parametrize("place", ["sqlite"], indirect=True)
def test_the_real_program_keeps_its_statuses(loaded, files):
    assert real(loaded, "verify").returncode == 0
    bad = real(loaded, "rates", "--by", "mood")
    assert (bad.returncode, bad.stdout) == (2, b"")
    again = real(loaded, "load-log", files / "log.csv")
    assert (again.returncode, again.stderr) == (0, b"")


def test_the_shell_changes_an_account_as_the_stewards_page_does(loaded):
    def told(*words):
        answer = loaded.command("account", *words)
        return answer.status, answer.out or answer.err

    why = ("--reason", "left the unit")
    assert told("disable", "rita", *why) == (0, "rita can sign in no more\n")
    assert told("enable", "rita", *why) == (0, "rita can sign in again\n")
    given = told("give", "rita", "--role", "quality lead", *why)
    assert given == (0, "rita is now quality lead as well, from the next sign-in\n")
    assert told("end-sessions", "rita", *why) == (0, "0 sessions of rita ended\n")
    link = told("link", "rita", "--ends-password", *why)
    assert link[0] == 0
    assert "/invitation/" in link[1]
    for words, line in (
        (("disable", "rita"), "reason: a change of an account needs its reason"),
        (("disable", "nobody", *why), "there is no account 'nobody'"),
        (("give", "rita", *why), "--role: an account needs a role"),
        (("give", "rita", "--role", "surgeon,steward", *why), "one role at a time"),
        (("enable", "rita", "--role", "surgeon"), "`account enable` does not take it"),
    ):
        status, said = told(*words)
        assert status == 2
        assert line in said
        assert len(said.splitlines()) == 1
    assert loaded.command("verify").status == 0


def test_surgeons_and_runs_print_one_document_and_codes_unless_named(loaded):
    coded = json.loads(loaded.command("surgeons", "--minimum", "1", "--format", "json").out)
    named = json.loads(
        loaded.command("surgeons", "--minimum", "1", "--named", "--format", "json").out
    )
    assert [point["code"] for point in named["points"]] == ["Anna Berg", "Bodo Carl", "Cora Dietz"]
    assert all(point["code"].startswith("surgeon ") for point in coded["points"])
    told = loaded.command("surgeons", "--named", "--minimum", "1").out
    assert "Bodo Carl, cases by reason of imaging: reason not stated 1" in told
    assert told.index("data: ") < told.index("case mix: ") < told.index("person: ")
    assert told.rstrip().endswith(CAUTION)
    run = json.loads(loaded.command("runs", "--surgeon", "Bodo Carl", "--format", "json").out)
    assert (run["of"], len(run["operations"])) == ("Bodo Carl", 1)
    assert loaded.command("runs").out.rstrip().endswith(CAUTION)
    wrong = loaded.command("runs", "--surgeon", "Zoe")
    assert (wrong.status, wrong.out) == (2, "")
    assert "there is no surgeon 'Zoe'" in wrong.err
    assert loaded.command("surgeons", "--widen", "much").status == 2
