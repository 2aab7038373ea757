"""The rates page shows the count's own digits, and says in words what an address has wrong."""

from __future__ import annotations

import csv
import io
import re
from base64 import b64decode
from datetime import date
from typing import TYPE_CHECKING

import pytest

from registry.actions.count import count_rates
from registry.domain.directions import Direction
from reports.frame import Intended, Threshold
from reports.tables.rates import Question
from reports.tables.splits import IntervalName, Split
from tests.build.ledgers import QUALITY_LEAD, REGISTRAR, STEWARD, SURGEON, SURGEONS, viewer
from tests.build.loaded import load_reading_rows, load_rows
from tests.web.reading_pages import table_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from reports.tables.rates import RateRow
    from tests.build.ledgers import KnownAccount

    ClientOf = Callable[[KnownAccount], FlaskClient]

QUESTIONS = {
    "": Question(),
    "by=level": Question((Split.LEVEL,)),
    "by=level&by=side&minimum=0": Question((Split.LEVEL, Split.SIDE), minimum=0),
    "by=entry_technique,guidance&threshold=any": Question(
        (Split.ENTRY_TECHNIQUE, Split.GUIDANCE), threshold=Threshold.ANY
    ),
    "by=surgeon&minimum=5": Question((Split.SURGEON,), minimum=5),
    "by=&from=2025-03-01&to=2025-09-30&threshold=4&interval=wilson": Question(
        start=date(2025, 3, 1),
        end=date(2025, 9, 30),
        threshold=Threshold.FOUR_MM,
        interval=IntervalName.WILSON,
    ),
    "by=region&direction=medial&intended=exclude&interval=clopper-pearson": Question(
        (Split.REGION,),
        direction=Direction.MEDIAL,
        intended=Intended.EXCLUDE,
        interval=IntervalName.CLOPPER_PEARSON,
    ),
}


def expected_cells(row: RateRow) -> list[str]:
    """Return a row as the page must print it, rounded here by Python's own formatting."""
    share, rate = f"{row.patients_with_event}", ["too few for a rate"]
    if row.rate is not None and row.low is not None and row.high is not None:
        rate = [f"{row.rate:.1%}"[:-1], f"{row.low:.1%}"[:-1] + " to " + f"{row.high:.1%}"[:-1]]
        told = [f"{part:.1%}"[:-1] for part in row.patient_share.cells]
        share += f" ({told[0]}; {told[1]} to {told[2]})"
    counts = [str(count) for count in (row.placed, row.imaged, row.graded, row.breached)]
    df = "-" if row.df is None else f"{row.df:.1f}"
    strata = list(row.stratum.values()) or ["all screws"]
    mean = "-" if row.patient_mean is None else f"{row.patient_mean:.1%}".rstrip("%")
    own = "-" if row.rho is None else f"{row.rho:.3f}"
    made = [mean, f"{row.design_effect:.2f}", own, df]
    return [*strata, *counts, *rate, str(row.patients), share, *made]


@pytest.mark.parametrize("address", QUESTIONS)
def test_page_csv_and_json_hold_the_digits_of_the_count(
    ledger: Ledger, client_of: ClientOf, address: str
):
    client = client_of(QUALITY_LEAD)
    table = count_rates(ledger, viewer(ledger, QUALITY_LEAD), QUESTIONS[address])
    page = client.get(f"/rates?{address}").text
    assert table_rows(page)[1:] == [expected_cells(row) for row in table.rows]
    assert client.get(f"/rates.json?{address}").json == table.as_json()
    text = client.get(f"/rates.csv?{address}").text
    assert text == table.as_csv()
    lines = list(csv.DictReader(io.StringIO(text)))
    assert [line["breached"] for line in lines] == [str(row.breached) for row in table.rows]


@pytest.mark.parametrize("address", QUESTIONS)
def test_the_links_of_a_page_ask_its_own_question(client_of: ClientOf, address: str):
    client = client_of(QUALITY_LEAD)
    page = client.get(f"/rates?{address}").text
    for ending in ("json", "csv"):
        found = re.search(rf'href="(/rates\.{ending}[^"]*)"', page)
        assert found
        linked = client.get(found.group(1).replace("&amp;", "&"))
        assert linked.text == client.get(f"/rates.{ending}?{address}").text


