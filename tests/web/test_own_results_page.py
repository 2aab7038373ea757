"""A surgeon's own results on their page and as files."""

from __future__ import annotations

import re
from html import unescape
from typing import TYPE_CHECKING

from registry.web.headers import REPORT_POLICY
from tests.build.ledgers import SURGEON, SURGEONS
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient

    from tests.build.ledgers import KnownAccount

    ClientOf = Callable[[KnownAccount], FlaskClient]

ASKED = "period=../2026-03-02&threshold=any&minimum=1"


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


def test_a_filter_that_cannot_be_used_is_told(client_of: ClientOf):
    answer = client_of(SURGEON).get("/own/?threshold=much")
    assert answer.status_code == 400
    assert "much" in answer.text
