"""The page that compares shows the digits of the one call, and its form asks what it shows."""

from __future__ import annotations

import csv
import io
import re
from typing import TYPE_CHECKING

from registry.actions.compare_groups import compare_groups
from reports.tables.compare import ComparisonQuestion
from reports.tables.compare_words import sentence, words_of_pair
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

BY_SIDE = ComparisonQuestion(Question((Split.SIDE,), minimum=1), ("L", "R"), "R")
ADDRESS = "by=side&minimum=1&group=L&group=R&against=R"


def test_page_csv_and_json_hold_the_digits_of_the_comparison(client_of: ClientOf, ledger: Ledger):
    table = compare_groups(ledger, viewer(ledger, QUALITY_LEAD), BY_SIDE)
    client = client_of(QUALITY_LEAD)
    page = client.get(f"/compare?{ADDRESS}").text
    (pair,) = table.pairs
    assert words_of_pair(pair) in table_rows(page)
    assert sentence(pair) in page
    assert "An association" in page or "association, not an effect" in page
    assert client.get(f"/compare.json?{ADDRESS}").json == table.as_json()
    assert client.get(f"/compare.csv?{ADDRESS}").text == table.as_csv()
    lines = list(csv.DictReader(io.StringIO(table.as_csv())))
    assert float(lines[0]["p"]) == pair.compared.p_value
    assert client.get(f"/compare/chart.svg?{ADDRESS}").text.startswith("<svg")


def test_the_form_ticks_the_groups_that_are_compared(client_of: ClientOf):
    page = client_of(QUALITY_LEAD).get(f"/compare?{ADDRESS}").text
    assert page.count('name="group"') == 2
    assert page.count(" checked>") == 2
    assert 'name="of" value="side"' in page


def test_groups_of_another_split_are_forgotten_when_the_split_changes(client_of: ClientOf):
    answer = client_of(QUALITY_LEAD).get("/compare?by=region&of=side&group=L&against=L&minimum=1")
    assert answer.status_code == 200
    assert "thoracic" in answer.text or "lumbar" in answer.text


def test_a_group_to_compare_with_is_compared_though_it_was_not_ticked(client_of: ClientOf):
    page = client_of(QUALITY_LEAD).get("/compare?by=side&minimum=1&group=L&against=R").text
    assert "L less R" in page


def test_persons_are_codes_until_names_are_asked_for(client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    coded = client.get("/compare?by=surgeon&minimum=1").text
    named = client.get("/compare?by=surgeon&minimum=1&named=yes").text
    main = coded[coded.index("<main") :]
    assert not any(name in main for name in SURGEONS)
    assert any(name in named for name in SURGEONS)
    assert "this is no ranking" in coded


WRONG = {
    "by=side&group=L&group=M": "no screw is of &#39;M&#39;",
    "by=level,side": "give exactly one",
    "interval=wilson": "there is no filter &#39;interval&#39;; use by, group, against, named, from",
    "moon=full": "to, threshold, direction, intended, minimum",
    "threshold=3&from=x": "&#39;x&#39; cannot be used",
}


def test_a_filter_that_cannot_be_used_is_named(client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    for address, told in WRONG.items():
        answer = client.get(f"/compare?{address}")
        assert answer.status_code == 400
        assert told in answer.text


def test_the_filters_it_names_are_those_of_its_form(client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    told = client.get("/compare?moon=full").text.partition("; use ")[2].partition("</p>")[0]
    form = client.get("/compare?by=surgeon&minimum=1").text.partition("<form")[2]
    form = form[form.index('class="filters"') :].partition("</form>")[0]
    named = set(re.findall(r' name="([a-z_]+)"', form)) - {"of"}  # hidden: nobody chooses it
    assert set(told.rstrip(".").split(", ")) == named


def test_the_strip_leads_there_for_who_may_go_and_for_nobody_else(client_of: ClientOf):
    assert 'href="/compare"' in client_of(QUALITY_LEAD).get("/rates").text
    client = client_of(SURGEON)
    assert 'href="/compare"' not in client.get("/rates").text
    assert client.get("/compare").status_code == 403