def test_the_chart_is_in_the_page_and_alone_under_the_same_question(client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    page = client.get("/rates?by=level").text
    picture = re.search(r'src="data:image/svg\+xml;base64,([^"]+)" alt="([^"]+)"', page)
    assert picture
    alone = client.get("/rates/chart.svg?by=level")
    assert alone.mimetype == "image/svg+xml"
    assert "sandbox" in alone.headers["Content-Security-Policy"]
    assert b64decode(picture.group(1)).decode() == alone.text
    assert alone.text.startswith("<svg")
    assert "Breach of 2 mm or more, all operations, by level." in picture.group(2)


def test_the_page_says_what_was_counted_and_how(client_of: ClientOf):
    page = client_of(QUALITY_LEAD).get("/rates?by=surgeon&from=2025-03-01").text
    assert "Breach of 2 mm or more; operations from 2025-03-01." in page
    assert "95% interval: score interval on effective screws, patients as clusters." in page
    assert "Correlation within patients used: " in page
    assert "the interval assumes the unit&#39;s" in page


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("from=2025-13-01", "From: '2025-13-01' cannot be used; write a day as 2026-03-31."),
        ("from=2025-05-02&to=2025-05-01", "From: 2025-05-02 is after 2025-05-01"),
        ("minimum=-1", "Minimum: '-1' cannot be used; give a whole number from 0 to 1000."),
        ("threshold=3", "Threshold: '3' cannot be used; use one of: any, 2, 4."),
        ("direction=up", "Direction: 'up' cannot be used; use one of: medial, lateral"),
        ("intended=perhaps", "Intended: 'perhaps' cannot be used; use one of: include, exclude."),
        ("interval=wald", "Interval: 'wald' cannot be used; use one of: clustered, wilson"),
        ("by=hospital", "By: 'hospital' cannot be used; use one of: level, region"),
        ("by=level&by=level", "By: cannot split by level, level; give one or two, not alike."),
        ("by=level&by=side&by=region", "By: cannot split by level, side, region"),
        ("form=2025-01-01", "Address: there is no filter 'form'; use by, from, to"),
    ],
)
def test_a_filter_that_cannot_be_used_is_named_and_nothing_is_counted(
    client_of: ClientOf, address: str, told: str
):
    client = client_of(QUALITY_LEAD)
    page = client.get(f"/rates?{address}")
    assert page.status_code == 400
    assert told in page.text.replace("&#39;", "'")
    assert "<table" not in page.text
    for ending in ("json", "csv"):
        answer = client.get(f"/rates.{ending}?{address}")
        assert answer.status_code == 400
    problem = client.get(f"/rates.json?{address}").json
    assert problem is not None
    line = problem["problem"][0]
    assert (line[0].upper() + line[1:]).startswith(told.rstrip("."))


def test_every_wrong_filter_is_told_at_once_beside_its_field(client_of: ClientOf):
    page = client_of(QUALITY_LEAD).get("/rates?from=x&to=y&minimum=z&threshold=9").text
    for name in ("from", "to", "minimum", "threshold"):
        assert f'aria-describedby="field-{name}-error" aria-invalid="true"' in page


def test_a_surgeon_sees_their_own_row_and_is_told_why_no_peer(client_of: ClientOf):
    # The ledger's surgeons have 16 screws each.
    answers = client_of(SURGEON)
    page = answers.get("/rates?by=surgeon").text
    assert [row[0] for row in table_rows(page)[1:]] == [SURGEONS[0]]
    assert "only among at least 5 other surgeons with 20 graded screws each." in page
    for address in ("/rates?by=surgeon", "/rates.csv?by=surgeon", "/rates.json?by=surgeon"):
        text = answers.get(address).text
        assert not [name for name in SURGEONS[1:] if name in text]


def more_screws(ledger: Ledger) -> None:
    """Give every surgeon a case of ten screws, so that each has more than 20."""
    screws = [
        {"case_ref": f"more {number}", "surgeon": surgeon, "level": level, "side": side}
        for number, surgeon in enumerate(SURGEONS)
        for level in ("T12", "L1", "L2", "L3", "L4")
        for side in "LR"
    ]
    log = [{**screw, "patient_ref": screw["case_ref"], "operated_on": "2025-06-02"}
           for screw in screws]  # fmt: skip
    load_rows(ledger, *log)
    read = [{**screw, "read_on": "2025-06-10"} for screw in screws]
    load_reading_rows(
        ledger, *({name: row[name] for name in row if name != "surgeon"} for row in read)
    )


