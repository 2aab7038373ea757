"""A quarter's report says the numbers that the commands print, in every form, and no others."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest
from openpyxl import load_workbook

from registry.actions.accounts import acting
from registry.actions.quarter_files import quarter_files
from registry.actions.quarter_numbers import quarter_numbers
from registry.domain.access import Role
from registry.domain.problems import BadInputError, NotAllowedError
from reports.documents.canonical import canonical_bytes
from reports.documents.html import as_html
from reports.documents.pdf import as_pdf
from reports.documents.quarter import Standard, as_json_bytes
from reports.documents.quarter_document import quarter_document
from reports.documents.quarter_words import six_sentences
from tests.build.loaded import an_account
from tests.build.places import run_command
from tests.build.quarters import MADE, MARKUP, PERIOD, SURGEONS

DAYS = ("--from", "2026-01-01", "--to", "2026-03-31")
BEFORE = ("--from", "2025-10-01", "--to", "2025-12-31")
YEAR = ("--from", "2025-04-01", "--to", "2026-03-31")
WALLS = ("medial", "lateral", "cranial", "caudal", "anterior", "body_lateral", "endplate")
ASKED = (
    *(
        ("rates", *days, "--threshold", cut_off)
        for days in (DAYS, BEFORE, YEAR)
        for cut_off in ("any", "2", "4")
    ),
    *(("rates", *days, "--by", "level") for days in (DAYS, YEAR)),
    *(
        ("rates", *days, "--by", "level", "--direction", wall)
        for days in (DAYS, YEAR)
        for wall in WALLS[:2]
    ),
    *(
        ("rates", *days, "--by", f"region,{by}")
        for days in (DAYS, YEAR)
        for by in ("entry_technique", "guidance")
    ),
    *(("rates", *DAYS, "--direction", wall) for wall in WALLS),
    ("compare", "--by", "quarter", "--groups", "2026Q1,2025Q4", "--from", "2025-10-01",
     "--to", "2026-03-31"),
    ("surgeons", *DAYS),
    ("runs", *YEAR),
    ("agreement", *DAYS[:4]),
    ("completeness", *DAYS),
)  # fmt: skip


def said(unit, words):
    answer = run_command([*words, "--format", "json", "--home", str(unit.home)], {})
    assert answer.status == 0, answer.err
    return json.loads(answer.out)


@pytest.fixture(scope="module")
def told(unit):
    """Give what each command prints, by its words."""
    return {words: said(unit, words) for words in ASKED}


@pytest.fixture(scope="module")
def text(files, tmp_path_factory):
    """Give the PDF's words as another program reads them."""
    path = tmp_path_factory.mktemp("pdf") / "report.pdf"
    path.write_bytes(files[f"{PERIOD}.pdf"])
    read = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, check=True)
    return read.stdout.decode()


def canonical(document):
    return json.loads(canonical_bytes(document))


def test_the_json_holds_what_each_command_prints(files, told):
    held = json.loads(files[f"{PERIOD}.json"])
    tables = list(held["rates"].values())
    rates = [found for words, found in told.items() if words[0] == "rates"]
    assert len(tables) == len(rates) == 26
    for found in rates:
        assert canonical(found) in tables
    for command in ("compare", "runs", "agreement", "completeness"):
        (found,) = (found for words, found in told.items() if words[0] == command)
        assert canonical(found) == held[command], command
    (surgeons,) = (found for words, found in told.items() if words[0] == "surgeons")
    without_codes = [
        sorted(json.dumps(point | {"code": ""}) for point in each["points"])
        for each in (canonical(surgeons), held["surgeons"])
    ]
    assert without_codes[0] == without_codes[1]


def numbers_in(document):
    """Return every number of a JSON document."""
    if isinstance(document, bool) or document is None or isinstance(document, str):
        return []
    if isinstance(document, int | float):
        return [document]
    held = document.values() if isinstance(document, dict) else document
    return [number for each in held for number in numbers_in(each)]


