"""A surgeon's own results: counted again in plain Python, the commands' digits, nobody else's."""

from __future__ import annotations

import re
import subprocess
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime
from html import unescape
from io import BytesIO
from typing import TYPE_CHECKING

import pytest
from PIL import Image
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.count import count_rates
from registry.actions.count_runs import count_run
from registry.actions.count_surgeons import count_surgeons
from registry.actions.evidence import picture
from registry.actions.initialise import initialise
from registry.actions.own_notes import write_note
from registry.actions.own_results import own_files, own_results
from registry.domain.access import Role, Viewer
from registry.domain.problems import NotAllowedError
from registry.store.models.people import Person
from reports.documents.html import as_html
from reports.documents.own import numbers
from reports.documents.own_document import own_document
from reports.documents.own_parts import beside_table
from reports.frame import Threshold
from reports.tables.rates import Question
from reports.tables.splits import Split
from tests.build.desk import L4_LEFT
from tests.build.evidenced import BREACHED
from tests.build.ledgers import NOW, READER, REGISTRAR, SURGEON, viewer
from tests.build.quarters import SURGEONS
from tests.build.two_readings import LATER, fill_for_two, read

if TYPE_CHECKING:
    from pathlib import Path

    from registry.store.home import Ledger
    from reports.documents.own import OwnReport

SETTLED = datetime(2026, 7, 15, 9, 0, tzinfo=UTC)
"""Both quarters of the unit are settled by then."""
TODAY = SETTLED.date()
QUESTION = Question(minimum=5)


def surgeon(unit: Ledger, name: str, *more: Role) -> Viewer:
    with unit.reading() as session:
        person = session.execute(select(Person.id).where(Person.name == name)).scalar_one()
    return Viewer(1, "somebody", person, frozenset({Role.SURGEON, *more}))


@pytest.fixture(scope="module")
def reports(unit: Ledger) -> list[OwnReport]:
    """Give the results of two of the six; all of them stand in tests/long."""
    return [own_results(unit, surgeon(unit, name), QUESTION, SETTLED) for name in SURGEONS[:2]]


@pytest.fixture(scope="module")
def own(reports: list[OwnReport]) -> OwnReport:
    return reports[0]


def as_loaded(place: int) -> Counter[str]:
    """Return the counts of a surgeon's screws from how tests/build/quarters.py makes them."""
    found: Counter[str] = Counter()
    for number in range(place, 60, len(SURGEONS)):
        for screw in range(4):
            found["placed"] += 1
            if number % 10 == 9:
                continue
            extent = {0: 2.4, 1: 4.6, 2: 1.1}.get((3 * number + screw) % 13, 0)
            found["imaged"] += 1
            found["any"] += extent > 0
            found["2"] += extent >= 2
            found["4"] += extent >= 4
    return found


@pytest.mark.parametrize("place", [0, 1])
def test_counts_are_those_of_the_unit_as_it_was_made(reports: list[OwnReport], place: int):
    report = reports[place]
    plain = as_loaded(place)
    for table in report.own:
        (row,) = table.rows
        assert (row.placed, row.imaged, row.graded) == (
            plain["placed"],
            plain["imaged"],
            plain["imaged"],
        )
        assert row.breached == plain[table.question.threshold.value]
    assert len(report.breached) == plain["2"]
    assert sum(each.screws for each in report.ungraded) == plain["placed"] - plain["imaged"]
    assert {each.why for each in report.unscanned} == ({"declined"} if report.unscanned else set())
    assert sum(each.screws for each in report.unscanned) == plain["placed"] - plain["imaged"]
    last = [line[-1] for line in report.crossed.lines()]
    assert sum(int(cell.split(":")[0]) for cell in last) == plain["placed"]
    assert sum(int(cell.split(":")[1].split()[0]) for cell in last) == plain["2"]


