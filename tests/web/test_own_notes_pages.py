"""Own notes on their pages: written, shown, read by whom they are shown to, taken out."""

from __future__ import annotations

import re
from html import unescape
from typing import TYPE_CHECKING

from tests.build.ledgers import QUALITY_LEAD, STEWARD, SURGEON
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient

    from tests.build.ledgers import KnownAccount

    ClientOf = Callable[[KnownAccount], FlaskClient]

WORDS = "I hurried <b>the left side</b>.\nNext time: probe."


def sent(client: FlaskClient, address: str, **values: str) -> tuple[int, str]:
    token = form_token(client.get("/own/notes/").text)
    answer = client.post(address, data={"csrf_token": token, **values})
    return answer.status_code, unescape(answer.text)


def note_of(client: FlaskClient) -> str:
    """Return the address of the one note that somebody keeps."""
    (address,) = re.findall(r'href="(/own/notes/\d+)"', client.get("/own/notes/").text)
    return str(address)


def test_a_note_goes_from_its_author_to_the_lead_and_back_and_out(client_of: ClientOf):
    anna, lena = client_of(SURGEON), client_of(QUALITY_LEAD)
    assert sent(anna, "/own/notes/", kind="reflection", words=WORDS)[0] == 303
    page = anna.get("/own/notes/").text
    assert "I hurried &lt;b&gt;" in page
    assert "Nobody shows you anything" in lena.get("/own/notes/shown").text
    note = note_of(anna)
    assert "the quality lead" in anna.get(note).text
    assert sent(anna, f"{note}/show", to="")[0] == 303
    shown = lena.get("/own/notes/shown").text
    assert "Anna Berg" in shown
    assert "Next time: probe." in shown
    assert lena.get(note).status_code == 403
    for client in (lena, client_of(STEWARD)):
        trail = client.get("/trail/?record=own_note").text
        assert "write an own note" in trail
        assert "hurried" not in trail
        assert "reflection" not in trail
    assert sent(anna, f"{note}/shown/1/stop")[0] == 303
    assert "Next time" not in lena.get("/own/notes/shown").text
    assert sent(anna, f"{note}/take-out")[0] == 303
    assert anna.get(note).status_code == 404


def test_what_is_wrong_is_told_beside_what_was_typed(client_of: ClientOf):
    anna = client_of(SURGEON)
    status, page = sent(anna, "/own/notes/", kind="action", words="Probe.", due_on="soon")
    assert (status, "Probe.</textarea>" in page, "Due on: 'soon' cannot be used" in page) == (
        400,
        True,
        True,
    )
    assert sent(anna, "/own/notes/", kind="action", words="Probe.")[0] == 303
    typed = {"words": "Probe each.", "version": "7"}
    note = note_of(anna)
    status, page = sent(anna, note, **typed)
    assert (status, "changed meanwhile" in page, "Probe each." in page) == (409, True, True)
    assert "<p>Probe.</p>" in page.split("As you typed it")[0]
    status, page = sent(anna, note, words="Probe.", done_on="2031-01-01", version="1")
    assert (status, 'value="2031-01-01"' in page) == (400, True)
    assert sent(anna, f"{note}/show", to="99")[0] == 400
