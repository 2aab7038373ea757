"""The desk's page and its answers: guarded, blind, and saved only from the page itself."""

from __future__ import annotations

import json
import re
import shutil
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from registry.actions.desk_pictures import section_depths
from registry.domain.access import Role
from registry.domain.techniques import EntryTechnique, Guidance
from registry.store.home import open_ledger
from registry.store.models.scans import Scan
from registry.web.app import create_app
from tests.build.desk import (
    L3_LEFT,
    L4_LEFT,
    L4_RIGHT,
    LENGTH_MM,
    METAL_HU,
    S1_LEFT,
    THICK,
    a_desk_ledger,
    matched_by,
    ring_marks,
)
from tests.build.ledgers import (
    NOW,
    PASSWORD,
    REGISTRAR,
    SURGEONS,
    KnownAccount,
    an_account,
    local_operator,
    viewer,
)
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from registry.store.home import Ledger

ENDS = {"entry": "15,10,0", "tip": "15,-30,0"}
HIDDEN = (
    *SURGEONS,
    *(word for word in EntryTechnique if word != EntryTechnique.OTHER),
    *(word for word in Guidance if word != Guidance.FREEHAND),
    *("freehand", "OP-", "P000", "degenerative", "fracture", "routine", "2026-02", "H0", "H1"),
)
MARKS: dict[str, Any] = json.loads(ring_marks(-4.0).to_json())
ANSWER: dict[str, Any] = {"way": "contour", "marks": MARKS, "confidence": "high"}


@pytest.fixture(scope="module")
def desk_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("desk") / "ledger"
    a_desk_ledger(home).close()
    return home


@pytest.fixture
def ledger(desk_home: Path, tmp_path: Path) -> Iterator[Ledger]:
    shutil.copytree(desk_home, tmp_path / "ledger")
    opened = open_ledger(tmp_path / "ledger", {})
    yield opened
    opened.close()


def signed_in(ledger: Ledger, account: KnownAccount) -> FlaskClient:
    client = create_app(ledger, clock=lambda: NOW + timedelta(hours=1)).test_client()
    token = form_token(client.get("/sign-in").text)
    sent = {"csrf_token": token, "name": account.name, "password": PASSWORD}
    assert client.post("/sign-in", data=sent).status_code == 303
    return client


@pytest.fixture
def client(ledger: Ledger) -> FlaskClient:
    return signed_in(ledger, REGISTRAR)


def post(client: FlaskClient, address: str, document: object) -> TestResponse:
    page = client.get("/worklist").text
    found = re.search(r'name="form-token" content="([^"]+)"', page)
    assert found
    return client.post(address, json=document, headers={"X-CSRFToken": found.group(1)})


def lines(answer: TestResponse, status: int) -> list[str]:
    assert answer.status_code == status
    assert answer.json is not None
    return answer.json["problem"]


def test_the_page_names_level_side_and_diameter(client: FlaskClient):
    page = client.get(f"/reading/{L4_LEFT}").text
    assert "<h1>L4 left</h1>" in page
    assert "<p>reading;" in page
    assert "first reading" not in page
    assert "diameter 6.5 mm" in page
    assert "For audit and quality improvement" in page
    assert 'data-closes-ring="yes"' in page
    assert 'value="outline"' in page
    sacral = client.get(f"/reading/{S1_LEFT}").text
    assert 'value="outline"' not in sacral
    assert 'value="caudal">the caudal wall' in sacral


def test_the_page_says_what_is_known_of_the_image_and_nothing_of_the_case(
    ledger: Ledger, client: FlaskClient
):
    telling = ["the hospital number in the files is not the case's patient's", THICK, "day 3"]
    with ledger.writing(local_operator(ledger), NOW) as work:
        for scan in (1, 2):
            work.update(Scan, "note", scan, warnings=json.dumps(telling))
    page = client.get(f"/reading/{L3_LEFT}").text
    top, _, end = page.partition("1. Find the screw")
    said = THICK[0].upper() + THICK[1:] + "."
    assert said in top
    assert said in end.partition("4. Say how sure, and save")[2].partition("Save and go on")[0]
    assert "hospital number" not in page
    assert "day 3" not in page
    assert "image-notes" not in client.get(f"/reading/{L4_LEFT}").text


