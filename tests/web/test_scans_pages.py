"""The pages of what came in: sent up in pieces, listed, closed, dropped, by whom it may be."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pytest

from registry.actions.accounts import acting
from registry.actions.arrivals import arrivals, open_arrival
from registry.domain.arrivals import ArrivalSource, ArrivalState
from registry.store.queries.arrivals import change_arrival
from registry.web.pages.scans.sizes import PIECE_BYTES
from registry.web.paging import PAGE_SIZE
from tests.build.ledgers import NOW, QUALITY_LEAD, REGISTRAR, STEWARD, SURGEON
from tests.web.every_route import token_of
from tests.web.reading_pages import table_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from registry.actions.arrivals import Arrival
    from registry.store.home import Ledger
    from tests.build.ledgers import KnownAccount

    ClientOf = Callable[[KnownAccount], FlaskClient]

WORD = "ab" * 16
CONTENT = bytes(range(250)) * 10


class Sender:
    """Somebody's browser, with its form token."""

    def __init__(self, client: FlaskClient) -> None:
        self.client = client
        self.token = token_of(client)
        answer = self.post("/scans/add")
        assert answer.json is not None
        self.address: str = answer.json["address"]

    def post(self, address: str, **sent: object) -> TestResponse:
        headers = {"X-CSRFToken": self.token, "Accept": "application/json"}
        headers |= sent.pop("headers", {})  # type: ignore[arg-type]
        return self.client.post(address, headers=headers, **sent)  # type: ignore[arg-type]

    def piece(
        self,
        content: bytes = CONTENT,
        *,
        start: int = 0,
        size: int | None = None,
        word: str = WORD,
        mimetype: str = "application/octet-stream",
    ) -> TestResponse:
        whole = len(content) if size is None else size
        says = {"File-Word": word, "File-Start": str(start), "File-Size": str(whole)}
        return self.post(f"{self.address}/files", data=content, content_type=mimetype, headers=says)

    def form(self, deed: str) -> TestResponse:
        return self.client.post(f"{self.address}/{deed}", data={"csrf_token": self.token})


@pytest.fixture
def sender(client_of: ClientOf) -> Sender:
    return Sender(client_of(REGISTRAR))


def the_one(ledger: Ledger) -> Arrival:
    (found,) = arrivals(ledger, acting(ledger, None))
    return found


def test_a_file_goes_up_in_pieces_and_each_answer_says_how_much_is_safe(
    ledger: Ledger, sender: Sender
):
    assert sender.piece(CONTENT[:2000], size=2500).json == {"held": 2000}
    held = sender.post(f"{sender.address}/held", json=[WORD, "cd" * 16])
    assert held.json == {"held": {WORD: 2000, "cd" * 16: 0}}
    assert sender.piece(CONTENT[2000:], start=2000, size=2500).json == {"held": 2500}
    assert sender.post(f"{sender.address}/held", json=[WORD]).json == {"held": {WORD: None}}
    found = the_one(ledger)
    assert (found.files, found.size_bytes, found.opened_by) == (1, 2500, REGISTRAR.name)


def test_what_is_said_to_be_all_is_looked_through_next_and_takes_no_more(
    ledger: Ledger, sender: Sender
):
    assert "nothing has come in yet" in sender.form("finish").text.lower()
    sender.piece()
    assert sender.form("finish").location == sender.address
    assert the_one(ledger).state is ArrivalState.RECEIVED
    refused = sender.piece(word="cd" * 16)
    assert refused.status_code == 409
    assert refused.json is not None
    assert "nothing more can be added" in refused.json["problem"][0]
    told = sender.client.get(f"{sender.address}.json").json
    assert told is not None
    assert (told["state"], told["goes_on_by_itself"]) == ("received", True)
    assert "Waiting to be looked through." in sender.client.get(sender.address).text


def test_a_body_that_is_cut_short_or_is_not_what_the_script_sends_leaves_nothing(
    ledger: Ledger, sender: Sender
):
    # 2,000 bytes come where the header has announced 2,500: the line broke.
    cut = sender.client.post(
        f"{sender.address}/files",
        input_stream=io.BytesIO(CONTENT[:2000]),
        environ_overrides={"CONTENT_LENGTH": "2500"},
        content_type="application/octet-stream",
        headers={
            "X-CSRFToken": sender.token,
            "Accept": "application/json",
            "File-Word": WORD,
            "File-Start": "0",
            "File-Size": "2500",
        },
    )
    assert cut.status_code == 400
    for wrong in (
        sender.piece(mimetype="multipart/form-data"),
        sender.piece(word="a name"),
        sender.piece(size=-1),
        sender.piece(size=100),
        sender.piece(start=10),
        sender.piece(b"", size=10),
        sender.piece(b"a" * (PIECE_BYTES + 1)),
        sender.post(f"{sender.address}/held", json={"a": 1}),
        sender.post(f"{sender.address}/held", json=["a name"]),
    ):
        assert wrong.status_code == 400, wrong.text
    assert (the_one(ledger).files, the_one(ledger).size_bytes) == (0, 0)


