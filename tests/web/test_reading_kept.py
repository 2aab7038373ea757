"""Nothing marked or typed is lost in Chromium: by a reload, a lost line or an ended session."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import expect

from tests.build.desk import L4_LEFT, L4_RIGHT
from tests.build.ledgers import PASSWORD, QUALITY_LEAD, REGISTRAR
from tests.web.test_reading_in_chromium import (
    DEPTHS,
    click,
    mark_all,
    open_desk,
    page,
    placed_side,
    set_ends,
    sign_in,
    sign_out,
    site,
)

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Page, Route

pytestmark = pytest.mark.browser
__all__ = ["page", "site"]

NOTE = "thin cortex, seen twice"


def marked(page: Page) -> None:
    """Mark a contained screw, look at it in another way, and type a note."""
    open_desk(page, L4_LEFT)
    set_ends(page, placed_side(page, is_other=False))
    mark_all(page)
    page.locator("#section-larger").click()
    page.locator("#section-up").click()
    page.locator("#section").press("b")
    page.locator("#across-cranial").check()
    page.locator("#note").fill(NOTE)


def as_it_stands(page: Page) -> dict[str, Any]:
    """Return what the reader sees of their own doing, once it has come to rest."""
    page.locator('#numbers[aria-busy="false"]').wait_for()
    page.locator('#along[data-across="cranial"]').wait_for()
    return page.evaluate(
        """async () => {
            for (const _ of [1, 2]) await new Promise(requestAnimationFrame);
            const value = id => document.getElementById(id).value;
            return {
                marked: document.getElementById("marked-sections").innerText,
                marks: document.getElementById("marks-list").rows.length,
                section: {...document.getElementById("section").dataset},
                window: [value("window-low"), value("window-high")],
                ends: [...document.querySelectorAll("#ends input")].map(field => field.value),
                unseen: document.querySelectorAll("#strip .unseen").length,
                left: document.getElementById("eye-left").innerText,
                grade: document.getElementById("grade").innerText,
                note: value("note"),
                chosen: [...document.querySelectorAll("input:checked")].map(one => one.id),
            };
        }"""
    )


def in_the_tab(page: Page) -> list[str]:
    return page.evaluate("() => Object.values(sessionStorage)")


def keep(page: Page) -> None:
    """Wait until the server has the last change: the tab holds nothing any more."""
    page.wait_for_function("() => sessionStorage.length === 0", timeout=15_000)


def stored(page: Page) -> int:
    """Return how many readings the reader has made, as their own page lists them."""
    page.goto("/my-readings/")
    return page.locator("tbody tr").count()


def test_a_reload_brings_back_marks_view_answers_and_what_was_looked_at(page: Page):
    marked(page)
    before = as_it_stands(page)
    keep(page)
    page.reload()
    page.locator("#section[data-depth]").wait_for()
    expect(page.locator("#told")).to_contain_text("grade A")
    assert as_it_stands(page) == before
    assert (before["note"], before["grade"], before["marks"]) == (NOTE, "A", 8)
    # A tab that is closed, and another one: the server's copy.
    other = page.context.new_page()
    other.goto(f"/reading/{L4_LEFT}")
    other.locator("#section[data-depth]").wait_for()
    assert as_it_stands(other) == before
    # What can be undone has come as well.
    other.locator("#undo").click()
    expect(other.locator("#marks-list tr")).to_have_count(7)
    other.locator("#redo").click()
    assert as_it_stands(other) == before


def test_a_line_that_is_lost_in_mid_reading_loses_nothing_and_the_reading_is_saved_once(
    page: Page, context_of: BrowserContext
):
    marked(page)
    context_of.set_offline(True)
    line = page.locator("#line")
    expect(line).to_contain_text("The server cannot be reached. What you marked and typed is kept")
    click(page, DEPTHS[-1] + 1, (5.0, 0.0), (0.0, 5.0))
    expect(page.locator("#numbers")).to_have_attribute("aria-busy", "true")
    page.locator("#save").click()
    expect(page.locator("#save-faults")).to_contain_text("it is saved once")
    (held,) = in_the_tab(page)
    told = json.dumps(json.loads(held))
    assert REGISTRAR.name not in told
    assert "L4" not in told
    context_of.set_offline(False)
    expect(line).to_be_hidden()
    expect(page.locator("#told")).not_to_be_empty()
    # The numbers go on by themselves: of the marks that were made without a line.
    expect(page.locator("#measure-hints")).to_contain_text("12.0 mm: 3 more marks make an outline")
    page.locator("#clear-section").click()
    expect(page.locator("#grade")).to_have_text("A")
    asked: list[str] = []

    def lose(route: Route) -> None:
        route.fetch()
        asked.append(str(json.loads(route.request.post_data or "")["key"]))
        route.abort("connectionreset")

    page.route("**/save", lose)
    page.locator("#save").click()
    expect(page.locator("#save-faults")).to_contain_text("it is saved once")
    page.unroute("**/save")
    with page.expect_request("**/save") as again:
        page.locator("#save").click()
    assert [again.value.post_data_json["key"]] == asked
    page.wait_for_url(f"**/reading/{L4_RIGHT}*")
    expect(page.locator("#told")).to_contain_text("L4 left: contained, grade A.")
    assert in_the_tab(page) == []
    assert stored(page) == 1


def test_who_signs_in_again_after_the_session_ended_finds_everything_as_it_was(page: Page):
    marked(page)
    keep(page)
    other = page.context.new_page()
    sign_out(other)
    page.locator("#note").fill(f"{NOTE}!")
    line = page.locator("#line")
    expect(line).to_contain_text("Your session has ended. What you marked and typed is kept.")
    before = as_it_stands(page)
    line.get_by_role("link", name="Sign in again").click()
    page.locator("[name=name]").fill(REGISTRAR.name)
    page.locator("[name=password]").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"**/reading/{L4_LEFT}")
    page.locator("#section[data-depth]").wait_for()
    assert as_it_stands(page) == before
    assert before["note"] == f"{NOTE}!"
    keep(page)
    # In another tab, too: this one takes note of it.
    sign_out(other)
    page.locator("#note").fill(NOTE)
    expect(line).to_be_visible()
    sign_in(other)
    page.bring_to_front()
    page.locator("#save").click()
    page.wait_for_url(f"**/reading/{L4_RIGHT}*")


def test_what_one_reader_marks_never_becomes_another_s_who_signs_in_meanwhile(page: Page):
    open_desk(page, L4_LEFT)
    other = page.context.new_page()
    sign_out(other)
    sign_in(other, QUALITY_LEAD)
    page.locator("#note").fill(NOTE)
    line = page.locator("#line")
    expect(line).to_contain_text("Somebody else is signed in in this browser now.")
    page.get_by_label("not assessable").check()
    page.get_by_label("artefact").check()
    page.locator("#save").click()
    expect(page.locator("#save-faults")).to_contain_text("Somebody else is signed in now")
    # A link would leave the page, and signing the other out clears what the tab holds.
    expect(line.get_by_role("link")).to_be_hidden()
    expect(page.locator("#told")).not_to_contain_text("Signed in again")
    open_desk(other, L4_LEFT)
    expect(other.locator("#told")).to_contain_text("Find the screw")
    expect(other.locator("#note")).to_have_value("")
    sign_out(other)
    sign_in(other)
    page.bring_to_front()
    page.locator("#save").click()
    page.wait_for_url(f"**/reading/{L4_RIGHT}*")
    assert stored(page) == 1


@pytest.fixture
def context_of(page: Page) -> BrowserContext:
    return page.context