def test_nothing_is_chosen_beforehand(client: FlaskClient):
    page = client.get(f"/reading/{L4_LEFT}").text
    for name in ("way", "confidence", "not-assessable", "contained"):
        choices = re.findall(rf'<input [^>]*name="{name}"[^>]*>', page)
        assert choices
        assert not [choice for choice in choices if "checked" in choice]


def test_neither_the_page_nor_any_answer_tells_whose_screw_it_is(
    ledger: Ledger, client: FlaskClient
):
    answers = [
        client.get(f"/reading/{L4_LEFT}"),
        client.get(f"/reading/{L4_LEFT}/metal"),
        client.get(f"/reading/{L4_LEFT}/plane/axial"),
        client.get(f"/reading/{L4_LEFT}/sections", query_string=ENDS),
        client.get(f"/reading/{L4_LEFT}/along/medial", query_string=ENDS),
        post(client, f"/reading/{L4_LEFT}/axis", {"point_mm": [15, -8, 0]}),
        post(client, f"/reading/{L4_LEFT}/measure", {"way": "contour", "marks": MARKS}),
        post(client, f"/reading/{L4_LEFT}/save", ANSWER),
    ]
    digests = ledger.images.digests()
    for answer in answers:
        assert answer.status_code == 200
        told = [str(answer.headers)]
        if answer.mimetype != "application/octet-stream":
            told.append(answer.text)
        text = " ".join(told)
        assert not [digest for digest in digests if digest in text]
        # A token is drawn by lot: two of its letters in a row mean nothing.
        words = re.sub(r"[\w.-]{40,}", "", text)
        assert not [word for word in HIDDEN if word in words]


def test_the_pictures_come_as_plain_values_with_their_layout(client: FlaskClient):
    answer = client.get(f"/reading/{L4_LEFT}/sections", query_string=ENDS)
    layout = json.loads(answer.headers["Picture-Layout"])
    shape = (layout["planes"], layout["rows"], layout["columns"])
    values = np.frombuffer(answer.data, dtype="<i2").reshape(shape)
    assert layout["depths_mm"] == list(section_depths(LENGTH_MM))
    assert values[20, shape[1] // 2, shape[2] // 2] == METAL_HU
    assert answer.headers["Cache-Control"] == "no-store"


def test_the_live_numbers_and_what_is_saved_are_the_same(client: FlaskClient):
    live = post(client, f"/reading/{L4_LEFT}/measure", {"way": "contour", "marks": MARKS}).json
    assert live is not None
    assert (live["grade"], live["grade_step"], live["faults"]) == ("C", 2, [])
    assert live["extents"]["medial"]["mm"] == "2.3"
    assert "anterior" not in live["extents"]
    # Numbers that the page might send are not looked at.
    sent = {**ANSWER, "extents": {"medial": {"mm": "0.0"}}, "grade": "A", "note": "thin"}
    answer = post(client, f"/reading/{L4_LEFT}/save", sent)
    assert answer.json == {"next": f"/reading/{L4_RIGHT}?saved=yes"}
    following = client.get(f"/reading/{L4_RIGHT}?saved=yes").text
    assert "The last reading was saved. L4 left: medial 2.3 mm, grade C. Find" in following
    again = client.get(f"/reading/{L4_RIGHT}?saved=yes").text
    assert "The last reading was saved. Find" in again
    # Whoever has just saved it is led on, whatever became of the answer.
    led_on = client.get(f"/reading/{L4_LEFT}")
    assert (led_on.status_code, led_on.location) == (303, f"/reading/{L4_RIGHT}?saved=yes")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"way": "guess"}, "way: none of the choices; choose contour, calliper, by eye, typed"),
        ({"confidence": None}, "confidence: not said; choose high, moderate or low"),
        ({"confidence": "sure"}, "confidence: none of the choices; choose high, moderate, low"),
        ({"way": "typed", "typed": {"medial": "2;1"}}, "medial: '2;1'; give a number such as 2.1"),
        ({"way": "typed", "typed": {"medial": "1,234"}}, "at most one decimal place"),
        ({"way": "typed", "typed": {"medial": "2.15"}}, "at most one decimal place"),
        ({"way": "typed", "typed": {"medial": "61"}}, "give at most 60.0 mm"),
        ({"way": "typed", "typed": {"medial": "1", "uncertainty": "0"}}, "give 0.1 or more"),
        ({"way": "typed", "typed": {}}, "type at least one, 0 where contained"),
        ({"way": "by eye"}, "contained by eye: sections from 0 to 40 mm"),
        ({"way": None, "not_assessable": "bored"}, "not_assessable: none of the choices"),
        ({"shown": {"depths_mm": ["1"]}}, "what was on screen: not in the form"),
        ({"seconds_spent": 1.5}, "time spent: no whole number"),
        ({"marks": [1]}, "not in the form that this page sends"),
    ],
)
def test_an_answer_that_cannot_be_kept_is_told_in_a_line(
    client: FlaskClient, change: dict[str, object], words: str
):
    told = lines(post(client, f"/reading/{L4_LEFT}/save", {**ANSWER, **change}), 400)
    assert any(words in line for line in told)
    assert client.get(f"/reading/{L4_LEFT}").status_code == 200


