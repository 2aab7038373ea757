"""What a reading was made on stands wherever the reading does, with its numbers in words."""

from __future__ import annotations

import re
import shutil
from html import unescape
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import func, select

from registry.actions.initialise import initialise
from registry.store.home import open_ledger
from registry.store.models.evidence import Evidence
from registry.store.models.readings import Assignment
from registry.store.models.unit import CaseSeen
from registry.web.headers import PICTURE_POLICY
from tests.build.desk import L3_LEFT, L4_LEFT
from tests.build.evidenced import BREACHED, BY_EYE, CONTAINED_LOW, CONTOUR
from tests.build.ledgers import (
    NOW,
    QUALITY_LEAD,
    REGISTRAR,
    STEWARD,
    SURGEON,
    local_operator,
    viewer,
)
from tests.build.two_readings import JUDGE, LATER, SECOND_READER, asked, fill_for_two, read
from tests.web.conftest import Clock

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from tests.build.ledgers import KnownAccount

    ClientOf = Callable[[KnownAccount], FlaskClient]

FIRST, SECOND, DECISION, BY_EYE_READING = 1, 2, 3, 4
POLICY = 'policy_words = "Tell the registrar on call."\npolicy_mm = { medial = 4 }\n'
NAMES = ("Rita", "Ruth", "Jana", "Anna", "OP-", "Berg")


