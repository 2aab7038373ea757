"""`export` at the shell, and the tables' way in from workbooks."""

from __future__ import annotations

import json

from tests.build.loaded import LOG_ROWS, fill
from tests.build.tables import a_log, a_readings
from tests.build.workbooks import a_workbook, as_text_cells


def test_the_folder_is_written_and_what_is_in_it_is_said(place, tmp_path):
    fill(place.open(), tmp_path).close()
    out = tmp_path / "out"
    answer = place.command("export", "--out", out)
    assert answer.status == 0, answer.err
    assert "cases 5, screws 9" in answer.out
    assert "not for diagnosis or treatment decisions" in answer.out
    names = {path.name for path in out.iterdir()}
    assert names == {
        "people.csv", "cases.csv", "screws.csv", "scans.csv", "readings.csv", "consensus.csv",
        "outcomes.csv", "assignments.csv", "datapackage.json",
    }  # fmt: skip
    assert place.command("verify").status == 0
    again = place.command("export", "--out", out)
    assert again.status == 2
    assert (
        again.err == f"{out}: is there and is not empty; name a new folder; nothing was written\n"
    )
    assert {path.name for path in out.iterdir()} == names


def test_counts_for_research_are_written_beside_what_was_done_to_them(place, tmp_path):
    fill(place.open(), tmp_path).close()
    for form in ("csv", "xlsx", "parquet"):
        out = tmp_path / form
        answer = place.command(
            "export", "--research", "--by", "region,guidance", "--format", form, "--out", out
        )
        assert answer.status == 0, answer.err
        assert {path.name for path in out.iterdir()} == {
            f"counts.{form}", f"flow.{form}", "datapackage.json", "README.txt",
        }  # fmt: skip
        package = json.loads((out / "datapackage.json").read_text(encoding="utf-8"))
        assert [field["name"] for field in package["resources"][0]["schema"]["fields"]][:2] == [
            "region",
            "guidance",
        ]
        assert "not for diagnosis" in (out / "README.txt").read_text(encoding="utf-8")


def test_a_wrong_word_is_told_in_one_line_and_nothing_is_written(place, tmp_path):
    for words in (["--by", "region"], ["--research", "--by", "moon"], ["--format", "doc"]):
        answer = place.command("export", "--out", tmp_path / "out", *words)
        assert answer.status == 2
        assert answer.out == ""
        assert len(answer.err.splitlines()) == 1
        assert not (tmp_path / "out").exists()


def test_a_workbook_loads_as_its_csv_does(place, tmp_path):
    (tmp_path / "log.csv").write_bytes(a_log(*LOG_ROWS))
    (tmp_path / "log.xlsx").write_bytes(as_text_cells(a_log(*LOG_ROWS)))
    as_xlsx = place.command("load-log", tmp_path / "log.xlsx", "--new-persons")
    assert as_xlsx.status == 0, as_xlsx.err
    assert "9 screws new" in as_xlsx.out
    as_csv = place.command("load-log", tmp_path / "log.csv")
    assert as_csv.status == 0, as_csv.err
    assert "9 screws known already" in as_csv.out
    reading = {"case_ref": "OP-2", "level": "L3", "medial_mm": "2.4"}
    (tmp_path / "readings.xlsx").write_bytes(as_text_cells(a_readings(reading)))
    read = place.command("load-readings", tmp_path / "readings.xlsx", "--new-persons")
    assert read.status == 0, read.err
    assert "1 reading new" in read.out


def test_a_formula_in_a_log_is_told_and_nothing_is_changed(place, tmp_path):
    rows = [line.split(",") for line in a_log().decode().splitlines()]
    rows[1][3] = '=HYPERLINK("http://x.invalid")'
    (tmp_path / "log.xlsx").write_bytes(a_workbook(rows))
    answer = place.command("load-log", tmp_path / "log.xlsx", "--new-persons")
    assert answer.status == 2
    assert answer.err == (
        "log.xlsx, row 2: cell D2 holds a formula; save values in place of formulas\n"
    )
    assert place.command("load-log", tmp_path / "log.xlsx", "--check").status == 2


def test_hidden_rows_are_said(place, tmp_path):
    def hide(sheet):
        sheet.row_dimensions[2].hidden = True

    rows = [line.split(",") for line in a_log().decode().splitlines()]
    (tmp_path / "log.xlsx").write_bytes(a_workbook(rows, hide))
    answer = place.command("load-log", tmp_path / "log.xlsx", "--new-persons")
    assert answer.status == 0, answer.err
    assert "note: 1 hidden row was read as well" in answer.out
