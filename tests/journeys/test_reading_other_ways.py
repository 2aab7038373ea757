"""The other ways to answer at the desk, what the desk gives away, and whom it leaves out."""

from __future__ import annotations

import sqlite3

import numpy as np
import pytest
from playwright.sync_api import expect

from tests.build.drawn_study import SCANNED_ON
from tests.journeys.at_the_desk import WALLS, Desk, expect_no_faults, find_screws, owed
from tests.journeys.cortex_by_gradient import outlines
from tests.journeys.test_every_page_is_accessible import overflow, violations
from tests.journeys.test_reading_by_mouse import WITHIN_MM, stored, truth_of_all
from tests.journeys.test_registrar import TELLING, found_in
from tests.journeys.units import drawn_case

pytestmark = pytest.mark.browser

TYPED = {"medial": "0", "lateral": "1.5", "cranial": "0", "caudal": "0"}


def opened(page, served, name):
    page.goto(served.url("worklist"))
    page.get_by_role("link", name=name, exact=True).click()
    return Desk(page)


def outline_at_the_narrowest(desk):
    seen = outlines(desk.sections.values, desk.depths_mm, desk.sections.layout["spacing_mm"])
    return min(seen, key=lambda outline: outline.area_mm2)


def read_by_calliper(desk, shank_mm):
    """Draw the line from the cortex, where it goes in behind the metal, to the screw's far edge."""
    desk.find_by_mouse(shank_mm)
    desk.choose("calliper")
    outline = outline_at_the_narrowest(desk)
    marks = outline.marks(12)
    cortex = float(np.mean([marks[0][0], marks[-1][0]]))
    desk.go_to(outline.depth_mm)
    desk.click_section((cortex, 0.0), (desk.diameter_mm / 2, 0.0))
    for wall in ("lateral", "cranial", "caudal"):
        desk.page.locator(f'#answers input[name="contained"][value="{wall}"]').check()
    expect_no_faults(desk.page)
    expect(desk.page.locator("#outcome-told")).not_to_contain_text("not measured")
    return desk.told()


def look_through(desk):
    """Bring every section on screen, one after the other, and one picture along the axis."""
    page, strip = desk.page, desk.page.locator("#strip")
    by_eye, left = page.locator("#way-by-eye"), page.locator("#eye-left")
    expect(by_eye).to_be_disabled()
    page.locator("#section").scroll_into_view_if_needed()
    strip.focus()
    page.keyboard.press("Home")
    for depth in desk.depths_mm[:-1]:
        desk.in_focus(depth)
        # Drawn is not yet noted as seen: the browser tells a moment later what is in view.
        strip.locator(f'[data-depth="{depth:g}"]:not(.unseen)').wait_for()
        expect(by_eye).to_be_disabled()
        page.keyboard.press("ArrowRight")
    desk.in_focus(desk.depths_mm[-1])
    page.locator("#along").scroll_into_view_if_needed()
    expect(left).to_have_text("every section and a picture along the axis were on screen")
    expect(by_eye).to_be_enabled()


def database_rows(home, query, *values):
    with sqlite3.connect(home / "ledger.sqlite") as database:
        return database.execute(query, values).fetchall()


def methods(home):
    """Return how each screw of the drawn case was read, and why it could not be."""
    rows = database_rows(
        home,
        "SELECT screw.level || ' ' || screw.side, method, not_assessable_reason, is_blind"
        " FROM reading JOIN screw ON screw.id = screw_id JOIN operation ON operation.id = case_id"
        " WHERE reference = ?",
        drawn_case().reference,
    )
    return {name: tuple(rest) for name, *rest in rows}


def test_calliper_eye_typed_and_not_assessable_are_saved_and_nothing_tells_whose_screw_it_is(
    own_unit_with_ct, signed_in
):
    served = own_unit_with_ct
    visit = signed_in(served, "registrar", recorded=True)
    page = visit.open("/worklist")
    places = find_screws(page, owed(page))

    desk = opened(page, served, "L2 right")
    told = read_by_calliper(desk, places["L2 right"])
    assert abs(told.mm("medial") - truth_of_all()["L2 right"]["medial"]) <= WITHIN_MM
    desk.save()

    desk = opened(page, served, "T11 right")
    desk.find_by_mouse(places["T11 right"])
    look_through(desk)
    desk.choose("by eye")
    desk.save("moderate")

    desk = opened(page, served, "L4 left")
    desk.find_by_mouse(places["L4 left"])
    desk.choose("typed")
    for wall, text in TYPED.items():
        page.locator(f"#typed-{wall}").fill(text)
    desk.save("low")

    desk = opened(page, served, "L1 right")
    desk.find_by_mouse(places["L1 right"])
    desk.choose("none")
    page.locator("#not-assessable-artefact").check()
    desk.save_as_it_is()

    assert methods(served.home) == {
        "L2 R": ("calliper", None, 1),
        "T11 R": ("by eye", None, 1),
        "L4 L": ("typed", None, 1),
        "L1 R": ("by eye", "artefact", 1),
    }
    readings, consensuses = stored(served.home)
    assert readings == consensuses
    assert readings["L2 right"][:4] == [told.mm(wall) for wall in WALLS]
    assert readings["T11 right"][:4] == [0.0] * 4
    assert readings["L4 left"][:4] == [float(TYPED[wall]) for wall in WALLS]
    assert readings["L1 right"] == [None] * 5
    assert "the ledger is as its trail says" in served.run("verify")

    [(digest,)] = database_rows(served.home, "SELECT digest FROM image")
    secret = (*TELLING, digest, SCANNED_ON.isoformat(), f"{SCANNED_ON:%Y%m%d}")
    for part in ("/metal", "/plane/", "/sections?", "/along/", "/axis", "/measure", "/save", ".js"):
        assert any(part in answer.url for answer in visit.answers), part
    assert found_in(visit.answers, secret) == []


def test_what_is_missing_is_said_before_anything_is_saved(unit_with_ct, signed_in):
    visit = signed_in(unit_with_ct, "registrar")
    visit.watch.refusals.add(400)
    page = visit.open("/worklist")
    places = find_screws(page, owed(page))
    desk = opened(page, unit_with_ct, "L3 left")
    desk.find_by_mouse(places["L3 left"])
    told = page.locator("#save-faults")
    for way, words in (
        (None, "choose how the screw was read"),
        ("contour", "mark the cortex, or choose another way"),
        ("typed", "type at least one, 0 where contained"),
    ):
        if way:
            desk.choose(way)
        page.locator("#save").click()
        expect(told).to_contain_text(words)
        if way:
            expect(told).to_contain_text("choose high, moderate or low")
    assert list(owed(visit.open("worklist")))


def test_the_desk_breaks_no_rule_of_accessibility_at_any_stage(unit_with_ct, signed_in):
    visit = signed_in(unit_with_ct, "registrar")
    page = visit.open("/worklist")
    places = find_screws(page, owed(page))
    desk = opened(page, unit_with_ct, "L1 left")

    def hold(stage):
        for width in (320, 1280):
            page.set_viewport_size({"width": width, "height": 800})
            assert violations(page) == [], (stage, width)
            assert overflow(page) <= 0, (stage, width)

    hold("find the screw")
    desk.find_by_mouse(places["L1 left"])
    hold("look through it")
    for way in ("typed", "none", "calliper", "contour"):
        desk.choose(way)
        hold(way)
    outline = outline_at_the_narrowest(desk)
    desk.mark_by_mouse({outline.depth_mm: outline.marks(12)})
    hold("marked and measured")
