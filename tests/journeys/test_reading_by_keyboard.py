"""A breached screw read by the keyboard alone, from signing in to saving."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from tests.journeys.at_the_desk import Desk, expect_no_faults, find_screws, owed, tab_to_element
from tests.journeys.browsing import PASSWORD, tab_to
from tests.journeys.cortex_by_gradient import outlines
from tests.journeys.rays_at_the_desk import RayHand
from tests.journeys.test_reading_by_mouse import WALLS, assert_near_truth, stored
from tests.journeys.units import PERSONS

pytestmark = pytest.mark.browser

TO_BE_READ = ("T12 right",)
"""Through the lateral wall: its rays have to begin in the pedicle's middle. More are read in
`test_from_a_proposal.py`, and ten in `tests/long/test_ten_screws_read.py`."""
SECTIONS = 3

TELL_THE_MOUSE = """
for (const kind of ["pointerdown", "mousedown", "wheel", "touchstart"]) {
    document.addEventListener(kind, () => console.error(`by mouse: ${kind}`), {capture: true});
}
"""


def typed(page, label, text):
    tab_to(page, label)
    page.keyboard.type(text)


def read_by_keys(page, shank_mm):
    """Find, mark along the rays and save by keys; return what the page said."""
    desk = Desk(page)
    desk.find_by_keys(shank_mm)
    expect(page.locator("#section")).to_be_focused()
    page.keyboard.press("r")
    seen = outlines(desk.sections.values, desk.depths_mm, desk.sections.layout["spacing_mm"])
    chosen = [seen[round(at * (len(seen) - 1) / (SECTIONS - 1))] for at in range(SECTIONS)]
    desk.marked(RayHand(desk).mark(chosen))
    expect_no_faults(page)
    told = desk.told()
    page.keyboard.press("s")
    expect(page.locator("#confidence-high")).to_be_focused()
    page.keyboard.press("Space")
    tab_to_element(page, "#save")
    before = page.url
    page.keyboard.press("Enter")
    page.wait_for_url(lambda url: url != before)
    return told


def test_a_breached_screw_is_found_and_read_by_keys_as_it_was_drawn(own_unit_with_ct, visiting):
    served = own_unit_with_ct
    visit = visiting(served)
    visit.context.add_init_script(TELL_THE_MOUSE)
    page = visit.page
    address = served.address.rstrip("/")
    invited = ("account", "add", "keys", "--role", "registrar", "--address", address)
    told = served.run(*invited, "--person", PERSONS["registrar"])
    link = told.splitlines()[0]
    page.goto(link)
    for label in ("New password", "The same again"):
        typed(page, label, PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_role("status")).to_have_text("The password is set. Sign in with it.")
    typed(page, "Account name", "keys")
    typed(page, "Password", PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Where things stand")).to_be_visible()
    tab_to(page, "The whole worklist")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Worklist")).to_be_visible()
    places = find_screws(page, owed(page))
    found = {}
    for name in TO_BE_READ:
        tab_to(page, name)
        page.keyboard.press("Enter")
        expect(page.locator("h1")).to_have_text(name)
        found[name] = read_by_keys(page, places[name])
        expect(page.get_by_role("status")).to_contain_text("The last reading was saved.")
        tab_to(page, "Back to the worklist")
        page.keyboard.press("Enter")
        expect(page.get_by_role("heading", name="Worklist")).to_be_visible()
        assert name not in owed(page)
    assert_near_truth(found)
    readings, consensuses = stored(served.home)
    for name, numbers in found.items():
        on_page = [numbers.mm(wall) for wall in WALLS]
        assert readings[name][:4] == consensuses[name][:4] == on_page
