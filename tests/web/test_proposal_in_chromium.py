"""The page with both readings in Chromium: by keys alone, and against axe-core's rules."""

from __future__ import annotations

from datetime import timedelta
from importlib.resources import files
from threading import Thread

import pytest
from playwright.sync_api import expect
from werkzeug.serving import make_server

from registry.actions.desk_answer import Submission
from registry.actions.record_reading import record_reading
from registry.domain.readings import Confidence, Method
from registry.store.queries.proposals import scans_to_propose
from registry.web.app import create_app
from tests.build.desk import L4_LEFT, L4_RIGHT, a_desk_ledger, ring_marks
from tests.build.ledgers import NOW, PASSWORD, REGISTRAR, local_operator, viewer
from tests.build.proposed import put_proposal

pytestmark = pytest.mark.browser

AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
BREACHED = Submission(Method.CONTOUR, ring_marks(-4.0), confidence=Confidence.HIGH)


@pytest.fixture
def page(browser, tmp_path):
    """Give the page of a reading that was just saved, with the next screw behind it."""
    ledger = a_desk_ledger(tmp_path / "ledger")
    with ledger.reading() as session:
        scan = scans_to_propose(session, [1])[0]
    with ledger.writing(local_operator(ledger), NOW) as work:
        put_proposal(work, scan_id=1, image_digest=scan.image_digest, screws=scan.logged)
    now = NOW + timedelta(hours=1)
    record_reading(ledger, viewer(ledger, REGISTRAR), L4_LEFT, BREACHED, now)
    server = make_server("127.0.0.1", 0, create_app(ledger, clock=lambda: now), threaded=True)
    thread = Thread(target=server.serve_forever)
    thread.start()
    context = browser.new_context(base_url=f"http://127.0.0.1:{server.server_port}")
    opened = context.new_page()
    opened.goto("/sign-in")
    opened.locator("[name=name]").fill(REGISTRAR.name)
    opened.locator("[name=password]").fill(PASSWORD)
    opened.get_by_role("button", name="Sign in").click()
    opened.get_by_role("heading", name="Where things stand").wait_for()
    opened.goto(f"/reading/made/1?next={L4_RIGHT}")
    yield opened
    context.close()
    server.shutdown()
    thread.join()
    server.server_close()
    ledger.close()


def test_the_page_breaks_no_rule_one_key_keeps_the_reader_s_own_and_a_reason_changes_it(page):
    page.evaluate(AXE)
    for width, scheme in ((1280, "light"), (320, "dark")):
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme=scheme)
        found = page.evaluate("() => axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21aa']})")
        assert [(rule["id"], width) for rule in found["violations"]] == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    expect(page.get_by_role("button", name="Keep mine and read the next screw")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="L4 right")).to_be_visible()
    page.wait_for_load_state("networkidle")
    # Or it is read again, with a reason.
    page.go_back()
    page.get_by_label("Why, in at most 100 characters").fill("took the rib for the wall")
    page.get_by_role("button", name="Read again with the proposal in view").click()
    expect(page.get_by_role("heading", name="L4 left")).to_be_visible()
    page.wait_for_load_state("networkidle")
    # The same tenths and names as in the table, pedicle walls first.
    expect(page.locator("#proposed-measured")).to_contain_text(
        "The program measured medial 0.0 ± 0.4 mm, lateral 0.0 ± 0.4 mm, cranial 0.0 ± 0.4 mm"
    )