def test_every_number_is_that_of_the_command_for_the_same_question(unit: Ledger, own: OwnReport):
    asking = surgeon(unit, SURGEONS[0])
    asked = replace(QUESTION, end=own.question.end)
    held = numbers(own)
    for by, name in (
        ((Split.SURGEON,), "rates"),
        ((), "rates_of_the_unit"),
    ):
        for threshold, found in held[name].items():
            question = replace(asked, by=by, threshold=Threshold(threshold))
            assert found == count_rates(unit, asking, question, TODAY).as_json()
    by_level = replace(asked, by=(Split.SURGEON, Split.LEVEL))
    assert held["rates_by_level"] == count_rates(unit, asking, by_level, TODAY).as_json()
    assert held["surgeons"] == count_surgeons(unit, asking, asked, TODAY).as_json()
    assert held["runs"] == count_run(unit, asking, asked, None, TODAY).as_json()
    cells = {row[:2]: row[2:] for row in beside_table(own).rows}
    for whose, by in (("you", (Split.SURGEON,)), ("the unit", ())):
        (row,) = count_rates(unit, asking, replace(asked, by=by), TODAY).rows
        assert row.rate is not None
        expected = f"{100 * row.rate:.1f}"
        assert expected in cells["breach of 2 mm or more", whose]
    page = as_html(own_document(own, {})).decode()
    assert f"{own.headline().breached} of {own.headline().graded} graded" in page


def names_nobody_else(report: OwnReport, size: int = len(SURGEONS)) -> bool:
    """Return whether a surgeon's document holds their own cases and no other person."""
    page = unescape(as_html(own_document(report, {})).decode())
    others = [other for other in (*SURGEONS, READER, "Lena Lead") if other != report.surgeon]
    own_cases = {f"Q{number}" for number in range(SURGEONS.index(report.surgeon), 60, size)}
    told = {screw.case_reference for screw in (*report.breached, *report.provisional)}
    told |= {case.case_reference for case in report.unscanned}
    return told <= own_cases and not [name for name in others if name.split()[0] in page]


def test_no_colleague_is_named_and_a_lead_s_own_page_tells_no_more(
    unit: Ledger, reports: list[OwnReport]
):
    assert all(map(names_nobody_else, reports))
    also_lead = surgeon(unit, SURGEONS[0], Role.QUALITY_LEAD)
    assert numbers(own_results(unit, also_lead, QUESTION, SETTLED)) == numbers(reports[0])


def test_of_days_that_are_not_settled_the_unit_stays_unsaid(unit: Ledger):
    asked = replace(QUESTION, start=date(2026, 1, 1), end=date(2026, 3, 1))
    report = own_results(unit, surgeon(unit, SURGEONS[0]), asked, SETTLED)
    assert report.headline() is not None
    assert report.headline(of_unit=True) is None
    said = [cells for cells in beside_table(report).rows if cells[1] == "the unit"]
    assert {cells[2:] for cells in said} == {("not shown", *["-"] * 7)}


def test_who_has_no_own_screws_is_refused(unit: Ledger):
    for asking in (
        acting(unit, None),
        Viewer(1, "lena", 1, frozenset({Role.QUALITY_LEAD})),
        Viewer(1, "rita", 1, frozenset({Role.REGISTRAR})),
        Viewer(1, "nobody", None, frozenset({Role.SURGEON})),
    ):
        with pytest.raises(NotAllowedError):
            own_results(unit, asking, QUESTION, SETTLED)


def test_a_screw_that_stands_outside_comes_with_the_picture_that_was_kept(tmp_path: Path):
    ledger = initialise(tmp_path / "ledger", {}, NOW)
    fill_for_two(ledger)
    read(ledger, REGISTRAR, L4_LEFT, BREACHED)
    anna = viewer(ledger, SURGEON)
    typed = {"kind": "action", "words": "Probe each track."}
    write_note(ledger, anna, typed, today=LATER.date(), now=LATER)
    asked = Question(end=LATER.date(), minimum=1)
    with_notes = own_results(ledger, anna, asked, LATER, with_notes=True)
    report = replace(with_notes, notes=())
    (screw,) = report.breached
    assert (screw.found, screw.is_provisional) == ("medial 4.8 mm", True)
    files = own_files(ledger, anna, report)
    (tmp_path / "own.pdf").write_bytes(files["own.pdf"])
    kept = picture(ledger, anna, screw.reading_id)
    subprocess.run(["pdfimages", "-png", "own.pdf", "out"], cwd=tmp_path, check=True)
    with Image.open(tmp_path / "out-000.png") as found, Image.open(BytesIO(kept)) as wanted:
        assert found.convert("RGB").tobytes() == wanted.convert("RGB").tobytes()
    text = subprocess.run(
        ["pdftotext", "-layout", "own.pdf", "-"],
        cwd=tmp_path, check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    assert re.search(r"Placed: breached of graded.*?L4\s+\S", text, re.DOTALL)
    assert "medial 4.8 mm" in text
    assert not [name for name in (READER, "Rita", typed["words"]) if name in text]
    assert typed["words"] in as_html(own_document(with_notes, {})).decode()
    ledger.close()
