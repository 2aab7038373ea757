"""The crossed table has the rates' own digits, each place opens what it counts, and all leads back.

What is counted is compared with plain sums over the ledger's rows, made here.
"""

from __future__ import annotations

import re
from collections import Counter
from html import unescape
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from registry.store.models.cases import Case, Screw
from registry.store.models.trail import EventRow
from registry.store.models.unit import CaseSeen
from tests.build.ledgers import QUALITY_LEAD, READER, REGISTRAR, SURGEON, SURGEONS, viewer
from tests.build.loaded import load_reading_rows, load_rows
from tests.web.reading_pages import table_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient

    from registry.store.home import Ledger
    from tests.build.ledgers import KnownAccount

    ClientOf = Callable[[KnownAccount], FlaskClient]

LEVELS_BY_SIDE = "/explore?by=level&by=side&minimum=0"
TO_TODAY = "period=../2026-03-02"


def links(page: str) -> dict[str, str]:
    """Return the places of a table, by where they stand."""
    found = re.findall(
        r'<td><a id="[^"]+" data-place href="([^"]+)"><span class="heard">([^<]+):<', page
    )
    return {unescape(place): unescape(address) for address, place in found}


def listed(client: FlaskClient, address: str) -> list[list[str]]:
    page = client.get(address)
    assert page.status_code == 200
    return table_rows(page.text)[1:]


def placed(ledger: Ledger, surgeon: str | None = None) -> Counter[tuple[str, str]]:
    """Return the placed screws of each level and side, summed here."""
    with ledger.reading() as session:
        query = select(Screw.level, Screw.side, Case.surgeon_id)
        query = query.join(Case, Case.id == Screw.case_id)
        rows = session.execute(query.where(Screw.life.in_(["placed", "redirected"])))
        found = [(row[0], row[1], row[2]) for row in rows]
    own = None if surgeon is None else viewer(ledger, SURGEON).person_id
    return Counter((level, side) for level, side, who in found if own in {None, who})


