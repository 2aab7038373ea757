"""A ten-screw case entered by the keyboard alone, its presses counted; the page as it is filled.

Each typed character counts as a press, and so does each key; a key held with another counts as two.
"""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from demo_data.scenario import people
from tests.journeys.browsing import focused_name
from tests.journeys.program import serving
from tests.journeys.test_every_page_is_accessible import assert_good
from tests.journeys.units import copied

pytestmark = pytest.mark.browser

SECONDS_A_PRESS = 0.2
MOST_SECONDS = 60
TELL_THE_MOUSE = """
for (const kind of ["pointerdown", "mousedown", "wheel", "touchstart"]) {
    document.addEventListener(kind, () => console.error(`by mouse: ${kind}`), {capture: true});
}
"""
STICKER = "(01)51022222233336(11)141231(17)150707(10)A213B1(21)1234"
"""FDA, UDI formats by FDA-accredited issuing agency, version 1.3, 2017."""


class Keyboard:
    """A keyboard that counts its presses."""

    def __init__(self, page):
        self.page = page
        self.presses = 0

    def press(self, *keys):
        for key in keys:
            self.page.keyboard.press(key)
            self.presses += key.count("+") + 1

    def type(self, text):
        self.page.keyboard.type(text)
        self.presses += len(text)

    def fill(self, label, text):
        """Type into the field that has the focus, and go on to the next."""
        assert focused_name(self.page) == label
        self.type(text)
        self.press("Tab")


@pytest.fixture
def own_unit(made_unit, tmp_path):
    with serving(copied(made_unit, tmp_path / "home")) as served:
        yield served


def enter_by_keys(keys):
    """Type a case of T12 to L5 on both sides but for L1, with three screws of another size."""
    keys.fill("Case reference", "OP-9001")
    keys.fill("Patient's hospital number", "700123")
    keys.fill("Day of operation", "2026-03-02")
    keys.fill("Responsible surgeon", people.DEGENERATIVE_SURGEON)
    for label in ("Second surgeon", "Assistants", "Patient's birth date"):
        keys.fill(label, "")
    keys.fill("Indication", "fracture")
    keys.fill("Primary or revision", "p")
    keys.fill("Approach", "o")
    for label in ("Cobb angle, degrees", "Bone quality", "Body mass index"):
        keys.fill(label, "")
    keys.fill("Why there is no CT", "")
    keys.fill("From level", "t12")
    keys.fill("To level", "l5")
    for label in ("Sides", "Vertebra that few people have"):
        keys.fill(label, "")
    keys.fill("Diameter, mm", "6.5")
    keys.fill("Length, mm", "45")
    keys.fill("Guidance", "fl")
    keys.fill("Operator", people.DEGENERATIVE_SURGEON)
    for label in ("Operator's grade", "Supervision", "Alloy", "Entry, cervical"):
        keys.fill(label, "")
    keys.fill("Entry, thoracic", "s")
    keys.fill("Entry, lumbar", "l")
    # From here Shift and Tab would go back: Enter in a field lays the construct out.
    keys.press("Tab", "Tab", "Enter")
    expect(keys.page.locator("#construct")).to_be_visible()
    expect(keys.page.get_by_role("group", name="T12 left", exact=True)).to_be_focused()
    # The broken L1 has none; at L3 left it is wider; at L4 it is longer on both sides.
    keys.press("ArrowDown", "Delete", "ArrowRight", "Delete")
    keys.press("ArrowDown", "ArrowDown", "ArrowLeft")
    keys.type("7")
    keys.press("Escape", "ArrowDown")
    for side in ("left", "right"):
        expect(keys.page.get_by_role("group", name=f"L4 {side}", exact=True)).to_be_focused()
        keys.press("Enter", "Tab", "Tab")
        keys.type("50")
        keys.press("Escape", "ArrowRight")
    keys.press("Control+Enter")


def test_a_ten_screw_case_by_keyboard_alone_takes_less_than_a_minute(own_unit, signed_in):
    visit = signed_in(own_unit, "registrar")
    visit.context.add_init_script(TELL_THE_MOUSE)
    page = visit.open("/cases/new")
    expect(page.get_by_label("Case reference")).to_be_focused()
    keys = Keyboard(page)
    enter_by_keys(keys)
    page.wait_for_url(re.compile(r"/cases/new/saved/\d+$"))
    expect(page.get_by_role("heading", name="Case OP-9001 is saved")).to_be_visible()
    expect(page.get_by_text("10 screws entered, 10 of them placed, from T12 to L5")).to_be_visible()
    assert_good(page, 320, "dark")
    seconds = keys.presses * SECONDS_A_PRESS
    print(f"a case of ten screws: {keys.presses} presses, {seconds:.1f} s at 200 ms a press")
    assert seconds < MOST_SECONDS
    # Who may see cases finds the exceptions and the rest as they were typed.
    number = page.url.rpartition("/")[2]
    lead = signed_in(own_unit, "quality lead")
    case = lead.open(f"/cases/{number}")
    rows = {
        row.locator("th").inner_text(): row.locator("td").all_inner_texts()
        for row in case.locator("table.construct tbody tr").all()
    }
    assert list(rows) == ["T12", "L2", "L3", "L4", "L5"]
    assert "subfacet, fluoroscopy, 6.5 x 45.0 mm" in rows["T12"][0]
    assert "7.0 x 45.0 mm" in rows["L3"][0]
    assert all("lateral intersection, fluoroscopy, 6.5 x 50.0 mm" in told for told in rows["L4"])
    expect(case.get_by_text("L1: no screw at this level of the construct")).to_be_visible()


