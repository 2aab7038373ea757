"""Marking along rays in Chromium: where the keys lead, and what is heard."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect

from tests.build.desk import L4_LEFT
from tests.web import test_reading_scripts
from tests.web.test_reading_in_chromium import (
    DEPTHS,
    click,
    open_desk,
    page,
    placed_side,
    set_ends,
    site,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Locator, Page

pytestmark = pytest.mark.browser
__all__ = ["page", "site"]

MIDDLE = (1.5, -2.0)


@pytest.fixture(scope="module")
def scripts(browser: Browser) -> Iterator[Page]:
    """Give an empty page at which the desk's modules can be run by themselves."""
    opened = browser.new_page()
    opened.route(f"{test_reading_scripts.SITE}**", test_reading_scripts.answer)
    opened.goto(test_reading_scripts.SITE)
    yield opened
    opened.close()


def test_rays_are_the_hours_of_a_clock_cranial_at_twelve_and_medial_at_three(scripts: Page):
    found = test_reading_scripts.run(
        scripts,
        "rays.js",
        "hourOf, placeOn, rayWords",
        f"""
        const middle = {list(MIDDLE)};
        const places = Array.from({{ length: 24 }}, (_, at) => placeOn(at / 2, 5, middle));
        return {{
            places,
            hours: places.map((place) => hourOf(place, middle)),
            words: [0, 3, 4, 4.5, 6, 9, 11.5]
                .map((hour) => rayWords(placeOn(hour, 5, middle), middle)),
            none: rayWords(middle, middle),
        }};
        """,
    )
    assert isinstance(found, dict)
    for number, (place, hour) in enumerate(zip(found["places"], found["hours"], strict=True)):
        # Clockwise from straight up, by the sine and cosine of the standard library.
        angle = math.radians(15 * number)
        away = (5 * math.sin(angle), 5 * math.cos(angle))
        assert place == pytest.approx([MIDDLE[0] + away[0], MIDDLE[1] + away[1]], abs=1e-3)
        apart = abs(hour - number / 2)
        assert min(apart, 12 - apart) < 1e-3
    assert found["words"] == [
        "12 o'clock, cranial, 5.0 mm out",
        "3 o'clock, medial, 5.0 mm out",
        "4 o'clock, 5.0 mm out",
        "half past 4, 5.0 mm out",
        "6 o'clock, caudal, 5.0 mm out",
        "9 o'clock, lateral, 5.0 mm out",
        "half past 11, 5.0 mm out",
    ]
    assert found["none"] == "in the middle of the rays"


def test_what_can_be_undone_is_kept_up_to_a_length_the_nearest_changes_first(scripts: Page):
    found = test_reading_scripts.run(
        scripts,
        "marks.js",
        "MarkBook",
        """
        const book = new MarkBook();
        for (let at = 0; at < 5; at += 1) book.addPoint("outline", 8, [at, 0]);
        book.undo();
        const other = new MarkBook();
        const { past, future } = book.changes(10_000);
        other.take(book.state, book.changes(10_000));
        other.redo();
        const redone = other.handlesAt(8).length;
        for (let at = 0; at < 2; at += 1) other.undo();
        const short = book.changes(JSON.stringify(past.at(-1)).length + 5);
        return {
            redone, undone: other.handlesAt(8).length, past: past.length, future: future.length,
            short: short.past.map((state) => state.bones.outline[0].points_mm.length),
            left: short.future.length,
        };
        """,
    )
    assert found == {"redone": 5, "undone": 3, "past": 4, "future": 1, "short": [3], "left": 0}


def marks(page: Page) -> list[tuple[float, float]]:
    """Return where the marks of the section in focus lie, once the page has drawn them."""
    found = page.locator("#marks-list").evaluate(
        """async list => {
            for (const _ of [1, 2]) await new Promise(requestAnimationFrame);
            return [...list.rows].map(row => [row.dataset.uMm, row.dataset.vMm].map(Number));
        }"""
    )
    return [tuple(place) for place in found]


