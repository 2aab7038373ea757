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
        share += f" ({row.patients_with_event / row.patients:.1%}".rstrip("%") + ")"
    counts = [str(count) for count in (row.placed, row.imaged, row.graded, row.breached)]
    df = "-" if row.df is None else f"{row.df:.1f}"
    strata = list(row.stratum.values()) or ["all screws"]
    return [*strata, *counts, *rate, str(row.patients), share, f"{row.design_effect:.2f}", df]


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


def test_a_surgeon_sees_their_own_name_and_five_codes(client_of: ClientOf):
    answers = client_of(SURGEON)
    names = [row[0] for row in table_rows(answers.get("/rates?by=surgeon").text)[1:]]
    assert names[0] == SURGEONS[0]
    assert len(names) == len(SURGEONS)
    for address in ("/rates?by=surgeon", "/rates.csv?by=surgeon", "/rates.json?by=surgeon"):
        text = answers.get(address).text
        assert not [name for name in SURGEONS[1:] if name in text]


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