def ways_to_say(number):
    """Return a number as people may be shown it: per cent, or with one to three decimals."""
    shown = {f"{abs(number):.{digits}f}" for digits in (1, 2, 3)}
    return shown | {f"{100 * abs(number):.1f}"}


# What stands in a table and its notes and not in the JSON. Charts are drawn, not set: no number
# of theirs is in the PDF's text.
IN_WORDS = (
    *(("rates", *days, "--by", "level") for days in (DAYS, YEAR)),
    ("rates", *DAYS, "--by", "region,entry_technique"),
    ("compare", "--by", "quarter", "--groups", "2026Q1,2025Q4", "--from", "2025-10-01",
     "--to", "2026-03-31"),
    ("surgeons", *DAYS),
    ("runs", *YEAR),
    ("agreement", *DAYS),
    ("completeness", *DAYS),
)  # fmt: skip
CONSTANTS = {"99.8"}
NUMBER = ("value", "low", "high")


def decimals(words):
    """Return every decimal number of a text, days left out."""
    return re.findall(r"\d+\.\d+", re.sub(r"\d{4}-\d{2}-\d{2}", "", words))


def test_every_decimal_in_the_pdf_is_one_that_a_command_prints(unit, text, told):
    allowed = set(CONSTANTS)
    for document in told.values():
        for number in numbers_in(document):
            allowed |= ways_to_say(number)
    for words in IN_WORDS:
        allowed |= set(decimals(run_command([*words, "--home", str(unit.home)], {}).out))
    found = decimals(text[: text.index("How it was made")])
    assert len(found) > 300
    assert sorted(set(found) - allowed) == []


def test_the_six_sentences_say_the_headline_the_change_and_what_is_missing(report, told):
    first, change, year, walls, readers, missing = six_sentences(report)
    row = told[("rates", *DAYS, "--threshold", "2")]["rows"][0]
    percents = [f"{100 * row[name]:.1f}%" for name in ("rate", "low", "high")]
    assert first.startswith(f"In {PERIOD}, {row['breached']} of {row['graded']} graded screws")
    percents += [f"{100 * row['patient_share'][name]:.1f}%" for name in NUMBER]
    assert all(each in first for each in percents)
    pair = next(found for words, found in told.items() if words[0] == "compare")
    made = pair["difference"]
    assert f"{100 * made['value']:+.1f} percentage points" in change
    assert f"{100 * made['low']:+.1f} to {100 * made['high']:+.1f}" in change
    assert "Over the year from 2025-04-01 to 2026-03-31" in year
    assert "medial" in walls
    assert "lateral" in walls
    kappa = next(found for words, found in told.items() if words[0] == "agreement")["kappa"]
    assert f"{kappa['quadratic']['value']:.2f}" in readers
    steps = told[("completeness", *DAYS)]
    assert f"{steps['graded']} of {steps['placed']}" in missing
    assert f"{100 * steps['if_all_breached']:.1f}%" in missing


def test_csv_and_workbook_hold_the_same_cells(files, report):
    held = json.loads(files[f"{PERIOD}.json"])
    book = load_workbook(io.BytesIO(files[f"{PERIOD}.xlsx"]), read_only=True)
    names = {name.split(".")[1] for name in files if name.endswith(".csv")}
    assert names == set(book.sheetnames)
    for name in names:
        lines = list(csv.reader(io.StringIO(files[f"{PERIOD}.{name}.csv"].decode())))
        sheet = [[as_cell(cell) for cell in row] for row in book[name].iter_rows(values_only=True)]
        width = len(lines[0])
        sheet = [[*row, *[None] * (width - len(row))] for row in sheet]
        assert [[as_cell(cell) for cell in line] for line in lines] == sheet, name
    header, *lines = csv.reader(io.StringIO(files[f"{PERIOD}.rates.csv"].decode()))
    rates = [dict(zip(header, line, strict=True)) for line in lines]
    assert len(rates) == sum(len(table["rows"]) for table in held["rates"].values())
    whole = next(row for row in rates if row["table"] == "quarter 2")
    assert whole["rate"] == held["rates"]["quarter 2"]["rows"][0]["rate"]
    assert Decimal(whole["rate"]) == round(Decimal(report.headline[0].rows[0].rate), 10)


