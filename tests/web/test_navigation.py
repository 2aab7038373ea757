"""Where each role can go: few pages in a row, many by the job that they are for."""

from __future__ import annotations

import re

import pytest

from registry.domain.access import Role, Viewer
from registry.web.navigation import NUMBER_PAGES, groups
from tests.build.ledgers import QUALITY_LEAD, STEWARD


def named(*roles: Role) -> dict[str, list[str]]:
    """Return the words of a viewer's links by their group's."""
    found = groups(Viewer(1, "someone", 2, frozenset(roles)))
    return {group.words: [place.words for place in group.places] for group in found}


@pytest.mark.parametrize("role", [Role.REGISTRAR, Role.SURGEON, Role.STEWARD])
def test_few_pages_stand_in_a_row_without_a_layer_above_them(role: Role):
    assert list(named(role)) == [""]


def test_the_lead_s_pages_stand_by_job():
    assert named(Role.QUALITY_LEAD) == {
        "Reading": ["Worklist", "Adjudications", "Second readings", "Local policy"],
        "Cases": ["Scans that came in", "Cases", "Enter a case"],
        "Numbers": ["Rates", "Export"],
        "Quarter": ["Quarters", "Meeting pack", "Shown to you"],
        "Unit": ["Trail", "Withdrawal"],
    }


def test_a_job_with_one_page_has_no_name_before_it():
    assert named(Role.REGISTRAR, Role.SURGEON)[""] == ["Trail"]


@pytest.mark.parametrize("role", list(Role))
def test_a_further_role_takes_no_page_away(role: Role):
    alone = {words for places in named(role).values() for words in places}
    with_all = {words for places in named(*Role).values() for words in places}
    for_others = {"Correct a case", "Own results"}
    assert alone - with_all <= for_others


def test_nobody_goes_anywhere():
    assert groups(None) == []


def test_group_and_page_say_where_one_is(client_of):
    page = client_of(QUALITY_LEAD).get("/adjudications/").text
    assert re.findall('<summary aria-current="true">(.*)</summary>', page) == ["Reading"]
    assert re.findall('aria-current="page">(.*)</a>', page) == ["Adjudications"]
    assert "<details" not in client_of(STEWARD).get("/accounts/").text.split("<main")[0]


@pytest.mark.parametrize("endpoint", [page.place.endpoint for page in NUMBER_PAGES])
def test_no_page_of_numbers_puts_something_else_in_its_place(app, client_of, endpoint):
    path = next(rule.rule for rule in app.url_map.iter_rules() if rule.endpoint == endpoint)
    answer = client_of(QUALITY_LEAD).get(path)
    assert answer.status_code == 200
    assert re.findall("<summary.*>(.*)</summary>", answer.text.split("<main")[0]) == [
        *("Reading", "Cases", "Numbers", "Quarter", "Unit"),
    ]
