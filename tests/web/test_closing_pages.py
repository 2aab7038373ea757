"""The lead closes a quarter on pages: comment, signature, seal, kept files, supplement."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from registry.actions.accounts import acting
from registry.actions.agree import end_action
from registry.actions.initialise import initialise
from registry.actions.seal_quarter import public_key
from registry.store.sealing.checking import check_sealed
from registry.store.sealing.signing import read_pem
from registry.web.app import create_app
from registry.web.guard import PASSWORD_AGAIN
from tests.build.loaded import NOW, PASSWORD
from tests.build.sealable import LATER, PERIOD, a_case, a_reading, fill_sealable
from tests.web.reading_pages import form_token, table_rows

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from pathlib import Path

    from flask.testing import FlaskClient

    from registry.store.home import Ledger

HERE = f"/quarters/{PERIOD}/closing"


@pytest.fixture
def unit(tmp_path: Path) -> Iterator[Ledger]:
    ledger = initialise(tmp_path / "home", {}, NOW)
    fill_sealable(ledger)
    yield ledger
    ledger.close()


def signed_in(ledger: Ledger, name: str, at: datetime = LATER) -> FlaskClient:
    app = create_app(ledger, clock=lambda: at)
    app.config["TESTING"] = True
    client = app.test_client()
    token = form_token(client.get("/sign-in").text)
    sent = {"csrf_token": token, "name": name, "password": PASSWORD}
    assert client.post("/sign-in", data=sent).status_code == 303
    return client


def send(client: FlaskClient, where: str, **fields: str) -> str:
    """Send a form of the page and return the page that follows."""
    token = form_token(client.get(HERE).text)
    answer = client.post(where, data={"csrf_token": token, **fields}, follow_redirects=True)
    return answer.text


def test_a_lead_comments_seals_with_the_password_and_keeps_what_was_sealed(unit: Ledger):
    lena = signed_in(unit, "lena")
    page = send(lena, f"{HERE}/comment", words="Two scans are late.")
    assert "The comment is kept." in page
    assert "commented on" in page
    assert "Nothing stands in the way." in page
    what = {"what": "Ask for <b>thinner</b> slices", "owner": "Rita Reader"}
    page = send(lena, f"/quarters/{PERIOD}/actions", **what, due_on="30.6.2026")
    assert "Is no day." in page
    assert "thinner&lt;/b&gt; slices" in page
    page = send(lena, f"/quarters/{PERIOD}/actions", **what, due_on="2026-06-30")
    assert "Rita Reader" in page
    # The trail names who owns it and who agreed on it, not their numbers.
    number = re.findall(r"no\. (\d+)", lena.get("/trail/?record=quarter_action").text)[0]
    told = table_rows(lena.get(f"/trail/{number}").text)[1:]
    assert [row[-1] for row in told if row[0] in {"agreed by", "owner"}] == ["lena", "Rita Reader"]
    # Without the password, or with another, nothing is signed.
    for typed in ({}, {PASSWORD_AGAIN: "another one that is long enough"}):
        assert "Password" in send(lena, f"{HERE}/seal", **typed)
        assert not unit.sealed_quarters.digests()
    page = send(lena, f"{HERE}/seal", **{PASSWORD_AGAIN: PASSWORD})
    assert "2026Q1 is sealed. The unit" in page
    (digest,) = unit.sealed_quarters.digests()
    assert digest in page

    data = lena.get(f"/quarters/{PERIOD}/sealed/0/{PERIOD}.sealed").data
    key = lena.get("/quarters/public_key.pem").data
    found = check_sealed(data, read_pem(key))
    assert (found.wrong, found.signer_checked) == ((), True)
    assert key.decode() == public_key(unit)
    for name, held in found.files.items():
        answer = lena.get(f"/quarters/{PERIOD}/sealed/0/{name}")
        assert answer.data == held
        assert answer.headers["Content-Disposition"].startswith("attachment")
    for wrong in ("0/other.csv", "1/2026Q1.sealed", f"0/{PERIOD}.supplement1.sealed"):
        assert lena.get(f"/quarters/{PERIOD}/sealed/{wrong}").status_code == 404
    assert '<th scope="row">Ask for &lt;b&gt;thinner' in found.files[f"{PERIOD}.html"].decode()
    assert b",Rita Reader,2026-06-30,open," in found.files[f"{PERIOD}.actions.csv"]
    # What comes of an action afterwards changes nothing that was sealed, and is told next time.
    later = LATER + timedelta(minutes=5)
    came = {"is_done": "yes", "ended_on": "2026-05-04", "came_of_it": "Asked", "version": "1"}
    end_action(unit, acting(unit, "lena"), 1, came, later)
    assert "to the byte" in lena.get(f"{HERE}/again").text
    next_time = signed_in(unit, "lena", later).get("/quarters/2026Q2/actions").text
    assert "done on 2026-05-04" in next_time

    a_case(unit, "OP-3", "Bodo Carl")
    a_reading(unit, "OP-3")
    page = send(lena, f"{HERE}/again", **{PASSWORD_AGAIN: PASSWORD})
    assert "A supplement to 2026Q1 is sealed." in page
    assert "What changed, as sealed before and in supplement 1" in page
    name = f"{PERIOD}.supplement1.sealed"
    assert check_sealed(lena.get(f"/quarters/{PERIOD}/sealed/1/{name}").data).wrong == ()


def test_who_operated_is_told_who_signs_first_and_each_hindrance_leads_where_it_is_mended(
    unit: Ledger,
):
    anna, lena = signed_in(unit, "anna"), signed_in(unit, "lena")
    page = anna.get(HERE).text
    assert "You operated or assisted in the quarter" in page
    assert "It can be sealed here once nothing stands in the way." in page
    page = send(lena, f"{HERE}/countersign", **{PASSWORD_AGAIN: PASSWORD})
    assert "You have countersigned the numbers as they stand" in page
    assert "Countersign the numbers" not in page
    page = anna.get(HERE).text
    assert "countersigned</strong>" in page
    assert f'action="{HERE}/seal"' in page
    a_case(unit, "OP-3", "Bodo Carl")
    assert "so it no longer counts" in anna.get(HERE).text
    other = anna.get("/quarters/2025Q4/closing").text
    assert "The right of reply has not been opened." in other
    assert 'href="/quarters/2025Q4"' in other
