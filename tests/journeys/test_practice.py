"""A new reader practises first and sees the truth beside each reading, the lead what was missed."""

from __future__ import annotations

import os

import pytest
from playwright.sync_api import expect

from registry.actions.teaching import make_teaching_set
from registry.cli.demo_teaching import COARSE
from registry.cli.drawing import drawn
from registry.domain.known_truth import Purpose
from registry.store.home import open_ledger
from tests.build.chromium import enter
from tests.build.ledgers import NOW, PASSWORD, QUALITY_LEAD, REGISTRAR, a_ledger, local_operator
from tests.journeys.program import serving
from tests.journeys.test_every_page_is_accessible import overflow, violations

pytestmark = pytest.mark.browser

SEED = 100_002
"""Its first screw, L3 left, stands outside by more than 4 mm."""
WALLS = ("medial", "lateral", "cranial", "caudal")


@pytest.fixture
def served(tmp_path):
    home = tmp_path / "home"
    a_ledger(home).close()
    (home / "config.toml").write_text("practice_screws = 1\n", encoding="utf-8")
    ledger = open_ledger(home, {})
    scan = (Purpose.PRACTICE, drawn(SEED, Purpose.PRACTICE, **COARSE))
    make_teaching_set(ledger, local_operator(ledger), [scan], NOW)
    ledger.close()
    with serving(home) as running:
        yield running


def assert_good(page, name):
    for width, scheme in ((1280, "light"), (320, "dark")):
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme=scheme)
        assert violations(page) == [], (name, width)
        assert overflow(page) <= 0, (name, width)
        if folder := os.environ.get("PEDICLE_LEDGER_TEST_PICTURES"):
            page.screenshot(path=f"{folder}/{name}-{width}.png", full_page=True)
    page.set_viewport_size({"width": 1280, "height": 800})
    page.emulate_media(color_scheme="light")


def test_practice_comes_first_and_shows_the_truth_after_each_reading(served, visiting):
    rita = visiting(served)
    enter(rita.context, served.address, REGISTRAR.name, PASSWORD)
    page = rita.open("/worklist")
    expect(
        page.get_by_text("Practice comes before the unit's own screws: 1 to go.")
    ).to_be_visible()
    page.get_by_role("link", name="Go on with your practice").click()
    page.get_by_role("button", name="Begin with a drawn scan").click()
    page.locator("#metal[data-scale]").wait_for()
    name = page.locator("h1").inner_text()
    page.locator("#way-typed").check()
    for wall in WALLS:
        page.locator(f"#typed-{wall}").fill("0")
    page.locator("#confidence-high").check()
    page.locator("#save").click()
    page.get_by_role("heading", name=f"{name}: yours and the truth").wait_for()
    expect(page.get_by_role("status")).to_contain_text("2 mm or more outside, read as less")
    picture = page.get_by_role("img", name=f"{name} as it was drawn")
    assert picture.evaluate("image => image.decode().then(() => image.naturalWidth)") == 1236
    assert_good(page, "practice-beside")
    # One was asked for: nothing of the unit's is owed here, and the rest of the scan may be read.
    expect(rita.open("/worklist").get_by_text("Nothing is owed")).to_be_visible()
    page.get_by_role("link", name="Practice on drawn screws").click()
    expect(page.get_by_role("link", name="Read the next practice screw")).to_be_visible()
    expect(page.locator("tbody tr", has_text=name)).to_have_count(1)
    assert_good(page, "practice")

    lena = visiting(served)
    enter(lena.context, served.address, QUALITY_LEAD.name, PASSWORD)
    page = lena.open("/known-truth?of=practice")
    expect(page.locator("tbody tr", has_text="Rita Reader").first).to_be_visible()
    expect(page.get_by_text("1 was read as less")).to_be_visible()
    missed = page.get_by_role("img", name="Rita Reader kept no picture")
    assert missed.evaluate("image => image.decode().then(() => image.naturalWidth)") == 1236
    assert_good(page, "known-truth")
