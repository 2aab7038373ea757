"""The pages of a meeting pack: a list to tick, the key for its maker, and the pack as a file."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.store.models.trail import EventRow
from registry.store.models.unit import CaseSeen
from tests.build.ledgers import QUALITY_LEAD, SURGEON
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from tests.build.ledgers import KnownAccount

    ClientOf = Callable[[KnownAccount], FlaskClient]


def ticks(page: str) -> list[str]:
    return re.findall(r'name="screw" value="(\d+)"', page)


def count(ledger: Ledger, model, **held) -> int:
    with ledger.reading() as session:
        return len(session.execute(select(model).filter_by(**held)).all())


def test_a_list_is_shown_once_it_is_asked_for_and_counts_as_a_look(
    ledger: Ledger, client_of: ClientOf
):
    client = client_of(QUALITY_LEAD)
    assert not ticks(client.get("/meeting-pack/").text)
    assert count(ledger, CaseSeen) == 0
    page = client.get("/meeting-pack/?least=2").text
    assert ticks(page)
    assert count(ledger, CaseSeen) > 0
    assert len(ticks(client.get("/meeting-pack/?least=every&case=OP-0").text)) == 4
    without = client.get("/meeting-pack/?case=OP-0").text
    assert len(ticks(without)) == 4
    assert '<option value="every" selected>' in without
    assert '<option value="2" selected>' in client.get("/meeting-pack/").text
    assert not ticks(client.get("/meeting-pack/?least=every&to=2001-01-01").text)
    assert client.get("/meeting-pack/?least=3&from=x&moon=1").status_code == 400


def test_ticked_screws_become_pages_and_the_file_leaves_with_its_events(
    ledger: Ledger, client_of: ClientOf
):
    client = client_of(QUALITY_LEAD)
    listed = client.get("/meeting-pack/?least=every&case=OP-0").text
    chosen = ticks(listed)[:2]
    shown = client.get("/meeting-pack/pages?" + "&".join(f"screw={one}" for one in chosen)).text
    assert ticks(shown) == chosen
    assert "OP-0" in shown
    sent = {"csrf_token": form_token(shown), "screw": chosen, "by": "ticked", "least": "every"}
    refused = client.post("/meeting-pack/file", data={**sent, "words": "as Anna Berg said"})
    assert refused.status_code == 400
    assert "names nobody" in refused.text
    assert "as Anna Berg said" in refused.text
    answer = client.post("/meeting-pack/file", data={**sent, "form": "html", "quarters": "yes"})
    assert answer.status_code == 200
    assert answer.headers["Content-Disposition"] == 'attachment; filename="meeting-pack.html"'
    assert "OP-0" not in answer.text
    assert "Quarter" in answer.text
    pdf = client.post("/meeting-pack/file", data={**sent, "form": "pdf"})
    assert pdf.data.startswith(b"%PDF")
    assert count(ledger, EventRow, verb="make a meeting pack") == 2
    assert count(ledger, EventRow, verb="put into a meeting pack") == 4
    assert client.post("/meeting-pack/file", data={**sent, "form": "doc"}).status_code == 404


def test_all_of_a_list_are_taken_and_none_or_nonsense_is_refused(client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    every = client.get("/meeting-pack/pages?all=yes&least=every&case=OP-0").text
    assert len(ticks(every)) == 4
    assert 'name="by" value="listed"' in every
    for asked in ("", "screw=x", "screw=99999999999", "all=yes&case=OP-99"):
        assert client.get(f"/meeting-pack/pages?{asked}").status_code == 400
    assert client.get("/meeting-pack/pages?screw=999999").status_code == 404


def test_a_surgeon_lists_own_cases_and_learns_from_the_trail_of_packs_with_own_screws(
    client_of: ClientOf,
):
    client = client_of(SURGEON)
    page = client.get("/meeting-pack/?least=every").text
    assert set(re.findall(r"of case (OP-\d+)", page)) == {"OP-0", "OP-6", "OP-12", "OP-18"}
    lead = client_of(QUALITY_LEAD)
    own = ticks(page)[0]
    others = ticks(lead.get("/meeting-pack/?least=every&case=OP-1").text)[0]
    assert client.get(f"/meeting-pack/pages?screw={others}").status_code == 404
    shown = lead.get(f"/meeting-pack/pages?screw={own}&screw={others}").text
    sent = {"csrf_token": form_token(shown), "screw": [own, others], "form": "html"}
    assert lead.post("/meeting-pack/file", data=sent).status_code == 200
    trail = client.get("/trail/").text
    assert trail.count("ut into a meeting pack") == 1
    assert f"screw:{own}" in trail
    assert "ake a meeting pack" not in trail