@pytest.fixture(scope="module")
def read_home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a ledger: L4 left was decided between two readings, L3 left was read by eye."""
    home = tmp_path_factory.mktemp("evidence") / "ledger"
    initialise(home, {}, NOW).close()
    (home / "config.toml").write_text(POLICY, encoding="utf-8")
    ledger = open_ledger(home, {})
    fill_for_two(ledger)
    read(ledger, REGISTRAR, L4_LEFT, BREACHED)
    (owed,) = asked(ledger, "second")
    read(ledger, SECOND_READER, owed.id, CONTAINED_LOW)
    (judging,) = asked(ledger, "adjudication")
    with ledger.writing(local_operator(ledger), LATER) as work:
        judge = viewer(ledger, JUDGE).person_id
        work.update(Assignment, "appoint", judging.id, reader_id=judge)
    read(ledger, JUDGE, judging.id, CONTOUR)
    read(ledger, REGISTRAR, L3_LEFT, BY_EYE)
    ledger.close()
    return home


@pytest.fixture
def clock() -> Clock:
    """Give a clock that starts once everything was read."""
    return Clock(LATER)


@pytest.fixture
def ledger(read_home: Path, tmp_path: Path) -> Iterator[Ledger]:
    shutil.copytree(read_home, tmp_path / "ledger")
    opened = open_ledger(tmp_path / "ledger", {})
    yield opened
    opened.close()


def images(page: str) -> dict[str, str]:
    """Return the text alternative of each picture by its address."""
    found = re.findall(r'<img src="([^"]+)"[^>]* alt="([^"]*)"', page)
    return {unescape(address): unescape(" ".join(words.split())) for address, words in found}


def looks(ledger: Ledger) -> int:
    with ledger.reading() as session:
        return session.execute(select(func.count()).select_from(CaseSeen)).scalar_one()


def test_a_picture_is_sent_as_it_was_kept_under_the_narrow_policy(
    ledger: Ledger, client_of: ClientOf
):
    answer = client_of(REGISTRAR).get("/readings/1/picture.png")
    with ledger.reading() as session:
        asked_for = select(Evidence.picture_digest).where(Evidence.reading_id == FIRST)
        digest = session.execute(asked_for).scalar_one()
    assert answer.data == ledger.pictures.content(digest)
    assert answer.headers["Content-Type"] == "image/png"
    assert answer.headers["Cache-Control"] == "no-store"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["Content-Security-Policy"] == PICTURE_POLICY
    assert digest not in str(answer.headers)


# Reading: who gets its picture. From the rules of who may look at a reading, design section 7.
SEEN = {
    FIRST: {"rita", "lena", "anna"},
    SECOND: {"ruth", "lena", "anna"},
    DECISION: {"jana", "lena", "anna"},
    BY_EYE_READING: {"rita", "lena"},
}


@pytest.mark.parametrize(
    "account", [REGISTRAR, SECOND_READER, JUDGE, SURGEON, QUALITY_LEAD, STEWARD], ids=str
)
def test_each_person_gets_the_pictures_of_readings_that_are_theirs_to_see(
    client_of: ClientOf, account: KnownAccount
):
    client = client_of(account)
    for number, allowed in SEEN.items():
        for address in ("", "/picture.png", "/sections/0.png", "/along/medial.png"):
            status = client.get(f"/readings/{number}{address}").status_code
            refused = 403 if account is STEWARD else 404
            assert status == (200 if account.name in allowed else refused), (number, address)
        decided = client.get(f"/readings/{number}/decided").status_code
        assert decided == (200 if (number, account) == (DECISION, JUDGE) else refused)
    assert client.get("/readings/99/picture.png").status_code == refused
    assert client.get("/readings/1/sections/99.png").status_code == refused


def test_a_screw_s_page_shows_what_each_reading_was_made_on(client_of: ClientOf):
    page = client_of(QUALITY_LEAD).get("/screws/1").text
    found = images(page)
    assert list(found) == [f"/readings/{n}/picture.png" for n in (FIRST, SECOND, DECISION)]
    assert found["/readings/1/picture.png"].startswith(
        "L4 left, first reading, contour, blind, confidence high: medial 4.8 ± 0."
    )
    assert page.count('width="1236" height="528"') == 3
    assert page.count("Open it again") == 3


def test_a_reader_opens_their_own_reading_again_as_blind_as_they_read_it(
    ledger: Ledger, client_of: ClientOf
):
    client, before = client_of(REGISTRAR), looks(ledger)
    found = images(client.get("/my-readings/").text)
    assert found["/readings/1/picture.png"].startswith("Open L4 left again: medial 4.8 mm; 0 in")
    page = client.get("/readings/1").text
    main = page[page.index("<main") : page.index("</main>")]
    assert not [name for name in NAMES if name in main]
    assert "first" not in main
    assert "Read by contour: medial 4.8 ± 0." in " ".join(re.sub("<[^>]+>", "", main).split())
    shown = images(page)
    assert [address for address in shown if "/sections/" in address] == [
        f"/readings/1/sections/{number}.png" for number in range(3)
    ]
    assert "10.0 mm from the entry, where the medial extent is greatest" in "".join(shown.values())
    for address in shown:
        assert client.get(address).data.startswith(b"\x89PNG")
    assert looks(ledger) == before


@pytest.mark.parametrize("address", ["/4", "/1/picture.png", "/1/sections/0.png"])
def test_who_looks_at_another_s_reading_or_its_picture_has_looked_at_its_case(
    ledger: Ledger, client_of: ClientOf, address: str
):
    before = looks(ledger)
    assert client_of(QUALITY_LEAD).get(f"/readings{address}").status_code == 200
    assert looks(ledger) == before + 1


def test_who_decided_sees_both_readings_side_by_side_without_who_read(
    ledger: Ledger, client_of: ClientOf
):
    client, before = client_of(JUDGE), looks(ledger)
    assert "What was decided between" in client.get("/readings/3").text
    assert looks(ledger) == before
    page = client.get("/readings/3/decided").text
    assert looks(ledger) == before + 1
    assert not [name for name in NAMES if name in page[page.index("<main") :]]
    assert list(images(page)) == [f"/readings/{n}/picture.png" for n in (FIRST, SECOND, DECISION)]
    assert client.get("/readings/1/picture.png").status_code == 200
    assert client.get("/readings/4/picture.png").status_code == 404


def test_a_surgeon_sees_own_screws_that_stand_outside_with_pictures_in_a_quarter(
    client_of: ClientOf,
):
    page = client_of(SURGEON).get("/quarters/2026Q1/reply").text
    assert images(page) == {
        "/readings/3/picture.png": (
            "L4 left of case OP-0, reading 1 of 1: what counts is medial 2.3 mm"
        )
    }
    assert not [name for name in ("Rita", "Ruth", "Jana") if name in page]


def test_a_finding_is_shown_with_what_it_was_read_on(client_of: ClientOf):
    for account in (REGISTRAR, QUALITY_LEAD):
        found = images(client_of(account).get("/policy/1").text)
        assert found["/readings/1/picture.png"].startswith("L4 left, first reading: medial 4.8 mm")


def test_an_older_reading_is_drawn_later_and_says_so(ledger: Ledger, client_of: ClientOf):
    with ledger.writing(local_operator(ledger), LATER) as work:
        for number in range(1, 5):
            work.remove(Evidence, "as it was before", number)
    client = client_of(REGISTRAR)
    assert "Drawn later from the kept marks" in client.get("/readings/1").text
    assert client.get("/readings/1/picture.png").data.startswith(b"\x89PNG")
    assert "/readings/1/picture.png" in images(client.get("/my-readings/").text)