def press(section: Locator, *keys: str) -> None:
    for key in keys:
        section.press(key)


def test_the_keys_go_from_ray_to_ray_and_along_them_and_marks_are_undone_one_by_one(page: Page):
    open_desk(page, L4_LEFT)
    set_ends(page, placed_side(page, is_other=False))
    section, heard = page.locator("#section"), page.locator("#section-told")
    section.press("k")
    # The screw of 6.5 mm has its edge 3.25 mm from its axis.
    expect(heard).to_contain_text("cross at 12 o'clock, cranial, 3.3 mm out")
    section.press("Space")
    expect(page.locator("#told")).to_contain_text("Choose first how to read it")
    expect(heard).to_contain_text("12 o'clock")
    section.press("r")
    expect(page.locator("#way-contour")).to_be_checked()
    press(section, "Shift+O", "o", "Space", "Space", "i", "Space")
    assert marks(page) == [
        (0.0, 4.45),
        pytest.approx((4.45 * math.sin(math.pi / 6), 4.45 * math.cos(math.pi / 6)), abs=2e-3),
        pytest.approx((4.25 * math.sin(math.pi / 3), 4.25 * math.cos(math.pi / 3)), abs=2e-3),
    ]
    expect(heard).to_contain_text(re.compile(r"cross at 3 o'clock, medial, 4\.[23] mm out"))
    # Back on a ray with a mark that mark is chosen, and moves along its ray.
    press(section, "j", "o", "o")
    expect(heard).to_contain_text(re.compile(r"chosen mark at 2 o'clock, 4\.[67] mm out"))
    assert len(marks(page)) == 3
    press(section, "Control+z")
    expect(heard).to_contain_text(re.compile(r"chosen mark at 2 o'clock, 4\.[23] mm out"))
    press(section, "Control+z")
    assert len(marks(page)) == 2
    # Enter lets a chosen mark go; it marks no place twice.
    press(section, "Control+y", "n", "Enter")
    assert len(marks(page)) == 3
    expect(heard).to_contain_text("cross at")
    hold_copied_marks_and_moved_rays(page)


REMEMBER_TOLD = """() => {
    window.said = [];
    const told = document.querySelector("#told");
    new MutationObserver(() => window.said.push(told.textContent))
        .observe(told, { childList: true, characterData: true, subtree: true });
}"""


def was_told(page: Page, words: str) -> None:
    """Wait until the reader was told some words: numbers that come may follow them at once."""
    for _ in range(50):
        if any(words in said for said in page.evaluate("window.said")):
            return
        page.wait_for_timeout(100)
    raise AssertionError(page.evaluate("window.said"))


def hold_copied_marks_and_moved_rays(page: Page) -> None:
    """Hold that a section begins from another's marks, and rays where the reader says."""
    page.evaluate(REMEMBER_TOLD)
    section, heard = page.locator("#section"), page.locator("#section-told")
    page.locator("#clear-marks").click()
    places = ((0.0, 5.0), (5.0, 0.0), (0.0, -5.0), (-5.0, 0.0))
    click(page, DEPTHS[0], *places)
    before = marks(page)
    press(section, ".", "t")
    assert marks(page) == before
    press(section, "k", "Shift+I")
    after = marks(page)
    assert len(after) == len(before)
    assert sum(here != there for here, there in zip(before, after, strict=True)) <= 1
    press(section, "Escape", "Shift+ArrowLeft", "h")
    was_told(page, "The rays begin at medial")
    expect(heard).to_contain_text("in the middle of the rays")
    press(section, "h")
    was_told(page, "The rays begin at the screw's axis.")
    # By the screw's axis again: the medial mark lies at 3 o'clock.
    for _ in range(12):
        if "3 o'clock, medial" in heard.inner_text():
            break
        section.press("k")
        marks(page)
    expect(heard).to_contain_text("chosen mark at 3 o'clock, medial")
    section.press("s")
    expect(page.locator("#confidence-high")).to_be_focused()
