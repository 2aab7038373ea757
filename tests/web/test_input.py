"""Odd input gets an answer in words, never a failure of the program."""

from __future__ import annotations

import re

import pytest

from tests.build.ledgers import QUALITY_LEAD, REGISTRAR


@pytest.mark.parametrize("page", ["/cases/{}", "/reading/{}"])
@pytest.mark.parametrize("number", [2**31, 10**30])
def test_a_number_that_no_record_can_have_is_no_page(client_of, page, number):
    who = QUALITY_LEAD if page.startswith("/cases") else REGISTRAR
    assert client_of(who).get(page.format(number)).status_code == 404


@pytest.mark.parametrize(
    "body",
    ["[" * 100_000, '{"note": "\\ud800"}', '{"point_mm": NaN', ""],
    ids=["deep", "half", "cut", "none"],
)
def test_a_body_that_cannot_be_kept_is_refused_in_words(client_of, body):
    client = client_of(REGISTRAR)
    token = re.search(r'name="form-token" content="([^"]+)"', client.get("/worklist").text)
    answer = client.post(
        "/reading/1/axis",
        data=body,
        content_type="application/json",
        headers={"X-CSRFToken": token.group(1), "Accept": "application/json"},
    )
    assert answer.status_code == 400
    assert answer.get_json()["problem"]
