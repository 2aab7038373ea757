"""What a reader has marked and not saved: kept for that account alone, and saved once for a key."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from sqlalchemy import select

from registry.actions.drafts import KEPT_DAYS, LARGEST_DRAFT, keep_draft
from registry.store.models.drafts import ReadingDraft
from registry.store.models.readings import Reading
from registry.store.queries.drafts import drop_drafts_of_cases
from tests.build.desk import L4_LEFT, L4_RIGHT
from tests.build.ledgers import NOW, QUALITY_LEAD, REGISTRAR, viewer
from tests.web.test_reading_desk import (
    ANSWER,
    client,
    desk_home,
    ledger,
    lines,
    post,
    signed_in,
)

if TYPE_CHECKING:
    from flask.testing import FlaskClient

    from registry.store.home import Ledger

__all__ = ["client", "desk_home", "ledger"]

KEY, OTHER_KEY = "0123456789abcdef" * 2, "f" * 32
DRAFT = {"form": 1, "at": 1, "marks": {"bones": {}}, "note": "thin cortex"}


def kept(client: FlaskClient) -> object:
    answer = client.get(f"/reading/{L4_LEFT}/draft")
    assert answer.status_code == 200
    assert answer.json is not None
    assert answer.headers["Cache-Control"] == "no-store"
    return answer.json["draft"]


def readings(ledger: Ledger) -> int:
    with ledger.reading() as session:
        return len(session.execute(select(Reading.id)).all())


def test_a_draft_is_its_own_accounts_alone_the_newest_counts_and_saving_ends_it(
    ledger: Ledger, client: FlaskClient
):
    other = signed_in(ledger, QUALITY_LEAD)
    address = f"/reading/{L4_LEFT}/draft"
    assert kept(client) is None
    for note in ("thin", "thin cortex"):
        sent = {"draft": {**DRAFT, "note": note}}
        assert post(client, address, sent).json == {"kept": True}
    assert kept(client) == DRAFT
    assert kept(other) is None
    assert post(other, address, {"draft": {"form": 1, "note": "mine"}}).status_code == 200
    assert kept(client) == DRAFT
    pages = [each.get(f"/reading/{L4_LEFT}").text for each in (client, other)]
    owners = {page.partition('data-owner="')[2][:16] for page in pages}
    assert len(owners) == 2
    assert post(client, f"/reading/{L4_LEFT}/save", {**ANSWER, "key": KEY}).status_code == 200
    # Neither draft is left, and nobody keeps another of what is not owed any more.
    with ledger.reading() as session:
        assert session.execute(select(ReadingDraft.document)).scalars().all() == [""]
    for each in (client, other):
        assert each.get(address).status_code == 404
        assert post(each, address, {"draft": DRAFT}).status_code == 404
    assert other.get(f"/reading/{L4_LEFT}").status_code == 404


def test_a_page_that_another_account_opened_keeps_and_saves_nothing(
    ledger: Ledger, client: FlaskClient
):
    page = signed_in(ledger, QUALITY_LEAD).get(f"/reading/{L4_LEFT}").text
    owner = page.partition('data-owner="')[2][:16]
    client.environ_base["HTTP_DESK_OWNER"] = owner
    for path, sent in (("draft", {"draft": DRAFT}), ("save", {**ANSWER, "key": KEY})):
        (told,) = lines(post(client, f"/reading/{L4_LEFT}/{path}", sent), 412)
        assert told == "somebody else is signed in in this browser now; sign in as before"
    assert client.get(f"/reading/{L4_LEFT}/draft").status_code == 412
    del client.environ_base["HTTP_DESK_OWNER"]
    assert kept(client) is None
    assert readings(ledger) == 0


def test_the_same_saving_is_answered_the_same_and_recorded_once(
    ledger: Ledger, client: FlaskClient
):
    address, sent = f"/reading/{L4_LEFT}/save", {**ANSWER, "key": KEY}
    first, again = (post(client, address, sent) for _ in range(2))
    assert first.json == again.json == {"next": f"/reading/{L4_RIGHT}?saved=yes"}
    assert readings(ledger) == 1
    # The page that holds the next screw already is told instead of its next page.
    in_place = post(client, address, {**sent, "in_place": f"/reading/{L4_RIGHT}"})
    assert in_place.json == {
        "next": f"/reading/{L4_RIGHT}",
        "told": "L4 left: medial 2.3 mm, grade C",
    }
    (told,) = lines(post(client, address, {**sent, "key": OTHER_KEY}), 409)
    assert told.startswith("you saved this reading at 10:30 already; what was changed since is not")
    (told,) = lines(post(client, address, {**sent, "key": "1; drop"}), 400)
    assert told.startswith("key: not in the form")
    assert readings(ledger) == 1


def test_what_is_no_draft_or_too_large_is_refused_and_what_is_old_goes(
    ledger: Ledger, client: FlaskClient
):
    address = f"/reading/{L4_LEFT}/draft"
    assert "not in the form" in lines(post(client, address, {"draft": [1]}), 400)[0]
    large = {"draft": {"note": "n" * LARGEST_DRAFT}}
    assert lines(post(client, address, large), 400)[0].startswith("draft: more marks than are kept")
    reader = viewer(ledger, REGISTRAR)
    keep_draft(ledger, reader, L4_LEFT, DRAFT, NOW)
    keep_draft(ledger, reader, L4_RIGHT, DRAFT, NOW + timedelta(days=KEPT_DAYS, minutes=1))
    with ledger.reading() as session:
        assert session.execute(select(ReadingDraft.assignment_id)).scalars().all() == [L4_RIGHT]
    # A withdrawn patient's drafts go with the rest; the second case has none.
    with ledger.untracked() as session:
        drop_drafts_of_cases(session, [2])
        assert session.execute(select(ReadingDraft.assignment_id)).scalars().all() == [L4_RIGHT]
        drop_drafts_of_cases(session, [1])
        assert session.execute(select(ReadingDraft.assignment_id)).scalars().all() == []
