"""Exports of a whole ledger: described, whole, noted, and without identity."""

from __future__ import annotations

import csv
import io
import json
import re
from datetime import timedelta
from pathlib import Path

import pytest
from frictionless import Package
from openpyxl import load_workbook
from pyarrow import parquet

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.export_files import write_export, zip_export
from registry.actions.export_research import Factor, asked_factors, export_research
from registry.actions.export_tables import export_tables
from registry.domain.access import Role
from registry.domain.problems import BadInputError, NotAllowedError
from registry.store.exporting.files import Format
from registry.store.models.trail import EventRow
from tests.build.ledgers import a_small_ledger
from tests.build.loaded import LOG_ROWS, NOW, an_account, fill, load_rows

LATER = NOW + timedelta(hours=2)
HOSPITALS_NUMBERS = {row["patient_ref"] for row in LOG_ROWS}
NAMES = {"Anna", "Berg", "Bodo", "Carl", "Cora", "Dietz", "Dora", "Ernst", "Emil", "Falk",
         "Rita", "Reader", "Lena", "Lead"}  # fmt: skip


@pytest.fixture
def filled(ledger, tmp_path):
    return fill(ledger, tmp_path)


@pytest.fixture(scope="module")
def many(tmp_path_factory):
    """Give a ledger of 24 patients that is only read."""
    opened = a_small_ledger(tmp_path_factory.mktemp("many") / "home")
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def kept(templates, tmp_path_factory):
    """Give a filled ledger that is only read."""
    folder = tmp_path_factory.mktemp("kept")
    with templates.copied("sqlite", folder / "home") as place:
        opened = place.open()
        yield fill(opened, folder)
        opened.close()


def local(ledger):
    return acting(ledger, None)


def tables_of(ledger, form=Format.CSV):
    return export_tables(ledger, local(ledger), form, LATER)


def rows_of(export, name):
    return list(csv.DictReader(io.StringIO(export.files[f"{name}.csv"].decode(), newline="")))


def unpacked(export, folder):
    folder.mkdir()
    for name, data in export.files.items():
        (folder / name).write_bytes(data)
    return Package(str(folder / "datapackage.json"))


def events(ledger):
    with ledger.reading() as session:
        return list(session.execute(EventRow.__table__.select().order_by(EventRow.sequence)))


@pytest.mark.parametrize("form", [Format.CSV, Format.XLSX])
def test_the_dictionary_fits_every_table_as_an_independent_reader_judges(kept, tmp_path, form):
    # frictionless, the standard's own reference library: types, constraints, keys, digests, sizes.
    report = unpacked(tables_of(kept, form), tmp_path / "out").validate()
    assert report.flatten(["title", "fieldName", "note"]) == []
    assert report.valid
    assert report.stats["tasks"] == 8


@pytest.mark.parametrize(
    ("table", "was", "becomes"),
    [
        ("screws", b",L,1,", b",X,1,"),
        ("people", b"1,Anna Berg\r\n", b""),
        ("cases", b"2026-02-03", b"3.2.2026"),
        ("people", b"2,Bodo", b"1,Bodo"),
    ],
    ids=["not one of the words", "a key that leads nowhere", "no day", "a key twice"],
)
def test_the_reader_would_see_a_table_that_does_not_fit(kept, tmp_path, table, was, becomes):
    unpacked(tables_of(kept), tmp_path / "out")
    path = tmp_path / "out" / f"{table}.csv"
    data = path.read_bytes()
    assert was in data
    path.write_bytes(data.replace(was, becomes, 1))
    package = json.loads((tmp_path / "out" / "datapackage.json").read_text(encoding="utf-8"))
    for resource in package["resources"]:
        resource.pop("hash")
        resource.pop("bytes")
    (tmp_path / "out" / "datapackage.json").write_text(json.dumps(package), encoding="utf-8")
    assert not Package(str(tmp_path / "out" / "datapackage.json")).validate().valid


def test_every_form_holds_the_same_values(filled):
    exports = {form: tables_of(filled, form) for form in Format}
    for name, count in exports[Format.CSV].rows.items():
        as_csv = rows_of(exports[Format.CSV], name)
        sheet = load_workbook(io.BytesIO(exports[Format.XLSX].files[f"{name}.xlsx"])).worksheets[0]
        header, *rows = sheet.iter_rows(values_only=True)
        as_xlsx = [dict(zip(header, row, strict=True)) for row in rows]
        as_parquet = parquet.read_table(
            io.BytesIO(exports[Format.PARQUET].files[f"{name}.parquet"])
        ).to_pylist()
        assert len(as_csv) == len(as_xlsx) == len(as_parquet) == count
        for row, in_sheet, in_parquet in zip(as_csv, as_xlsx, as_parquet, strict=True):
            for field, text in row.items():
                assert said(in_parquet[field]) == text.removeprefix("'"), (name, field)
                assert said(in_sheet[field]) in {text, text.removesuffix(".0")}, (name, field)


