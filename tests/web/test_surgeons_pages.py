"""Pages of surgeons and runs show the count's own digits, and to each role what it may see."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from registry.actions.count_runs import count_run, runs_offered
from registry.actions.count_surgeons import count_surgeons
from registry.domain.caution import CAUTION
from reports.tables.rates import Question
from reports.tables.run_words import quarter_lines
from reports.tables.surgeon_table import Widening
from reports.tables.surgeon_words import HEADINGS, SIGNALS, words_of
from tests.build.ledgers import QUALITY_LEAD, REGISTRAR, STEWARD, SURGEON, SURGEONS, viewer
from tests.web.reading_pages import table_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from tests.build.ledgers import KnownAccount

    ClientOf = Callable[[KnownAccount], FlaskClient]

ASKED = Question(minimum=4)


def tables_of(page: str) -> list[list[list[str]]]:
    return [table_rows(f"<table{part}") for part in page.split("<table")[1:]]


def test_the_leads_page_csv_and_json_hold_the_digits_of_the_count(
    ledger: Ledger, client_of: ClientOf
):
    client, lead = client_of(QUALITY_LEAD), viewer(ledger, QUALITY_LEAD)
    table = count_surgeons(ledger, lead, ASKED, is_named=True, widening=Widening.ADDITIVE)
    page = client.get("/surgeons?minimum=4&named=yes&widen=additive").text
    against, likely, imaged = tables_of(page)
    lines = [dict(zip(HEADINGS, words_of(point), strict=True)) for point in table.points]
    assert [row[0] for row in against[1:]] == sorted(SURGEONS, key=str.casefold)
    names = ("surgeon", "patients", "patients with a breach (%; interval)", "graded", "effective",
             "breached", "rate % (interval)", "95% lines", "99.8% lines", "where")  # fmt: skip
    assert against[1:] == [[line[name] for name in names] for line in lines]
    assert [row[-1] for row in likely[1:]] == [line["shrunken % (interval)"] for line in lines]
    assert [row[2] for row in imaged[1:]] == [line["imaged %"] for line in lines]
    # Without asking for names there are codes.
    text = "".join(client.get(f"/surgeons{end}").text for end in ("", ".json"))
    assert not [name for name in SURGEONS if name in text]
    assert "surgeon " in text
    asked = "minimum=4&named=yes&widen=additive"
    assert client.get(f"/surgeons.json?{asked}").json == table.as_json()
    assert client.get(f"/surgeons.csv?{asked}").text == table.as_csv()
    at = [page.index(f"<strong>{name}</strong>") for name, _ in SIGNALS]
    assert at == sorted(at)
    assert [name for name, _ in SIGNALS] == ["Data", "Case mix", "Structure", "Process", "Person"]
    assert CAUTION in page


def test_a_surgeon_sees_the_own_point_and_run_alone(client_of: ClientOf):
    client = client_of(SURGEON)
    surgeons, runs = client.get("/surgeons?minimum=1"), client.get("/runs?minimum=1")
    assert SURGEONS[0] in surgeons.text
    assert SURGEONS[0] in runs.text
    others = [client.get(f"/{name}.json") for name in ("surgeons", "runs")]
    text = "".join(answer.text for answer in (surgeons, runs, *others))
    assert not [name for name in SURGEONS[1:] if name in text]
    assert "Run of" not in runs.text
    assert "as codes" not in surgeons.text
    assert client.get("/runs?surgeon=99").status_code == 403


def test_the_run_page_and_json_hold_the_digits_of_the_count(ledger: Ledger, client_of: ClientOf):
    client, lead = client_of(QUALITY_LEAD), viewer(ledger, QUALITY_LEAD)
    offered = runs_offered(ledger, lead)
    assert offered is not None
    person = offered[0].person
    table = count_run(ledger, lead, ASKED, person)
    page = client.get(f"/runs?minimum=4&surgeon={person}").text
    assert f'<option value="{person}" selected>{offered[0].name}</option>' in page
    assert quarter_lines(table) == tables_of(page)[1][1:]
    assert client.get(f"/runs.json?minimum=4&surgeon={person}").json == json.loads(
        json.dumps(table.as_json())
    )


@pytest.mark.parametrize("who", [REGISTRAR, STEWARD], ids=["registrar", "steward"])
def test_who_sees_no_surgeon_sees_neither(client_of: ClientOf, who: KnownAccount):
    client = client_of(who)
    for address in ("surgeons", "surgeons.json", "surgeons.csv", "runs", "runs.json"):
        assert client.get(f"/{address}").status_code == 403


def test_a_filter_that_cannot_be_used_is_named_and_nothing_is_counted(client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    for address, told in (
        ("surgeons?by=level", "there is no filter &#39;by&#39;"),
        ("surgeons?widen=a-lot", "a-lot"),
        ("surgeons?from=x", "write a day as 2026-03-31"),
        ("runs?surgeon=Anna", "choose one of the list"),
        ("runs?interval=wilson", "there is no filter &#39;interval&#39;"),
    ):
        answer = client.get(f"/{address}")
        assert answer.status_code == 400
        assert told in answer.text
        assert "<table" not in answer.text
    assert "No surgeon has a placed screw" in client.get("/surgeons?from=2030-01-01").text
    assert "There is no run to draw" in client.get("/runs?from=2030-01-01").text