def test_each_place_has_the_digits_of_the_rates(client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    heading, *rows = table_rows(client.get(LEVELS_BY_SIDE).text)
    assert heading == ["Level", "L", "R", "all"]
    lines = table_rows(client.get("/rates?by=level&by=side&minimum=0").text)[1:]
    for level, side, _, _, graded, breached, rate, interval, *_ in lines:
        row = next(row for row in rows if row[0] == level)
        told = row[heading.index(side)]
        assert told == f"{level}, {side}:{rate}%{interval}{breached} of {graded}"
    sums = {row[0]: row[-1] for row in rows}
    for level, _, _, graded, breached, rate, interval, *_ in table_rows(
        client.get("/rates?by=level&minimum=0").text
    )[1:]:
        assert sums[level] == f"{level}, all:{rate}%{interval}{breached} of {graded}"
    whole = table_rows(client.get("/rates?minimum=0").text)[1]
    assert whole[5] in sums["all"]


def test_each_place_opens_the_screws_that_it_counts(ledger: Ledger, client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    page = client.get(LEVELS_BY_SIDE).text
    there = placed(ledger)
    assert len(there) > 4
    for place, address in links(page).items():
        if "all" in place:
            continue
        level, side = place.split(", ")
        rows = listed(client, address)
        assert len(rows) == there[level, side]
        name = f"{level} {'left' if side == 'L' else 'right'}"
        assert all(row[0].startswith(name) for row in rows)
        counts = re.search(rf">{level}, {side}:.*?(\d+) of (\d+)<", page)
        assert counts
        states = Counter(row[3].split(",")[0] for row in rows)
        assert states["breached"] == int(counts[1])
        assert states["breached"] + states["not breached"] == int(counts[2])
    everything = links(page)["all"]
    assert len(listed(client, everything)) == min(100, sum(there.values()))
    only = listed(client, f"{everything}&only=breached")
    assert {row[3].split(",")[0] for row in only} == {"breached"}


def test_a_surgeon_crosses_own_screws_alone(ledger: Ledger, client_of: ClientOf):
    client = client_of(SURGEON)
    page = client.get(f"{LEVELS_BY_SIDE}&{TO_TODAY}").text
    assert "Of own screws as responsible surgeon." in page
    for place, address in links(page).items():
        if "all" not in place:
            level, side = place.split(", ")
            assert len(listed(client, address)) == placed(ledger, SURGEONS[0])[level, side]
    opened = client.get(links(page)["all"])
    assert not [name for name in SURGEONS[1:] if name in page + opened.text]
    # Each screw's page opens, and leads back to its place in the list.
    for address in re.findall(r'href="(/screws/[^"]+)"', opened.text)[:2]:
        screw = client.get(unescape(address))
        assert screw.status_code == 200
        number = re.match(r"/screws/(\d+)", address)[1]  # type: ignore[index]
        assert re.search(rf'href="/explore/screws\?[^"]+#screw-{number}"', screw.text)
    assert client.get("/explore?by=level&by=surgeon").status_code == 400
    assert client.get("/explore?by=level&by=operator").status_code == 400
    assert client.get("/explore/screws?by=level&by=operator&row=L4").status_code == 400
    assert client.get("/explore/screws?by=level&by=side&row=C3").status_code == 404


def test_a_registrar_crosses_what_they_put_in_and_opens_no_case(
    ledger: Ledger, client_of: ClientOf
):
    client = client_of(REGISTRAR)
    assert "No placed screw matches" in client.get(f"{LEVELS_BY_SIDE}&{TO_TODAY}").text
    own = {"case_ref": "own", "operator": READER, "level": "L2", "operated_on": "2025-06-02"}
    load_rows(ledger, own | {"patient_ref": "own"})
    read = {"case_ref": "own", "level": "L2", "read_on": "2025-06-10", "medial_mm": "3.4"}
    load_reading_rows(ledger, read | {"reader": "Lena Lead"})
    page = client.get(f"{LEVELS_BY_SIDE}&{TO_TODAY}").text
    address = links(page)["L2, L"]
    text = client.get(address).text
    assert [row[:3] for row in table_rows(text)[1:]] == [["L2 left", "2025-06-02", "breached"]]
    assert "3.4" not in text
    assert "/screws/" not in text.replace("/explore/screws", "")
    assert client.get(f"{LEVELS_BY_SIDE}&own=surgeon").status_code == 400


def test_a_list_with_what_was_found_is_noted_once_as_a_look_at_its_cases(
    ledger: Ledger, client_of: ClientOf
):
    def looks() -> list[int]:
        with ledger.reading() as session:
            return sorted(session.execute(select(CaseSeen.case_id)).scalars())

    def events() -> int:
        with ledger.reading() as session:
            return len(list(session.execute(select(EventRow.sequence))))

    lead, surgeon = client_of(QUALITY_LEAD), client_of(SURGEON)
    page = lead.get(LEVELS_BY_SIDE).text
    assert "a reading that you make there later is not blind" in page
    assert looks() == []
    own = surgeon.get(f"{LEVELS_BY_SIDE}&{TO_TODAY}").text
    surgeon.get(links(own)["all"])
    assert "is not blind" not in own
    # Nobody reads a case of their own.
    assert looks() == []
    address = links(page)["L4, L"]
    rows = listed(lead, address)
    with ledger.reading() as session:
        by_reference = dict(session.execute(select(Case.reference, Case.id)).all())
    assert looks() == sorted({by_reference[row[1]] for row in rows})
    before = events()
    lead.get(address)
    assert events() == before


def test_the_way_back_goes_to_the_place_that_was_opened(client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    table = client.get(LEVELS_BY_SIDE).text
    for address in list(links(table).values())[:3]:
        back = re.search(r'href="(/explore\?[^"]+)#(cell-\w+)"', client.get(address).text)
        assert back
        again = client.get(unescape(back[1])).text
        assert f'id="{back[2]}" data-place href="{address.replace("&", "&amp;")}"' in again
    assert "Back to the list" not in client.get("/screws/1").text


def test_what_is_saved_is_counted_at_once(ledger: Ledger, client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    before = links(client.get(LEVELS_BY_SIDE).text)
    assert "T4, R" not in before
    load_rows(ledger, {"case_ref": "new", "patient_ref": "new", "level": "T4", "side": "R",
                       "entry_technique": "subfacet", "operated_on": "2025-06-02"})  # fmt: skip
    page = client.get(LEVELS_BY_SIDE).text
    assert "none of 1 graded" in page
    assert len(listed(client, links(page)["T4, R"])) == 1


def test_the_chart_is_a_picture_with_words_and_a_sentence_beside(client_of: ClientOf):
    client = client_of(QUALITY_LEAD)
    page = client.get(LEVELS_BY_SIDE).text
    found = re.search(r'<img src="(/explore/chart\.svg[^"]+)" alt="([^"]+)"', page)
    assert found
    assert "by level and side" in found[2]
    chart = client.get(unescape(found[1]))
    assert chart.mimetype == "image/svg+xml"
    assert chart.text == client.get(unescape(found[1])).text
    assert re.search(r"<p>\d+ places hold placed screws, and \d+ enough graded ones", page)
    none = client.get("/explore?minimum=1000").text
    assert "/explore/chart.svg" not in none
    assert client.get("/explore/chart.svg?minimum=1000").status_code == 200


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("by=level", "By: a table is crossed by two; choose what the rows are"),
        ("by=level&by=level", "By: cannot split by level, level; give one or two, not alike."),
        ("by=hospital&by=level", "By: 'hospital' cannot be used"),
        ("own=surgeon", "Own: 'surgeon' cannot be used; leave it out"),
        ("row=L4", "Address: there is no filter 'row'"),
        ("from=x", "From: 'x' cannot be used; write a day as 2026-03-31."),
    ],
)
def test_a_filter_that_cannot_be_used_is_named(client_of: ClientOf, address: str, told: str):
    page = client_of(QUALITY_LEAD).get(f"/explore?{address}")
    assert page.status_code == 400
    assert told in unescape(page.text)
    assert "<table" not in page.text