def test_a_surgeon_sees_peers_as_codes_with_a_rate_and_nothing_else(
    ledger: Ledger, client_of: ClientOf
):
    more_screws(ledger)
    client = client_of(SURGEON)
    page = client.get("/rates?by=surgeon").text
    own, *peers = table_rows(page)[1:]
    assert own[0] == SURGEONS[0]
    assert len(peers) == len(SURGEONS) - 1
    for row in peers:
        assert re.fullmatch(r"peer [0-9A-F]{6}", row[0])
        # Placed, imaged, graded, breached; rate; interval, patients and all else.
        assert row[1:5] == ["-"] * 4
        assert re.fullmatch(r"near \d+", row[5])
        assert row[6:] == ["-"] * 7
    assert [row[0] for row in peers] == sorted(row[0] for row in peers)
    figures = ", ".join(row[5] for row in peers)
    assert f"Peers, in per cent and in no order: {figures}." in page
    document = client.get("/rates.json?by=surgeon").json
    assert document is not None
    assert [row["stratum"]["surgeon"] for row in document["rows"][1:]] == [row[0] for row in peers]
    text = client.get("/rates.csv?by=surgeon").text
    chart = client.get("/rates/chart.svg?by=surgeon").text
    assert all(row[0] in text for row in peers)
    assert not [name for name in SURGEONS[1:] if name in page + text + chart]


@pytest.mark.parametrize("who", [SURGEON, REGISTRAR], ids=["surgeon", "registrar"])
def test_who_may_not_see_all_chooses_from_fixed_periods(client_of: ClientOf, who: KnownAccount):
    client = client_of(who)
    page = client.get("/rates").text
    assert 'type="date"' not in page
    # By the clock of 2 March 2026: the window of 30 September has passed, that of December not.
    assert [value for value, _ in options_of(page, "period")] == [
        *("", "../2025-09-30", "2025-07-01/2025-09-30", "2025-04-01/2025-06-30"),
        *("2025-01-01/2025-03-31", "../2026-03-02"),
    ]
    assert "operations up to 2025-09-30" in page
    assert [value for value, is_chosen in options_of(page, "period") if is_chosen] == [""]
    chosen = client.get("/rates?period=2025-07-01/2025-09-30").text
    assert "operations from 2025-07-01 to 2025-09-30" in chosen
    assert ("2025-07-01/2025-09-30", True) in options_of(chosen, "period")
    # A link of the page asks the same question, and so the page of the same address again.
    link = re.search(r'href="/rates\.json([^"]*)"', chosen)
    assert link
    again = client.get("/rates" + link.group(1).replace("&amp;", "&")).text
    assert ("2025-07-01/2025-09-30", True) in options_of(again, "period")


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("from=2025-02-03&to=2025-02-03", "counted over fixed periods only; choose all up to"),
        ("by=level", "by this split whole calendar years, and none is settled yet."),
        ("by=level,side", "Two splits crossed are not shown of the whole unit"),
        ("intended=exclude", "Intended exits are not left out of the whole unit"),
    ],
)
def test_what_is_not_shown_is_said_in_words(client_of: ClientOf, address: str, told: str):
    client = client_of(REGISTRAR)
    page = client.get(f"/rates?{address}")
    assert page.status_code == 200
    assert told in page.text
    assert "<table" not in page.text
    answer = client.get(f"/rates.json?{address}").json
    assert answer is not None
    assert answer["rows"] == []
    assert client.get(f"/rates/chart.svg?{address}").status_code == 200


@pytest.mark.parametrize("period", ["2025", "2025-01-01", "x/y", "2025-01-01/2025-03-31&from="])
def test_a_period_that_cannot_be_read_is_named(client_of: ClientOf, period: str):
    more = "2025-01-01" if period.endswith("from=") else ""
    for who in (REGISTRAR, QUALITY_LEAD):
        page = client_of(who).get(f"/rates?period={period}{more}")
        assert page.status_code == 400
        assert "cannot be used" in page.text


def options_of(page: str, name: str) -> list[tuple[str, bool]]:
    """Return the values of a choice, and whether each is chosen."""
    field = re.search(rf'<select[^>]*name="{name}".*?</select>', page, re.DOTALL)
    assert field
    found = re.findall(r'<option value="([^"]*)"([^>]*)>', field.group())
    return [(value, "selected" in rest) for value, rest in found]


def test_a_registrar_is_offered_no_surgeons_and_gets_none(client_of: ClientOf):
    client = client_of(REGISTRAR)
    page = client.get("/rates?by=level").text
    assert '<option value="surgeon"' not in page
    assert '<option value="operator"' in page
    refused = client.get("/rates?by=surgeon")
    assert refused.status_code == 403
    assert not [name for name in SURGEONS if name in page + refused.text]


def test_a_steward_sees_no_rate_in_any_form(client_of: ClientOf):
    client = client_of(STEWARD)
    for address in ("/rates", "/rates.csv", "/rates.json", "/rates/chart.svg"):
        answer = client.get(address)
        assert answer.status_code == 403
        assert "breached" not in answer.text


def test_a_question_that_no_screw_answers_says_so(client_of: ClientOf):
    page = client_of(QUALITY_LEAD).get("/rates?by=level&from=2030-01-01")
    assert page.status_code == 200
    assert "No placed screw matches" in page.text
