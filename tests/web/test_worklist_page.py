"""The worklist names screws and nothing that tells whose they are."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

from registry.actions.worklist import worklist
from registry.domain.access import Role
from registry.domain.problems import NotFoundError
from registry.domain.techniques import EntryTechnique, Guidance
from registry.web.paging import page_of
from tests.build.ledgers import REGISTRAR, SURGEONS, KnownAccount, an_account, viewer
from tests.web.reading_pages import table_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from tests.web.conftest import Clock

    ClientOf = Callable[[KnownAccount], FlaskClient]


def test_the_worklist_shows_every_owed_reading_with_its_link(
    ledger: Ledger, client_of: ClientOf, clock: Clock
):
    owed = worklist(ledger, viewer(ledger, REGISTRAR), clock())
    page = client_of(REGISTRAR).get("/worklist").text
    sides = {"L": "left", "R": "right"}
    assert len(owed) == 8
    assert table_rows(page)[1:] == [
        [f"{screw.level} {sides[screw.side]}", "3", "yes"] for screw in owed
    ]
    links = [int(number) for number in re.findall(r'href="/reading/(\d+)"', page)]
    assert links[1:] == [screw.assignment_id for screw in owed]
    assert links[0] == owed[0].assignment_id


def test_the_source_of_the_worklist_tells_nothing_of_whose_screws_they_are(client_of: ClientOf):
    source = client_of(REGISTRAR).get("/worklist").text
    hidden = [*SURGEONS, *EntryTechnique, *Guidance, "OP-", "P000", "degenerative", "fracture"]
    assert not [word for word in hidden if word in source and word != EntryTechnique.OTHER]
    assert not re.search(r"\b\d{4}-\d{2}-\d{2}\b", source)


def test_who_took_part_in_a_case_is_not_offered_its_screws(ledger: Ledger, client_of: ClientOf):
    # The two cases with held scans are those of the second and the third surgeon.
    bodo = KnownAccount("bodo", frozenset({Role.SURGEON, Role.REGISTRAR}), SURGEONS[1])
    an_account(ledger, bodo)
    assert len(table_rows(client_of(bodo).get("/worklist").text)) == 1 + 4


def test_an_account_without_a_person_is_told_why_it_reads_nothing(
    ledger: Ledger, client_of: ClientOf
):
    nobody = KnownAccount("nobody", frozenset({Role.QUALITY_LEAD}), None)
    an_account(ledger, nobody)
    page = client_of(nobody).get("/worklist").text
    assert "belongs to no person" in page
    assert "<table" not in page


def test_a_long_list_comes_in_pages_of_a_hundred():
    items = list(range(250))
    assert list(page_of(items, None).items) == items[:100]
    last = page_of(items, "3")
    assert list(last.items) == items[200:]
    assert (last.first, last.last, last.pages, last.total) == (201, 250, 3, 250)
    assert page_of([], None).pages == 1
    for asked in ("0", "4", "-1", "x", "", "\u0663"):
        with pytest.raises(NotFoundError):
            page_of(items, asked)