def said(value):
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    text = value.isoformat() if hasattr(value, "isoformat") else str(value)
    return text.replace("+00:00", "Z").removesuffix("T00:00:00").replace("_x001D_", "\x1d")


def test_columns_stand_in_the_order_of_the_dictionary(kept):
    export = tables_of(kept)
    for resource in json.loads(export.files["datapackage.json"])["resources"]:
        header = export.files[resource["path"]].decode().splitlines()[0]
        assert header.split(",") == [field["name"] for field in resource["schema"]["fields"]]
        assert all(field["description"] for field in resource["schema"]["fields"])


def test_the_tables_hold_what_the_ledger_holds(filled):
    export = tables_of(filled)
    assert export.rows == {
        "people": 7, "cases": 5, "screws": 9, "scans": 4, "readings": 5, "consensus": 4,
        "outcomes": 1, "assignments": 5,
    }  # fmt: skip
    people = {row["person"]: row["name"] for row in rows_of(export, "people")}
    first = rows_of(export, "cases")[0]
    assert (first["case_ref"], people[first["surgeon"]], first["bmi"]) == (
        "OP-1",
        "Anna Berg",
        "27.1",
    )
    assert [people[one] for one in first["assistants"].split()] == ["Cora Dietz", "Dora Ernst"]
    by_grade = {row["screw"]: row["grade"] for row in rows_of(export, "consensus")}
    # 2.4 and 2.6 mm medial agree and are averaged to 2.5, which is C.
    assert by_grade["5"] == "C"


def test_no_hospital_number_and_no_day_of_birth_leaves(kept):
    for form in (Format.CSV, Format.XLSX):
        for export in (
            tables_of(kept, form),
            export_research(kept, local(kept), form, (), LATER),
        ):
            for name, data in export.files.items():
                for text in texts(name, data):
                    assert not HOSPITALS_NUMBERS & set(re.findall(r"[\w-]+", text)), name
                    assert "1960-01-02" not in text, name


def texts(name, data):
    if not name.endswith(".xlsx"):
        return [data.decode()]
    rows = load_workbook(io.BytesIO(data)).worksheets[0].iter_rows(values_only=True)
    return [" ".join(str(value) for value in row) for row in rows]


def test_a_research_extract_names_nobody_and_no_day(many):
    export = export_research(many, local(many), Format.CSV, (Factor.SURGEON, Factor.YEAR), LATER)
    counts, flow = export.files["counts.csv"].decode(), export.files["flow.csv"].decode()
    for text in (counts, flow, export.files["README.txt"].decode()):
        assert not NAMES & set(re.findall(r"\w+", text))
        assert not re.search(r"\d{4}-\d\d-\d\d|OP-\d|\bP\d{5}", text)
    assert set(re.findall(r"S[0-9a-f]{8}", counts))


def test_a_units_own_words_stay_in_the_ledger(kept):
    export = export_research(
        kept, local(kept), Format.CSV, (Factor.ENTRY_TECHNIQUE, Factor.LEVEL), LATER
    )
    assert b"a way of their own" not in export.files["counts.csv"]
    assert b"other,S1" in export.files["counts.csv"]


def test_surgeons_have_other_codes_in_each_extract(many):
    found = [
        set(
            re.findall(
                rb"S[0-9a-f]{8}",
                export_research(many, local(many), Format.CSV, (Factor.SURGEON,), LATER).files[
                    "counts.csv"
                ],
            )
        )
        for _ in range(2)
    ]
    assert len(found[0]) == len(found[1]) == 6
    assert not found[0] & found[1]


def test_few_surgeons_have_no_codes(kept):
    with pytest.raises(BadInputError, match="fewer than 6 surgeons"):
        export_research(kept, local(kept), Format.CSV, (Factor.SURGEON,), LATER)


