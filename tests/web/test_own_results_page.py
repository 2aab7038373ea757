"""A surgeon's own results on their page and as files."""

from __future__ import annotations

import re
from html import unescape
from typing import TYPE_CHECKING, Any

from registry.actions import own_screws
from registry.domain.access import Role
from registry.store.queries import replies
from registry.web.headers import REPORT_POLICY
from tests.build.ledgers import SURGEON, SURGEONS, KnownAccount, an_account
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from collections.abc import Callable

    import pytest
    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from registry.store.queries.replies import ReplyScrew

    ClientOf = Callable[[KnownAccount], FlaskClient]

ASKED = "period=../2026-03-02&threshold=any&minimum=1"
SECTIONS = '<nav aria-label="Sections">'


def test_own_results_lead_to_where_each_screw_is_mended_and_to_files(client_of: ClientOf):
    anna = client_of(SURGEON)
    sent = {"csrf_token": form_token(anna.get("/own/notes/").text), "kind": "reflection"}
    anna.post("/own/notes/", data=sent | {"words": "I hurried."})
    page = unescape(anna.get(f"/own/?{ASKED}").text)
    outside = page[page.index('id="your-screws-that-stand-outside"') :]
    screws = re.findall(r'id="screw-(\d+)"', outside)
    breached = re.search(r"(\d+) of \d+ graded: any breach", page)
    assert breached is not None
    assert len(screws) == int(breached[1]) > 0
    assert outside.count('href="/cases/') == outside.count('/reply"') == len(screws)
    assert not [name for name in SURGEONS[1:] if name in page]
    address = re.search(r'href="(/own/report.pdf\?[^"]*notes=yes[^"]*)"', page)
    assert address is not None
    assert anna.get(address[1]).data.startswith(b"%PDF")
    answer = anna.get(f"/own/report?{ASKED}&notes=yes")
    assert answer.headers["Content-Security-Policy"] == REPORT_POLICY
    assert "I hurried." in answer.text


def test_screws_that_are_corrected_while_they_are_looked_up_are_asked_for_again(
    client_of: ClientOf, monkeypatch: pytest.MonkeyPatch
):
    def one_gone(*asked: Any) -> list[ReplyScrew]:
        return replies.own_reply_screws(*asked)[1:]

    anna = client_of(SURGEON)
    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(own_screws, "own_reply_screws", one_gone)
        answer = anna.get(f"/own/?{ASKED}")
    assert answer.status_code == 409
    assert "corrected while they were looked up; ask again" in answer.text
    assert anna.get(f"/own/?{ASKED}").status_code == 200


def test_own_results_lead_to_own_screws_crossed_and_back_to_their_section(
    ledger: Ledger, client_of: ClientOf
):
    anna = client_of(SURGEON)
    page = unescape(anna.get(f"/own/?{ASKED}").text)
    for section, words in (
        ("entry-technique-by-level", "level and entry technique"),
        ("over-time", "quarter and level"),
    ):
        after = page[page.index(f'<h2 id="{section}"') :]
        address = re.search(rf'href="(/explore\?[^"]+)">Explore your screws by {words}<', after)
        assert address is not None
        table = unescape(anna.get(address[1]).text)
        assert "Of own screws as responsible surgeon." in table
        assert f'<input type="hidden" name="came" value="{section}">' in table
        # Through a place's list of screws and back, the way to the section is kept.
        place = re.search(r'data-place href="(/explore/screws\?[^"]+)"', table)
        assert place is not None
        back = re.search(r'href="(/explore\?[^"#]+)#cell', unescape(anna.get(place[1]).text))
        assert back is not None
        home = re.search(rf'href="(/own/\?[^"#]+)#{section}"', unescape(anna.get(back[1]).text))
        assert home is not None
        again = unescape(anna.get(home[1]).text)
        assert again.partition(SECTIONS)[2] == page.partition(SECTIONS)[2] != ""
    assert "Back to own results" not in anna.get("/explore?came=x").text
    # Who sees every surgeon's screws crosses no own ones alone.
    both = KnownAccount("anna2", frozenset({Role.SURGEON, Role.QUALITY_LEAD}), SURGEONS[0])
    an_account(ledger, both)
    assert "Explore your screws" not in client_of(both).get("/own/").text


def test_a_filter_that_cannot_be_used_is_told(client_of: ClientOf):
    answer = client_of(SURGEON).get("/own/?threshold=much")
    assert answer.status_code == 400
    assert "much" in answer.text