def test_nothing_larger_than_the_program_takes_is_read_into_memory(sender: Sender):
    assert sender.piece(b"a" * (3 * PIECE_BYTES)).status_code == 413


def test_a_full_disk_is_told_in_words(sender: Sender, ledger: Ledger):
    (ledger.home / "incoming").mkdir(exist_ok=True)
    folder = next((ledger.home / "incoming").iterdir(), None)
    assert folder is None
    (ledger.home / "incoming").rmdir()
    (ledger.home / "incoming").write_bytes(b"")  # nothing can be made in it
    refused = sender.piece()
    assert refused.status_code == 507
    assert refused.json is not None
    assert "there is no place for what comes in" in refused.json["problem"][0]


def test_the_list_says_how_far_each_is_and_a_dropped_one_is_gone(ledger: Ledger, sender: Sender):
    sender.piece()
    page = sender.client.get("/scans/").text
    assert "None waits for a person." in page
    heading, row = table_rows(page)
    assert heading == ["Came in", "How far", "How", "Files", "Size"]
    by = f"Sent up by {REGISTRAR.name}."
    assert row[1:] == ["Files are coming in: 1 so far.", by, "1", "0.0 MB"]
    assert sender.form("cancel").location == "/scans/"
    assert the_one(ledger).state is ArrivalState.CANCELLED
    assert f"Cancelled by {REGISTRAR.name}." in sender.client.get("/scans/").text
    assert f"Cancelled by {REGISTRAR.name}." in sender.client.get(sender.address).text
    assert not [path for path in (ledger.home / "incoming").rglob("*") if path.is_file()]


@pytest.mark.parametrize("account", [SURGEON, STEWARD], ids=lambda each: each.name)
def test_whoever_may_not_attach_scans_sees_none_of_it(
    account: KnownAccount, client_of: ClientOf, sender: Sender
):
    other = client_of(account)
    for path in ("/scans/", "/scans/add", sender.address, f"{sender.address}.json"):
        assert other.get(path).status_code == 403
    assert 'href="/scans/"' not in other.get("/").text
    assert 'href="/scans/"' in sender.client.get("/").text
    assert client_of(QUALITY_LEAD).get(sender.address).status_code == 200


def test_an_arrival_that_is_not_there_has_no_page(client_of: ClientOf):
    client = client_of(REGISTRAR)
    assert client.get("/scans/99").status_code == 404
    assert client.get("/scans/99.json").status_code == 404


def test_a_long_list_has_pages_and_what_waits_is_on_the_first(ledger: Ledger, client_of: ClientOf):
    client, local = client_of(REGISTRAR), acting(ledger, None)
    failed = open_arrival(ledger, local, ArrivalSource.RECEIVER, NOW)
    with ledger.untracked() as session:
        change_arrival(
            session, failed, {ArrivalState.RECEIVING}, state="failed", message="it broke"
        )
    for _ in range(PAGE_SIZE):
        open_arrival(ledger, local, ArrivalSource.RECEIVER, NOW)
    first = client.get("/scans/").text
    assert f'href="/scans/{failed}"' in first
    assert "1 to 100 of 101" in first
    assert f'href="/scans/{failed}"' not in client.get("/scans/?page=2").text
    page = client.get(f"/scans/{failed}").text
    assert "It broke." in page
    token = token_of(client)
    answer = client.post(f"/scans/{failed}/again", data={"csrf_token": token})
    assert answer.location == f"/scans/{failed}"
    assert client.post(f"/scans/{failed}/again", data={"csrf_token": token}).status_code == 409


def test_a_study_that_an_archive_sends_is_followed(ledger: Ledger, client_of: ClientOf):
    client = client_of(REGISTRAR)
    coming = open_arrival(ledger, acting(ledger, None), ArrivalSource.RECEIVER, NOW)
    page = client.get(f"/scans/{coming}").text
    assert "Files are coming in: 0 so far." in page
    assert "following.js" in page
    assert "pick-folder" not in page
    told = client.get(f"/scans/{coming}.json").json
    assert told is not None
    assert told["goes_on_by_itself"]
