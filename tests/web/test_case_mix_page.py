"""The case-mix page shows the digits of the one call, or in words why there are none."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.case_mix import adjusted_for_case_mix
from reports.tables.case_mix_words import words_of
from reports.tables.rates import Question
from reports.tables.splits import Split
from tests.build.ledgers import QUALITY_LEAD, SURGEON, SURGEONS, viewer
from tests.web.reading_pages import table_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from tests.build.ledgers import KnownAccount

    ClientOf = Callable[[KnownAccount], FlaskClient]


def test_page_csv_and_json_are_of_the_one_call(client_of: ClientOf, ledger: Ledger):
    question = Question((Split.REGION,), minimum=1)
    table = adjusted_for_case_mix(ledger, viewer(ledger, QUALITY_LEAD), question)
    client = client_of(QUALITY_LEAD)
    address = "by=region&minimum=1"
    page = client.get(f"/case-mix?{address}").text
    for row in table.rows:
        assert [row.group, *words_of(row)] in table_rows(page)
    assert client.get(f"/case-mix.json?{address}").json == table.as_json()
    assert client.get(f"/case-mix.csv?{address}").text == table.as_csv()
    # So small a unit carries no model: the page says so first, and expects the unit's rate.
    assert "There is no case-mix model" in table.as_json()["refused"]
    assert "There is no case-mix model" in page


def test_persons_are_codes_until_names_are_asked_for(client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    coded = client.get("/case-mix?minimum=1").text
    assert not any(name in coded[coded.index("<main") :] for name in SURGEONS)
    assert any(name in client.get("/case-mix?minimum=1&named=yes").text for name in SURGEONS)


WRONG = {
    "by=level,side": "give exactly one",
    "interval=wilson": "there is no filter &#39;interval&#39;; use by, named, from, to, threshold",
    "from=x": "&#39;x&#39; cannot be used",
}


def test_a_filter_that_cannot_be_used_is_named(client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    for address, told in WRONG.items():
        answer = client.get(f"/case-mix?{address}")
        assert answer.status_code == 400
        assert told in answer.text


def test_a_surgeon_sees_none_of_it(client_of: ClientOf):
    client = client_of(SURGEON)
    assert client.get("/case-mix").status_code == 403
    assert client.get("/case-mix.json").status_code == 403
