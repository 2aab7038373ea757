"""A quality lead's end of a quarter, by keyboard alone: action, comment, seal, file, pack."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect
from werkzeug.serving import make_server

from registry.actions.initialise import initialise
from registry.store.sealing.checking import check_sealed
from registry.web.app import create_app
from tests.build.loaded import NOW, PASSWORD
from tests.build.sealable import LATER, PERIOD, fill_sealable
from tests.journeys.browsing import go_by_group, sign_in, tab_to, visit
from tests.journeys.program import Served

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.browser


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    """Give a quarter that nothing keeps from its seal, served as on a day after its delay."""
    ledger = initialise(tmp_path / "home", {}, NOW)
    fill_sealable(ledger)
    app = create_app(ledger, clock=lambda: LATER)
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield Served(ledger.home, f"http://127.0.0.1:{server.port}/")
    server.shutdown()
    thread.join()
    ledger.close()


def test_a_lead_seals_a_quarter_keeps_its_file_and_makes_a_pack_without_a_mouse(served, browser):
    begun = visit(browser, served)
    page = begun.page
    sign_in(page, served.address, "lena", PASSWORD)
    page.wait_for_url(lambda address: "sign-in" not in address)

    def enter() -> None:
        with page.expect_navigation():
            page.keyboard.press("Enter")

    def go(name: str) -> None:
        tab_to(page, name)
        enter()

    def write(label: str, words: str) -> None:
        tab_to(page, label)
        page.keyboard.type(words)

    go_by_group(page, "Quarter", "Quarters")
    go(f"{PERIOD}: close it")
    expect(page.get_by_text("Nothing stands in the way.")).to_be_visible()
    go("its actions")
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Actions of {PERIOD}")
    write("What is done", "Ask for thinner slices")
    write("Owner: who does it", "Rita Reader")
    write("Due day", "06302026")
    enter()
    expect(page.get_by_role("cell", name="2026-06-30")).to_be_visible()
    go(f"Close {PERIOD}")
    write("Comment (other leads read it; it does not stand in the report)", "Two scans came late.")
    go("Keep the comment")
    expect(page.get_by_role("status")).to_contain_text("The comment is kept")
    write("Your password, to seal", PASSWORD)
    enter()
    expect(page.get_by_role("status")).to_contain_text(f"{PERIOD} is sealed")
    expect(page.get_by_role("heading", level=1)).to_have_text(f"{PERIOD}, sealed")
    tab_to(page, f"{PERIOD}.sealed")
    with page.expect_download() as kept:
        page.keyboard.press("Enter")
    found = check_sealed(kept.value.path().read_bytes())
    assert found.wrong == ()
    assert b"Ask for thinner slices" in found.files[f"{PERIOD}.html"]
    go("All quarters")
    expect(page.get_by_role("link", name=f"{PERIOD}: sealed files")).to_be_visible()

    go_by_group(page, "Quarter", "Meeting pack")
    go("List the screws")
    tab_to(page, "L3 left")
    page.keyboard.press("Space")
    go("Go on with the ticked ones")
    write("File", "web")
    # The password was entered with the seal.
    tab_to(page, "Make the pack")
    with page.expect_download() as kept:
        page.keyboard.press("Enter")
    assert "Screw 1: L3 left" in kept.value.path().read_text(encoding="utf-8")
    begun.end()