def test_the_flow_is_the_sum_of_the_counts_that_are_shown(many):
    # Every other file of the extract can be worked out from this one, so that none tells more.
    export = export_research(many, local(many), Format.CSV, (Factor.REGION,), LATER)
    counts = rows_of(export, "counts")
    order = ["placed", "imaged", "graded", "second-read"]
    for row in rows_of(export, "flow"):
        step, is_end = row["step"].removesuffix(" and no further"), "further" in row["step"]
        came = [
            cell
            for cell in counts
            if (cell["reached"] == step and cell["why"] == row["why"])
            or (not is_end and order.index(cell["reached"]) >= order.index(step))
        ]
        shown = [int(cell["screws"]) for cell in came if cell["screws"] != "*"]
        assert int(row["screws"]) == sum(shown)
        assert int(row["hidden_cells"]) == len(came) - len(shown)
    assert {row["screws"] for row in counts if row["hidden"] == "true"} == {"*"}


def test_the_counts_are_those_of_the_tables_rounded(many):
    counts = rows_of(export_research(many, local(many), Format.CSV, (), LATER), "counts")
    grades = [row["grade"] for row in rows_of(tables_of(many), "consensus")]
    for row in counts:
        if row["reached"] == "graded" and row["screws"] != "*":
            assert abs(int(row["screws"]) - grades.count(row["why"])) <= 2
    assert sum(row["reached"] == "graded" for row in counts) == len(set(grades))


@pytest.mark.parametrize("form", [Format.CSV, Format.XLSX])
def test_the_dictionary_fits_a_research_extract_too(many, tmp_path, form):
    by = (Factor.REGION, Factor.BODY_MASS_INDEX)
    export = export_research(many, local(many), form, by, LATER)
    report = unpacked(export, tmp_path / "out").validate()
    assert report.flatten(["title", "fieldName", "note"]) == []
    assert report.valid


@pytest.mark.parametrize("by", ["moon", "level,level", "level,region,year"])
def test_a_split_that_is_none_is_told(by):
    with pytest.raises(BadInputError):
        asked_factors(by)


def test_an_export_is_an_event_with_its_rows_and_digest(filled, tmp_path):
    export = tables_of(filled)
    write_export(filled, local(filled), export, tmp_path / "out", LATER)
    last = events(filled)[-1]
    assert (last.actor, last.verb, last.record) == (
        "local operator (shell)",
        "export tables",
        "export",
    )
    assert json.loads(last.reason) == {
        "digest": export.digest,
        "format": "csv",
        "rows": dict(export.rows),
    }
    assert check_ledger(filled, local(filled)) == []


def test_a_folder_that_cannot_be_put_in_place_leaves_no_event(filled, tmp_path, monkeypatch):
    before = events(filled)

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "rename", refuse)
    with pytest.raises(OSError, match="No space"):
        write_export(filled, local(filled), tables_of(filled), tmp_path / "out", LATER)
    assert events(filled) == before
    assert not [path for path in tmp_path.iterdir() if "out" in path.name or "export" in path.name]


def test_only_the_quality_lead_and_the_shell_export(filled, tmp_path):
    for name, role in (("r", Role.REGISTRAR), ("s", Role.SURGEON), ("t", Role.STEWARD)):
        viewer = an_account(filled, name, role, person=None)
        for export in (
            lambda who: export_tables(filled, who, Format.CSV, LATER),
            lambda who: export_research(filled, who, Format.CSV, (), LATER),
        ):
            with pytest.raises(NotAllowedError):
                export(viewer)
    lead = an_account(filled, "l", Role.QUALITY_LEAD, person=None)
    assert zip_export(filled, lead, export_tables(filled, lead, Format.CSV, LATER), LATER)
    assert events(filled)[-1].actor == "l"
    assert list(tmp_path.glob("*.zip")) == []


def test_what_was_typed_names_no_file_and_no_sheet(ledger):
    load_rows(
        ledger,
        {"case_ref": "../../climbs", "indication": "=cmd|' /C calc'!A0", "surgeon": "@Anna Berg"},
    )
    export = export_tables(ledger, local(ledger), Format.XLSX, LATER)
    assert all(re.fullmatch(r"[a-z]+\.(xlsx|json)", name) for name in export.files)
    sheet = load_workbook(io.BytesIO(export.files["cases.xlsx"])).worksheets[0]
    cells = {cell.value: cell.data_type for cell in sheet[2] if isinstance(cell.value, str)}
    assert cells["=cmd|' /C calc'!A0"] == cells["../../climbs"] == "s"
    as_csv = export_tables(ledger, local(ledger), Format.CSV, LATER)
    assert rows_of(as_csv, "cases")[0]["indication"] == "'=cmd|' /C calc'!A0"
    assert rows_of(as_csv, "people")[0]["name"] == "'@Anna Berg"