@pytest.mark.parametrize("path", ["axis", "measure", "save"])
@pytest.mark.parametrize("document", [3, [], "x", {}])
def test_a_document_of_another_shape_is_told_and_never_breaks(
    client: FlaskClient, path: str, document: object
):
    assert lines(post(client, f"/reading/{L4_LEFT}/{path}", document), 400)


@pytest.mark.parametrize(
    "address",
    [
        "sections",
        "sections?entry=1,2&tip=1,2,3",
        "sections?entry=a,b,c&tip=1,2,3",
        "sections?entry=15,10,0&tip=15,-30,0&midplane=1,2,3",
        "along/medial?entry=nan,0,0&tip=0,0,0",
        "along/sideways?entry=15,10,0&tip=15,-30,0",
        "plane/oblique",
        "plane/axial?position=900",
        "plane/axial?position=nan",
    ],
)
def test_a_picture_that_cannot_be_is_refused_in_a_line(client: FlaskClient, address: str):
    answer = client.get(f"/reading/{L4_LEFT}/{address}", headers={"Accept": "application/json"})
    assert lines(answer, 400)


def test_a_screw_of_the_other_side_is_told_as_soon_as_it_is_found(client: FlaskClient):
    words = "this looks like the patient's right side; the screw to be read is on the left"
    found = post(client, f"/reading/{L4_LEFT}/axis", {"point_mm": [-15, -8, 0]}).json
    assert found is not None
    assert found["side_doubt"] == words
    ends = {"entry": "-15,10,0", "tip": "-15,-30,0"}
    midplane = "0,-40,0;0,20,0"
    for asked, told in (
        (ENDS, None),
        (ends, {"words": words, "may_be_confirmed": True}),
        ({**ENDS, "midplane": midplane}, None),
        (
            {**ends, "midplane": midplane},
            {
                "words": words.replace(
                    "this looks like the patient's right side",
                    "the entry lies on the patient's right of the midplane",
                ),
                "may_be_confirmed": False,
            },
        ),
    ):
        answer = client.get(f"/reading/{L4_LEFT}/sections", query_string=asked)
        assert json.loads(answer.headers["Picture-Layout"])["side_doubt"] == told


def test_the_ticks_that_the_page_sends_are_what_lets_a_doubtful_screw_through(client: FlaskClient):
    marks = {**MARKS, "entry_mm": [-15, 10, 0], "tip_mm": [-15, -30, 0]}
    sent = {**ANSWER, "marks": marks}
    for tick in (False, "yes", 1):
        answer = post(client, f"/reading/{L4_LEFT}/save", {**sent, "side_confirmed": tick})
        (told,) = lines(answer, 400)
        assert told.startswith("side: ")
    ticked = {**sent, "side_confirmed": True}
    assert post(client, f"/reading/{L4_LEFT}/save", ticked).status_code == 200
    (told,) = lines(post(client, f"/reading/{L4_RIGHT}/save", sent), 400)
    assert f'data-line="{told}"' in client.get(f"/reading/{L4_RIGHT}").text
    answer = post(client, f"/reading/{L4_RIGHT}/save", {**sent, "axis_confirmed": True})
    assert answer.status_code == 200


