"""The first page of each role: what waits and how things stand, and nothing that is not theirs."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from registry.actions.agree import agree_on
from registry.actions.backup import back_up
from registry.actions.count import count_rates
from registry.actions.homes import own_work, to_read, unit_work
from registry.actions.replies import answer_round, lay_before_surgeons
from registry.actions.worklist import worklist
from registry.domain.access import Role
from registry.domain.problems import NotAllowedError
from registry.domain.readings import Method, ReadingRole
from registry.domain.reply import quarter_of
from registry.domain.scans import ScanReason
from registry.domain.techniques import EntryTechnique, Guidance, NoScanReason
from registry.store.models.cases import Case
from registry.store.models.findings import Finding
from registry.store.models.readings import Reading
from registry.store.models.scans import Scan
from registry.store.queries.people import all_person_names
from reports.tables.rates import Question
from reports.tables.splits import IntervalName, Split
from tests.build.ledgers import (
    NOW,
    QUALITY_LEAD,
    READER,
    REGISTRAR,
    STEWARD,
    SURGEON,
    SURGEONS,
    KnownAccount,
    an_account,
    an_invitation,
    disable,
    local_operator,
    viewer,
)
from tests.web.reading_pages import table_rows

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from tests.web.conftest import Clock

    ClientOf = Callable[[KnownAccount], FlaskClient]

TODAY = NOW.date()
CASE_DAYS = [date(2025, 1, 7) + timedelta(days=13 * number) for number in range(24)]
"""Of the small ledger, as its builder says; each has four screws."""

HELD = (7, 8)
"""Cases on whose images every screw waits to be read."""


def text_of(page: str) -> str:
    main = page.partition("<main")[2].partition("</main>")[0]
    return " ".join(re.sub(r"<[^>]+>", " ", main).split())


def rows_under(page: str, caption: str) -> list[list[str]]:
    """Return the cells of the table whose caption begins so, without its heading."""
    tables = re.findall(r"<table>.*?</table>", page, re.DOTALL)
    table = next(found for found in tables if f"<caption>{caption}" in found)
    return table_rows(table)[1:]


def test_a_reader_is_told_how_many_wait_how_long_and_how_many_are_overdue(
    ledger: Ledger, client_of: ClientOf, clock: Clock
):
    page = client_of(REGISTRAR).get("/").text
    assert "8 readings are owed; the longest has waited 3 days. None is overdue" in text_of(page)
    first = worklist(ledger, viewer(ledger, REGISTRAR), clock())[0].assignment_id
    assert f'href="/reading/{first}">Read the next screw' in page
    assert 'href="/cases/new">Enter a case' in page
    clock.instant = NOW + timedelta(days=11)
    assert "has waited 14 days. None is overdue" in text_of(client_of(REGISTRAR).get("/").text)
    clock.instant += timedelta(minutes=1)
    page = client_of(REGISTRAR).get("/").text
    assert "8 are overdue: asked for more than 14 days ago" in text_of(page)


def test_the_source_of_a_reader_s_page_tells_nothing_of_whose_screws_they_are(
    client_of: ClientOf,
):
    source = client_of(REGISTRAR).get("/").text
    hidden = [*SURGEONS, *EntryTechnique, *Guidance, "OP-", "P000", "degenerative", "fracture"]
    assert not [word for word in hidden if word in source and word != EntryTechnique.OTHER]
    assert not re.search(r"\b\d{4}-\d{2}-\d{2}\b", source)


def test_own_open_findings_and_own_readings_that_may_be_made_again_are_counted(
    ledger: Ledger, client_of: ClientOf
):
    rita = viewer(ledger, REGISTRAR)
    closed = {"closed_at": NOW, "closed_by_id": 1, "closing_words": "told"}
    with ledger.writing(rita, NOW) as work:
        for place, ending in ((1, {}), (2, closed)):
            # Of the first case whose image is held.
            screw = {"screw_id": 4 * HELD[0] + place, "scan_id": HELD[0] + 1}
            reading = work.insert(
                Reading,
                "read a screw",
                **screw,
                reader_id=rita.person_id,
                recorded_by_id=rita.account_id,
                recorded_at=NOW,
                role=ReadingRole.FIRST,
                method=Method.TYPED,
                is_assessable=True,
                is_blind=True,
                read_on=TODAY,
                medial_mm=Decimal("5.0"),
            )
            work.insert(
                Finding,
                "meet the unit's policy",
                **screw,
                reading_id=reading,
                rule_met="medial 5.0 mm",
                policy_words="Tell somebody.",
                raised_at=NOW,
                **ending,
            )
    told = text_of(client_of(REGISTRAR).get("/").text)
    assert "6 readings are owed" in told
    assert "What you have read : 2 readings may be made again" in told
    assert "1 open finding of your readings" in told
    assert "1 not closed" in text_of(client_of(QUALITY_LEAD).get("/").text)


def test_a_surgeon_s_rates_are_those_of_the_rates_page_and_nobody_else_s(
    ledger: Ledger, client_of: ClientOf
):
    page = client_of(SURGEON).get("/").text
    told = rows_under(page, "Breach of 2 mm or more")
    settled = Question(by=(Split.SURGEON,), end=date(2025, 9, 30))
    row = count_rates(ledger, viewer(ledger, SURGEON), settled, TODAY).rows[0]
    assert row.rate is not None
    assert row.low is not None
    assert row.high is not None
    assert told[0][:7] == ["Operations from 2026-01-01 to 2026-03-02", *"00000", "none graded"]
    assert told[1] == [
        "Operations up to 2025-09-30",
        *map(str, (row.patients, row.placed, row.imaged, row.graded, row.breached)),
        f"{100 * row.rate:.1f}",
        f"{100 * row.low:.1f} to {100 * row.high:.1f}",
        "95% interval: score interval on effective screws, patients as clusters",
    ]
    assert row.placed == 4 * len(CASE_DAYS[0:20:6])
    assert not [name for name in (*SURGEONS[1:], "peer ") if name in page]


def test_where_the_unit_s_clustering_may_not_be_told_a_plain_interval_stands_in(ledger: Ledger):
    anna = viewer(ledger, SURGEON)
    with ledger.reading() as session:
        bodo = next(n for n, name in all_person_names(session).items() if name == SURGEONS[1])
    with ledger.writing(local_operator(ledger), NOW) as work:
        for number in range(24):
            if number % len(SURGEONS):
                work.update(Case, "correct the surgeon", number + 1, surgeon_id=bodo)
    question = Question(by=(Split.SURGEON,), end=date(2025, 9, 30))
    assert count_rates(ledger, anna, question, TODAY).rows[0].low is None
    table = own_work(ledger, anna, NOW).rates[1]
    plain = replace(question, interval=IntervalName.WILSON)
    assert table.question.interval is IntervalName.WILSON
    assert table.rows == count_rates(ledger, anna, plain, TODAY).rows
    assert table.rows[0].low is not None


def test_an_owner_sees_what_was_agreed_on_for_them_and_how_it_stands(
    ledger: Ledger, client_of: ClientOf
):
    lena = viewer(ledger, QUALITY_LEAD)
    for what, owner, due_on in (
        ("Ask for thinner slices", SURGEONS[0], "2026-02-28"),
        ("Look at the arm's <table>", SURGEONS[0], "2026-03-04"),
        ("Talk to Bodo", SURGEONS[1], "2026-03-04"),
    ):
        agree_on(ledger, lena, "2025Q4", {"what": what, "owner": owner, "due_on": due_on}, NOW)
    page = client_of(SURGEON).get("/").text
    assert rows_under(page, "Open actions that are yours") == [
        ["Ask for thinner slices", "2025Q4", "2026-02-28", "Overdue by 2 days."],
        ["Look at the arm's <table>", "2025Q4", "2026-03-04", "2 days left."],
    ]
    assert "Talk to Bodo" not in page
    assert "/quarters/actions/" not in page
    for other in (REGISTRAR, QUALITY_LEAD, STEWARD):
        assert "Agreed on for you" not in client_of(other).get("/").text


def test_who_leads_and_operates_sees_both_and_only_their_own_row_among_own_results(
    ledger: Ledger, client_of: ClientOf
):
    both = KnownAccount(
        "anna2", frozenset({Role.SURGEON, Role.QUALITY_LEAD, Role.STEWARD}), SURGEONS[0]
    )
    an_account(ledger, both)
    asking = viewer(ledger, both)
    for table in own_work(ledger, asking, NOW).rates:
        assert {row.stratum[Split.SURGEON] for row in table.rows} <= {SURGEONS[0]}
        assert table.peers == ()
    page = client_of(both).get("/").text
    headings = re.findall("<h2>(.*?)</h2>", page)
    for wanted in ("Your own results", "The quarters on their way", "To be read by you"):
        assert wanted in headings
    assert headings[-2:] == ["Accounts", "The ledger"]
    assert not [name for name in SURGEONS[1:] if name in page]


def test_a_surgeon_s_quarter_replies_and_cases_without_a_scan_are_their_own(
    ledger: Ledger, client_of: ClientOf
):
    lay_before_surgeons(ledger, viewer(ledger, QUALITY_LEAD), "2025Q3", NOW)
    lay_before_surgeons(ledger, viewer(ledger, QUALITY_LEAD), "2025Q4", NOW)
    with ledger.writing(local_operator(ledger), NOW) as work:
        for case in (13, 14):  # the third of the first surgeon, and one of the second
            work.update(Scan, "correct", case, reason=ScanReason.SYMPTOMS)
            work.update(Case, "say why", case, no_scan_reason=NoScanReason.DECLINED)
    page = client_of(SURGEON).get("/").text
    assert "2025Q3 until and including 2026-03-16" in text_of(page)
    assert "2025Q4 until" not in text_of(page)  # operated in none of its cases
    cases = rows_under(page, "Cases in which you took part, 4 placed screws")
    assert [row[:3] for row in cases] == [["OP-18", str(CASE_DAYS[18]), "4"]]
    assert rows_under(page, "1 case without an audit scan") == [
        ["OP-12", str(CASE_DAYS[12]), "declined"]
    ]
    answer_round(ledger, viewer(ledger, SURGEON), "2025Q3", "", NOW)
    assert "you replied on 2026-03-02 09:30" in text_of(client_of(SURGEON).get("/").text)


def test_a_quarter_s_line_adds_up_and_counts_what_was_not_read(client_of: ClientOf):
    page = client_of(QUALITY_LEAD).get("/").text
    lines = {row[0]: row[1:] for row in rows_under(page, "By day of operation")}
    assert list(lines) == ["2026Q1 so far", "2025Q4", "2025Q3", "2025Q2"]
    for period in ("2025Q4", "2025Q3", "2025Q2"):
        placed, imaged, graded, twice, _, unread, partly, unclear = map(int, lines[period][:8])
        numbers = [n for n, day in enumerate(CASE_DAYS) if quarter_of(day).name == period]
        left = [
            (n, place) for n in numbers for place in range(4) if n in HELD or not (n + place) % 11
        ]
        assert placed == imaged == 4 * len(numbers)
        assert unread == len(left)
        assert imaged == graded + unread + partly + unclear
        assert twice == 0
    way = dict(rows_under(page, "What stands between"))
    assert way["2025Q3"] == "The right of reply has not been opened."
    told = text_of(page)
    assert "0 overdue" in told
    assert "0 open" in told


def test_cases_without_a_scan_or_a_reason_and_overdue_readings_are_the_lead_s_to_see(
    ledger: Ledger,
):
    with ledger.writing(local_operator(ledger), NOW) as work:
        for case in (23, 24):  # 2025-10-20 and 2025-11-02: past the window of 90 days
            work.update(Scan, "correct", case, reason=ScanReason.SYMPTOMS)
        work.update(Case, "say why", 24, no_scan_reason=NoScanReason.DECLINED)
    lead = viewer(ledger, QUALITY_LEAD)
    found = unit_work(ledger, lead, NOW + timedelta(days=12))
    line = next(each for each in found.quarters if each.state.quarter.name == "2025Q4")
    assert (line.without_reason, line.past_window) == (1, 1)
    assert (found.overdue, found.longest_days) == (8, 15)
    early = unit_work(ledger, lead, NOW - timedelta(days=60))
    line = next(each for each in early.quarters if each.state.quarter.name == "2025Q4")
    assert (line.without_reason, line.past_window) == (1, 0)


def test_a_steward_sees_accounts_the_last_backup_and_settings_and_nothing_clinical(
    ledger: Ledger, client_of: ClientOf, tmp_path: Path
):
    page = client_of(STEWARD).get("/").text
    assert "No backup is noted" in page
    an_invitation(ledger, KnownAccount("nina", frozenset({Role.REGISTRAR}), None))
    disable(ledger, SURGEON)
    back_up(ledger, local_operator(ledger), tmp_path / "kept.backup", NOW)
    page = client_of(STEWARD).get("/").text
    assert rows_under(page, "2 that cannot sign in") == [
        ["anna", "disabled"],
        ["nina", "invited, no password yet, the link works until 2026-03-09 09:30"],
    ]
    told = text_of(page)
    assert "3 can sign in." in told
    assert "Last backup: 2026-03-02 09:30; 1 event since." in told  # that of the backup itself
    settings = dict(rows_under(page, "Settings that numbers depend on"))
    assert settings["audit_window_days"] == "0, 90"
    assert settings["headline_mm"] == "2"
    assert settings["second_reads_all"] == "no"
    clinical = [*SURGEONS, READER, "OP-", "owed", "breach", "rate", "Worklist"]
    assert not [word for word in clinical if word in told]


def test_an_account_without_a_role_is_told_to_ask_the_steward(ledger: Ledger, client_of: ClientOf):
    nobody = KnownAccount("nobody", frozenset(), None)
    an_account(ledger, nobody)
    answer = client_of(nobody).get("/")
    assert answer.status_code == 403
    assert "This account has no role; ask the steward for one." in answer.text


def test_an_account_without_a_person_is_told_why_nothing_is_its_own(
    ledger: Ledger, client_of: ClientOf
):
    nobody = KnownAccount("nobody", frozenset({Role.SURGEON, Role.REGISTRAR}), None)
    an_account(ledger, nobody)
    page = client_of(nobody).get("/").text
    assert "belongs to no person" in page
    assert re.findall("<h2>(.*)</h2>", page) == ["Scans that came in"]


def test_what_is_behind_each_section_asks_for_its_own_deed(ledger: Ledger):
    for account, ask in ((REGISTRAR, own_work), (SURGEON, unit_work), (STEWARD, to_read)):
        with pytest.raises(NotAllowedError):
            ask(ledger, viewer(ledger, account), NOW)