def test_notes_stickers_and_faults_on_the_page_itself(own_unit, signed_in):
    visit = signed_in(own_unit, "registrar")
    visit.watch.refusals |= {400, 409}
    page = visit.open("/cases/new")
    keys = Keyboard(page)
    for label, text in {
        "Case reference": "OP-9002",
        "Patient's hospital number": "700124",
        "Day of operation": "2026-03-02",
        "Responsible surgeon": "Nina Neu",
        "From level": "L3",
        "To level": "S1",
        "Diameter, mm": "6.5",
    }.items():
        page.get_by_label(label, exact=True).fill(text)
    page.get_by_label("Guidance").select_option("navigation")
    page.get_by_label("Entry, lumbar").select_option("isthmus")
    page.get_by_label("Entry, sacral").select_option("sacral facet corner")
    page.get_by_label("To level").press("Enter")
    expect(page.get_by_role("group", name="L3 left", exact=True)).to_be_focused()
    assert_good(page, 1280, "light")
    assert_good(page, 320, "dark")
    notes = page.locator("#notes li")
    expect(notes).to_have_count(2)
    expect(notes.first).to_have_text("L3 L: isthmus entry at the top of the construct")
    # Emptied by a key, the level above is none any more, and the notes follow.
    keys.press("Delete", "ArrowRight", "Delete")
    expect(notes.first).to_have_text("L4 L: isthmus entry at the top of the construct")
    keys.press("Delete")
    expect(notes).to_have_text(
        ["L3 R: isthmus entry at the top of the construct", "L3 L: no screw on this side"]
    )
    # A wedge scanner types a sticker, with Enter at its end: on to the next level's sticker.
    place = page.get_by_role("group", name="L4 left", exact=True).first
    place.locator("summary").press("Enter")
    sticker = page.locator('[id="field-L4.L.1.implant_identifier"]')
    sticker.focus()
    keys.type(STICKER)
    keys.press("Enter")
    expect(page.locator('[id="field-L5.L.1.implant_identifier"]')).to_be_focused()
    told = page.locator('[data-sticker="L4.L.1"] li')
    expect(told.first).to_have_text(re.compile("device 51022222233336, lot A213B1"))
    expect(told.last).to_have_text(re.compile("had expired on the day of operation"))
    # Ctrl and ] is how such a scanner types the separator; it comes back from the server whole.
    keys.type("0151022222233336")
    keys.type("10A213B1")
    keys.press("Control+]")
    keys.type("2117")
    expect(page.locator('[data-sticker="L5.L.1"] li').first).to_have_text(
        re.compile("lot A213B1, serial number 17")
    )
    assert_good(page, 1280, "dark")
    keys.press("Control+Enter")
    expect(page.get_by_role("alert")).to_contain_text("nobody is known as 'Nina Neu'")
    expect(page.get_by_label("Responsible surgeon")).to_be_focused()
    kept = page.locator('[id="field-L5.L.1.implant_identifier"]')
    expect(kept).to_have_value("015102222223333610A213B1\x1d2117")
    assert_good(page, 1280, "light")
    assert_good(page, 320, "light")
    page.get_by_label("Nina Neu is new: add this person").press("Space")
    page.locator("#save").press("Enter")
    expect(page.get_by_role("heading", name="Case OP-9002 is saved")).to_be_visible()


def test_the_page_works_without_scripts(own_unit, signed_in):
    visit = signed_in(own_unit, "registrar")
    state = visit.context.storage_state()
    plain = visit.context.browser.new_context(java_script_enabled=False, storage_state=state)
    page = plain.new_page()
    page.goto(own_unit.url("/cases/new"))
    for label, text in {
        "Case reference": "OP-9003",
        "Patient's hospital number": "700125",
        "Day of operation": "2026-03-02",
        "Responsible surgeon": people.DEGENERATIVE_SURGEON,
        "From level": "L4",
        "To level": "L5",
    }.items():
        page.get_by_label(label, exact=True).fill(text)
    page.get_by_label("Guidance").select_option("freehand")
    page.get_by_label("Entry, lumbar").select_option("isthmus")
    page.get_by_role("button", name="Lay the construct out").click()
    expect(page.get_by_text("L4 L: isthmus entry at the top of the construct")).to_be_visible()
    page.get_by_label("L5 right, Life").select_option("")
    page.get_by_role("button", name="Save the case").click()
    expect(page.get_by_text("3 screws entered, 3 of them placed, from L4 to L5")).to_be_visible()
    plain.close()