def test_what_cannot_be_found_can_still_be_typed_with_a_decimal_comma(client: FlaskClient):
    page = client.get(f"/reading/{L4_LEFT}").text
    form = page[page.index('<form id="answers"') :]
    assert re.findall(r'<(?:section|div|form) id="(\w+)"[^>]* hidden>', page[: -len(form)]) == [
        "line",
        "proposed",
        "look",
        "across",
        "lengthwise",
        "numbers",
    ]
    typed = {"medial": "2,1", "lateral": "0", "cranial": " 0 ", "caudal": ""}
    sent = {"way": "typed", "typed": typed, "marks": None, "confidence": "low"}
    answer = post(client, f"/reading/{L4_LEFT}/save", sent)
    assert answer.status_code == 200
    told = client.get(answer.json["next"]).text  # type: ignore[index]
    assert "L4 left: partly read: medial 2.1 mm, caudal missing, no grade." in told


def test_unfinished_marks_are_told_apart_from_wrong_ones(client: FlaskClient):
    rings = MARKS["bones"]["outline"]
    few = {**rings[0], "points_mm": rings[0]["points_mm"][:2]}
    marks = {**MARKS, "bones": {"outline": [few, *rings[1:]]}}
    live = post(client, f"/reading/{L4_LEFT}/measure", {"way": "contour", "marks": marks}).json
    assert live is not None
    section, contour = live["unfinished"]
    assert section == "section at 8.0 mm: 3 more marks make an outline"
    assert contour.startswith("contour: 2 sections marked; mark at least three sections: ")
    assert (live["faults"], live["notes"], live["grade"]) == ([], [], None)
    answer = post(client, f"/reading/{L4_LEFT}/save", {**ANSWER, "marks": marks})
    assert lines(answer, 400) == live["unfinished"]


def test_who_comes_second_is_told_that_it_was_read_meanwhile(client: FlaskClient):
    assert post(client, f"/reading/{L4_LEFT}/save", ANSWER).status_code == 200
    (told,) = lines(post(client, f"/reading/{L4_LEFT}/save", ANSWER), 409)
    assert "has been made meanwhile; nothing was saved" in told


def test_a_saving_without_the_pages_token_is_refused(client: FlaskClient):
    answer = client.post(f"/reading/{L4_LEFT}/save", json=ANSWER)
    assert lines(answer, 400) == [
        "This form was not sent from its own page, or the page is too old; open it again."
    ]
    # The page's script knows a stale token by how these words begin.
    script = client.get("/reading/static/api.js")
    assert '"This form was not sent from its own page"' in script.text
    script.close()
    assert client.get(f"/reading/{L4_LEFT}").status_code == 200


def test_whoever_operated_finds_no_desk_for_it(ledger: Ledger):
    bodo = KnownAccount("bodo", frozenset({Role.SURGEON}), SURGEONS[1])
    an_account(ledger, bodo)
    client = signed_in(ledger, bodo)
    assert client.get(f"/reading/{L3_LEFT}").status_code == 404
    assert client.get(f"/reading/{L3_LEFT}/metal").status_code == 404
    assert client.get(f"/reading/{L4_LEFT}").status_code == 200


def test_who_matched_the_scan_is_told_that_the_reading_is_not_blind(ledger: Ledger):
    matched_by(ledger, viewer(ledger, REGISTRAR).account_id)
    page = signed_in(ledger, REGISTRAR).get(f"/reading/{L4_LEFT}").text
    assert "not blind: you entered the case or matched its scan" in page


def test_the_page_holds_no_inline_script_or_style(client: FlaskClient):
    page = client.get(f"/reading/{L4_LEFT}").text
    assert not re.search(r"<style|style=|\son\w+=", page)
    assert re.findall(r"<script[^>]*>", page) == [
        '<script type="module" src="/reading/static/desk.js">'
    ]
