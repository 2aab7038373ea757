"""How the desk's pictures are looked at in Chromium: by drag, by click and by key alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect

from registry.domain.directions import Side
from tests.build.desk import L4_LEFT
from tests.web.test_reading_in_chromium import DEPTHS, click, open_desk, page, set_ends, site

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser
__all__ = ["page", "site"]

QUARTER = 60


def told_by(page: Page, canvas: str) -> dict[str, float]:
    """Return where a picture says that its middle and its marks lie, in its own pixels."""
    told = page.locator(canvas).evaluate(
        """async canvas => {
            for (const _ of [1, 2]) await new Promise(requestAnimationFrame);
            return {...canvas.dataset};
        }"""
    )
    return {name: float(text) for name, text in told.items() if name != "across"}


def drag(page: Page, canvas: str, start: tuple[float, float], by: tuple[float, float], **held: str):
    """Drag from a place of a picture, in its own pixels."""
    box = page.locator(canvas).bounding_box()
    assert box is not None
    x, y = box["x"] + start[0], box["y"] + start[1]
    page.mouse.move(x, y)
    page.mouse.down(**held)
    page.mouse.move(x + by[0] / 2, y + by[1] / 2)
    page.mouse.move(x + by[0], y + by[1])
    page.mouse.up(**held)


def opened(page: Page) -> None:
    open_desk(page, L4_LEFT)
    set_ends(page, Side.LEFT)
    page.locator("#way-contour").check()
    page.locator("#section").scroll_into_view_if_needed()


def test_both_pictures_are_moved_and_enlarged_by_drag_click_and_key_and_nothing_is_marked(
    page: Page,
):
    opened(page)
    marks = page.locator("#marks-list tr")
    for canvas, (x, y) in (("section", ("centreX", "centreY")), ("along", ("left", "middle"))):
        picture = f"#{canvas}"
        page.locator(picture).scroll_into_view_if_needed()
        first = told_by(page, picture)
        drag(page, picture, (30, 30), (40, 24))
        dragged = told_by(page, picture)
        assert (dragged[x] - first[x], dragged[y] - first[y]) == pytest.approx((40, 24))
        drag(page, picture, (30, 30), (-40, -24), button="middle")
        assert told_by(page, picture) == pytest.approx(first)
        page.locator(f"{picture}-right").click()
        clicked = told_by(page, picture)
        assert clicked[x] < first[x]
        page.locator(f"{picture}-left").click()
        page.locator(picture).press("Control+ArrowRight")
        assert told_by(page, picture) == pytest.approx(clicked)
        page.locator(f"{picture}-larger").click()
        page.locator(picture).press("+")
        assert told_by(page, picture)["scale"] > 1.4 * first["scale"]
        expect(page.locator("#told")).to_contain_text("times, moved to")
        page.locator(picture).press("0")
        assert told_by(page, picture) == pytest.approx(first)
    expect(marks).to_have_count(0)
    # A place that was moved to another pixel is marked where it lies.
    page.locator("#section-up").click()
    page.locator("#section-larger").click()
    click(page, DEPTHS[0], (1.5, 2.5))
    expect(marks).to_have_count(1)
    assert float(marks.get_attribute("data-u-mm") or "nan") == pytest.approx(1.5, abs=0.05)
    assert float(marks.get_attribute("data-v-mm") or "nan") == pytest.approx(2.5, abs=0.05)


def test_the_grey_is_set_by_drag_field_and_key_and_told(page: Page):
    opened(page)
    low, high = page.locator("#window-low"), page.locator("#window-high")
    canvas, told = page.locator("#section"), page.locator("#told")
    canvas.press("b")
    expect(told).to_have_text("Grey from -500 to 1000 HU.")
    canvas.press("w")
    expect(told).to_have_text("Grey from -550 to 1050 HU.")
    expect(page.locator("#preset-bone")).not_to_be_checked()
    page.keyboard.down("Shift")
    drag(page, "#section", (30, 30), (0, -25))
    page.keyboard.up("Shift")
    expect(low).to_have_value("-450")
    expect(high).to_have_value("1150")
    high.fill("1050")
    high.press("Tab")
    expect(page.locator("#preset-bone")).to_be_checked()
    expect(page.locator("#marks-list tr")).to_have_count(0)


def test_sections_go_by_with_the_wheel_and_with_a_drag_along_the_strip_or_the_axis(page: Page):
    opened(page)
    index = page.locator("#section")
    for canvas in ("#section", "#along"):
        page.locator(canvas).hover()
        for _ in range(2):
            page.mouse.wheel(0, 120)
    expect(index).to_have_attribute("data-index", "4")
    page.mouse.wheel(0, -120)
    expect(index).to_have_attribute("data-index", "3")
    boxes = [page.locator(f'#strip [data-depth="{depth}"]').bounding_box() for depth in (5, 12)]
    (x, y), (to, _) = [(box["x"] + 10, box["y"] + 10) for box in boxes if box]
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(to, y, steps=10)
    page.mouse.up()
    expect(index).to_have_attribute("data-index", "12")
    told = told_by(page, "#along")
    line = told["left"] + (12 - told["startMm"]) * told["scale"]
    drag(page, "#along", (line, told["middle"] + QUARTER), (8 * told["scale"], 0))
    expect(index).to_have_attribute("data-index", "20")
    assert told_by(page, "#along") == pytest.approx(told)