def as_cell(value):
    """Return a cell so that a number is one number, whichever file it stands in."""
    if value is None or value == "":
        return None
    try:
        return round(float(value), 9)
    except ValueError:
        return value.lstrip("'")


def test_the_same_ledger_and_instant_give_the_same_bytes_whoever_makes_it(unit, report, files):
    lead = an_account(unit, "lena", Role.QUALITY_LEAD, person=None)
    assert quarter_files(quarter_numbers(unit, lead, PERIOD, MADE)) == files
    later = as_json_bytes(replace(report, made_at=MADE + timedelta(hours=1)))
    one, other = json.loads(later), json.loads(files[f"{PERIOD}.json"])
    assert {name for name, value in one.items() if value != other[name]} == {"made_at"}


def test_surgeons_are_codes_and_no_patient_or_case_is_named(files):
    for name, data in files.items():
        if not name.endswith((".pdf", ".xlsx")):
            words = data.decode()
            assert not [person for person in (*SURGEONS, "Rita Reader") if person in words], name
            assert not re.search(r"\bQ\d+\b(?!,)", words.replace(PERIOD, "")), name


def test_who_may_not_see_every_surgeon_gets_no_report(unit):
    for name, role in (("rita", Role.REGISTRAR), ("anna", Role.SURGEON), ("stef", Role.STEWARD)):
        asking = an_account(unit, name, role, person=None)
        with pytest.raises(NotAllowedError):
            quarter_numbers(unit, asking, PERIOD, MADE)


def test_a_quarter_that_is_none_or_has_not_begun_is_refused(unit):
    local = acting(unit, None)
    with pytest.raises(BadInputError, match="is no quarter"):
        quarter_numbers(unit, local, "2026Q5", MADE)
    with pytest.raises(BadInputError, match="begins on 2026-04-01"):
        quarter_numbers(unit, local, "2026Q2", MADE)


def test_a_quarter_without_an_operation_has_a_report_that_says_so(unit):
    empty = quarter_numbers(unit, acting(unit, None), "2024Q1", MADE)
    made = quarter_files(empty)
    words = made["2024Q1.html"].decode()
    assert "no screw is graded, of 0 placed" in words
    assert "cannot be compared" in words
    assert json.loads(made["2024Q1.json"])["compare"] is None
    assert made["2024Q1.pdf"].startswith(b"%PDF")


def test_words_of_the_ledger_are_set_as_they_are_and_never_as_markup(files, text, report):
    assert "<script>" not in files[f"{PERIOD}.html"].decode()
    assert "#panic()" in re.sub(r"\s+", " ", text)
    document = quarter_document(replace(report, unit=MARKUP))
    assert "<script>" not in as_html(document).decode()
    assert as_pdf(document).startswith(b"%PDF")


@pytest.mark.parametrize(
    ("percent", "verdict"),
    [("0.5", "lies above it"), ("10", "holds it"), ("90.5", "lies at or below it")],
)
def test_the_interval_is_held_against_the_units_own_standard(report, percent, verdict):
    row = report.headline[0].rows[0]
    assert 0.005 < row.low < 0.1 < row.high < 0.905
    stated = replace(report, standard=Standard(Decimal(percent), "as our policy has it"))
    words = as_html(quarter_document(stated)).decode()
    (said,) = re.findall(r"<p>(The unit&#x27;s own standard.*?)</p>", words)
    assert f"at most {percent}% with a breach of 2 mm or more (as our policy has it)" in said
    assert verdict in said
    assert json.loads(as_json_bytes(stated))["standard_percent"] == percent
