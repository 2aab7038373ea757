"""Two readers at one screw, what becomes of it when they differ, and who decides: in Chromium."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect

from registry.actions.initialise import initialise
from tests.build.chromium import enter
from tests.build.ledgers import NOW, PASSWORD, QUALITY_LEAD, REGISTRAR
from tests.build.two_readings import JUDGE, SECOND_READER, fill_for_two
from tests.journeys.program import serving
from tests.journeys.test_every_page_is_accessible import overflow, violations

pytestmark = pytest.mark.browser

WALLS = ("medial", "lateral", "cranial", "caudal")


@pytest.fixture
def served(tmp_path):
    """Serve a ledger with four screws to be read, for this test alone."""
    ledger = initialise(tmp_path / "home", {}, NOW)
    fill_for_two(ledger)
    ledger.close()
    with serving(tmp_path / "home") as found:
        yield found


@pytest.fixture
def come(served, visiting):
    """Give `come(account)`: a page on which that account has signed in, in its own window."""

    def start(account, **options):
        visit = visiting(served, **options)
        enter(visit.context, served.address, account.name, PASSWORD)
        return visit

    return start


def open_screw(visit, name):
    page = visit.open("/worklist")
    page.get_by_role("link", name=name, exact=True).click()
    page.locator("#metal[data-scale]").wait_for()
    return page


def type_extents(page, medial):
    page.locator("#way-typed").check()
    for wall in WALLS:
        page.locator(f"#typed-{wall}").fill(medial if wall == "medial" else "0")
    page.locator("#confidence-low").check()


def save(page):
    before = page.url
    page.locator("#save").click()
    page.wait_for_url(lambda url: url != before)


def assert_good(page):
    for width in (1280, 320):
        page.set_viewport_size({"width": width, "height": 800})
        assert violations(page) == [], width
        assert overflow(page) <= 0, width


def test_two_save_a_screw_at_once_and_the_one_who_is_late_is_told_and_loses_nothing(come):
    rita, ruth = come(REGISTRAR), come(SECOND_READER)
    pages = [open_screw(visit, "L4 left") for visit in (rita, ruth)]
    for page, medial in zip(pages, ("1.0", "1.4"), strict=True):
        type_extents(page, medial)
        page.locator("#note").fill("seen on two planes")
    # What is kept of hers as she goes may come before the other reading stands, or after it.
    ruth.watch.refusals |= {404, 409}
    save(pages[0])
    pages[1].locator("#save").click()
    expect(pages[1].locator("#save-faults")).to_contain_text("made meanwhile; nothing was saved")
    expect(pages[1].locator("#save-faults")).to_contain_text("stays on the page")
    expect(pages[1].locator("#typed-medial")).to_have_value("1.4")
    expect(pages[1].locator("#note")).to_have_value("seen on two planes")
    expect(pages[1].locator("#save")).to_be_enabled()


def test_two_differ_a_third_is_appointed_and_decides_and_the_screw_s_page_says_so(come):
    rita, ruth, lena = come(REGISTRAR), come(SECOND_READER), come(QUALITY_LEAD)
    for visit, medial in ((rita, "1.0"), (ruth, "5.0")):
        page = open_screw(visit, "L4 left")
        type_extents(page, medial)
        save(page)
    page = lena.open("/adjudications/")
    expect(page.get_by_role("table")).to_contain_text("any lead")
    assert_good(page)
    page.get_by_label("Who decides L4 left").select_option(label="Ruth Second")
    lena.watch.refusals.add(400)
    page.get_by_role("button", name="Appoint for L4 left").click()
    expect(page.get_by_role("alert")).to_contain_text("Ruth Second has read this screw")
    page.get_by_label("Who decides L4 left").select_option(label="Jana Judge")
    page.get_by_role("button", name="Appoint for L4 left").click()
    expect(page.get_by_role("table")).to_contain_text("Jana Judge")
    jana = come(JUDGE)
    page = open_screw(jana, "L4 left, adjudication")
    for hidden in ("Rita", "Ruth", "1.0 mm", "5.0 mm"):
        assert hidden not in page.content()
    type_extents(page, "4.4")
    save(page)
    page = lena.open("/cases/1")
    page.get_by_role("link", name="medial 4.4 mm").click()
    main = page.locator("main")
    expect(main).to_contain_text("grades B and D, and the greatest extents 1.0 and 5.0 mm lie on")
    expect(main).to_contain_text("An adjudicator has decided: the adjudication counts.")
    expect(page.locator("tbody tr")).to_have_count(3)
    page.locator("summary").first.click()
    assert_good(page)
    assert_good(lena.open("/second-readings"))
    expect(lena.page.locator("main")).to_contain_text("low confidence")


def test_a_reader_makes_a_reading_again_by_keyboard(come):
    rita = come(REGISTRAR)
    page = open_screw(rita, "L3 left")
    type_extents(page, "1.0")
    save(page)
    page = rita.open("/worklist")
    page.get_by_role("link", name="What you have read").click()
    page.locator("summary").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.type("the wrong level")
    assert_good(page)
    page.keyboard.press("Enter")
    page.locator("#metal[data-scale]").wait_for()
    expect(page.locator("h1")).to_have_text("L3 left")
    type_extents(page, "3.4")
    save(page)
    page = rita.open("/my-readings/")
    expect(page.locator("tbody tr")).to_have_count(1)
    expect(page.locator("tbody tr")).to_contain_text("C")
