"""The desk's page in Chromium, served by its own application: what it tells and keeps."""

from __future__ import annotations

import math
from datetime import timedelta
from threading import Thread
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect
from werkzeug.serving import make_server

from registry.domain.directions import Side
from registry.web.app import create_app
from tests.build.chromium import enter
from tests.build.desk import L4_LEFT, L4_RIGHT, a_desk_ledger, placed
from tests.build.ledgers import NOW, PASSWORD, REGISTRAR, KnownAccount

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

    from registry.store.home import Ledger

pytestmark = pytest.mark.browser

DEPTHS = (9, 10, 11)

HOLD_ANSWERS = """
const ask = window.fetch;
const held = [];
window.hold = "";
window.letGo = index => held[index]();
window.fetch = async (address, options) => {
    const answer = await ask(address, options);
    if (!window.hold || !String(address).includes(window.hold)) return answer;
    const count = new Promise(go => held.push(go));
    document.documentElement.dataset.held = String(held.length);
    await count;
    return answer;
};
"""
"""Answers that have reached the browser are kept from the page's script until they are let go."""


@pytest.fixture
def site(tmp_path: Path) -> Iterator[str]:
    """Serve a ledger with screws to be read; give its address."""
    yield from served_desk(a_desk_ledger(tmp_path / "ledger"))


def served_desk(ledger: Ledger) -> Iterator[str]:
    """Serve a ledger until the test is over; give its address."""
    app = create_app(ledger, clock=lambda: NOW + timedelta(hours=1))
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()
    ledger.close()


@pytest.fixture
def page(browser: Browser, site: str) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1280, "height": 900}, base_url=site)
    context.add_init_script(HOLD_ANSWERS)
    opened = context.new_page()
    enter(context, f"{site}/", REGISTRAR.name, PASSWORD)
    yield opened
    context.close()


def sign_in(page: Page, account: KnownAccount = REGISTRAR) -> None:
    page.goto("/sign-in")
    page.locator("[name=name]").fill(account.name)
    page.locator("[name=password]").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("heading", name="Where things stand").wait_for()


def sign_out(page: Page) -> None:
    page.goto("/worklist")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in")


def open_desk(page: Page, assignment: int) -> None:
    page.goto(f"/reading/{assignment}")
    page.locator("#metal[data-scale]").wait_for()


def set_ends(page: Page, side: Side) -> None:
    """Type the ends of the drawn screw of a side."""
    axis = placed(side).axis
    with page.expect_response(lambda answer: "/sections?" in answer.url):
        for name, point in (("entry", axis.entry_mm), ("tip", axis.tip_mm)):
            for letter, value in zip("xyz", point, strict=True):
                field = page.locator(f"#{name}-{letter}")
                field.fill(f"{value:.1f}")
                field.dispatch_event("change")
    page.locator("#section[data-depth]").wait_for()


def mark(page: Page, depth: int, count: int) -> None:
    """Click places of a round cortex on a section."""
    radius = 5.0 if depth == DEPTHS[1] else 5.2
    turns = [2 * math.pi * number / 8 for number in range(count)]
    click(page, depth, *((radius * math.cos(turn), radius * math.sin(turn)) for turn in turns))


def click(page: Page, depth: int, *places: tuple[float, float]) -> None:
    """Click places (medial, cranial) of a section, mm."""
    page.locator(f'#strip [data-depth="{depth}"]').click()
    canvas = page.locator(f'#section[data-depth="{depth}"]')
    told = canvas.evaluate("canvas => ({...canvas.dataset})")
    scale, x, y = (float(told[name]) for name in ("scale", "centreX", "centreY"))
    for u, v in places:
        canvas.click(position={"x": x + u * scale, "y": y - v * scale})


def gone_on(page: Page, assignment: int) -> None:
    """Wait until a screw has been saved and what follows it is there."""
    page.wait_for_url(lambda url: not url.partition("?")[0].endswith(f"/reading/{assignment}"))


def mark_all(page: Page) -> None:
    page.locator("#way-contour").check()
    for depth in DEPTHS:
        mark(page, depth, 8)
    expect(page.locator("#grade")).to_have_text("A")
    page.locator("#confidence-high").check()


def test_a_screw_that_is_not_found_is_answered_and_the_next_page_says_what_was_saved(page: Page):
    open_desk(page, L4_LEFT)
    expect(page.locator("#metal")).to_be_focused()
    expect(page.locator("#unfound")).to_be_visible()
    expect(page.locator("#section")).to_be_hidden()
    page.locator("#way-none").check()
    page.locator("#not-assessable-artefact").check()
    page.locator("#save").click()
    page.wait_for_url("**saved=yes")
    expect(page.locator("#told")).to_have_text(
        "The last reading was saved. L4 left: not assessable: artefact. "
        "Find the screw: click its shank in one of the two pictures."
    )
    assert "artefact" not in page.url
    expect(page.locator("#metal")).to_be_focused()


def test_a_screw_of_the_other_side_is_told_at_once_and_asks_for_a_tick(page: Page):
    open_desk(page, L4_RIGHT)
    expect(page.locator("#side-doubt")).to_be_hidden()
    set_ends(page, placed_side(page, is_other=True))
    told = "This looks like the patient's left side; the screw to be read is on the right."
    expect(page.locator("#told")).to_contain_text(told)
    expect(page.locator("#side-doubt")).to_contain_text(told)
    expect(page.locator("#side-confirmed")).not_to_be_checked()
    mark_all(page)
    page.locator("#save").click()
    expect(page.locator("#save-faults")).to_contain_text("tick that this is the one")
    page.locator("#side-confirmed").check()
    page.locator("#save").click()
    gone_on(page, L4_RIGHT)
    # The same screw under the level and side that it really has.
    open_desk(page, L4_LEFT)
    set_ends(page, placed_side(page, is_other=False))
    expect(page.locator("#side-doubt")).to_be_hidden()
    mark_all(page)
    expect(page.locator("#axis-doubt")).to_be_hidden()
    page.locator("#save").click()
    expect(page.locator("#save-faults")).to_contain_text("read already under another level or side")
    page.locator("#axis-confirmed").check()
    page.locator("#save").click()
    gone_on(page, L4_LEFT)


def placed_side(page: Page, *, is_other: bool) -> Side:
    """Return the side that the page asks for, or the other one."""
    asked = Side.LEFT if page.locator("h1").inner_text().endswith("left") else Side.RIGHT
    return {Side.LEFT: Side.RIGHT, Side.RIGHT: Side.LEFT}[asked] if is_other else asked


def test_what_is_left_to_mark_is_a_hint_and_the_status_follows_the_marks(page: Page):
    open_desk(page, L4_LEFT)
    set_ends(page, placed_side(page, is_other=False))
    told, hints = page.locator("#told"), page.locator("#measure-hints")
    page.locator("#section").click()
    expect(told).to_contain_text("Choose first how to read it")
    page.locator("#way-contour").check()
    expect(told).to_have_text("By the contour: each click on the section marks the cortex.")
    mark(page, DEPTHS[0], 4)
    expect(hints).to_contain_text("section at 9.0 mm: 1 more mark makes an outline")
    expect(page.locator("#measure-faults li")).to_have_count(0)
    expect(told).to_have_text("Nothing is measured yet.")
    page.locator("#clear-marks").click()
    for depth in DEPTHS:
        mark(page, depth, 8)
    expect(told).to_have_text("no wall breached where measured; grade A")
    expect(hints).to_be_hidden()
    page.locator("#way-typed").check()
    expect(told).to_contain_text("Marks stand on this screw")
    page.locator("#clear-marks").click()
    page.locator("#way-contour").check()
    expect(told).to_contain_text("By the contour")


def test_marks_outlive_a_session_and_are_saved_after_signing_in_again(page: Page):
    open_desk(page, L4_LEFT)
    set_ends(page, placed_side(page, is_other=False))
    mark_all(page)
    other = page.context.new_page()
    sign_out(other)
    page.locator("#save").click()
    expect(page.locator("#save-faults")).to_have_text(
        "Signed out; what you marked and typed is kept. Sign in again, here or in another tab, "
        "then save again."
    )
    sign_in(other)
    page.locator("#save").click()
    gone_on(page, L4_LEFT)
    expect(page.locator("#told")).to_contain_text("L4 left: contained, grade A.")


@pytest.mark.parametrize("width", [320, 800, 1280])
def test_every_mark_can_be_removed_without_scrolling_sideways(page: Page, width: int):
    open_desk(page, L4_LEFT)
    set_ends(page, placed_side(page, is_other=False))
    page.locator("#way-contour").check()
    mark(page, DEPTHS[0], 8)
    page.locator("#way-calliper").check()
    click(page, DEPTHS[0], (1.0, 1.0), (3.2, 1.0))
    page.set_viewport_size({"width": width, "height": 900})
    rows = page.locator("#marks-list tr")
    expect(rows).to_have_count(10)
    table = page.locator("#marks-here").bounding_box()
    assert table is not None
    for button in page.get_by_role("button", name="Remove ").filter(has_text="remove").all():
        box = button.bounding_box()
        assert box is not None
        assert table["x"] <= box["x"]
        assert box["x"] + box["width"] <= table["x"] + table["width"]


def hold(page: Page, part: str) -> None:
    """Keep answers from the page whose address has a part; none if it is empty."""
    page.evaluate("part => { window.hold = part; }", part)


def let_go(page: Page, number: int) -> None:
    """Hand a held answer to the page and give the page two frames to take it."""
    page.evaluate(
        """async number => {
            window.letGo(number - 1);
            for (const _ of [1, 2]) await new Promise(requestAnimationFrame);
        }""",
        number,
    )


def expect_held(page: Page, count: int) -> None:
    expect(page.locator("html")).to_have_attribute("data-held", str(count))


def move_tip(page: Page) -> None:
    """Type another place of the tip, 3 mm short of it."""
    field = page.locator("#tip-y")
    page.locator("#find > summary").click()
    field.fill(f"{placed(Side.LEFT).axis.tip_mm[1] + 3.0:.1f}")
    field.press("Enter")


def opened_for_marks(page: Page) -> None:
    open_desk(page, L4_LEFT)
    set_ends(page, placed_side(page, is_other=False))
    page.locator("#way-contour").check()


def test_numbers_are_old_until_those_of_the_last_mark_have_come_and_never_older_again(page: Page):
    opened_for_marks(page)
    numbers, hints = page.locator("#numbers"), page.locator("#measure-hints")
    for depth in DEPTHS:
        mark(page, depth, 8)
    expect(page.locator("#grade")).to_have_text("A")
    expect(numbers).to_have_attribute("aria-busy", "false")
    hold(page, "/measure")
    for count, place in enumerate(((5.0, 0.0), (0.0, 5.0)), start=1):
        click(page, DEPTHS[-1] + 1, place)
        expect(numbers).to_have_attribute("aria-busy", "true")
        expect_held(page, count)
        expect(hints).to_be_empty()
    let_go(page, 2)
    expect(numbers).to_have_attribute("aria-busy", "false")
    newest = "section at 12.0 mm: 3 more marks make an outline"
    expect(hints).to_contain_text(newest)
    let_go(page, 1)
    expect(hints).to_contain_text(newest)
    expect(numbers).to_have_attribute("aria-busy", "false")


def test_nothing_is_marked_or_counted_as_seen_on_pictures_of_other_ends(page: Page):
    opened_for_marks(page)
    marks, left = page.locator("#marks-list tr"), page.locator("#eye-left")
    expect(left).to_have_text("40 sections not on screen yet")
    hold(page, "/sections?")
    move_tip(page)
    expect_held(page, 1)
    for part in ("#look", "#across", "#lengthwise"):
        expect(page.locator(part)).to_have_attribute("aria-busy", "true")
    click(page, DEPTHS[0], (5.0, 0.0))
    expect(page.locator("#told")).to_contain_text("these pictures are of other ends")
    expect(marks).to_have_count(0)
    expect(left).to_have_text("41 sections and a picture along the axis not on screen yet")
    let_go(page, 1)
    expect(page.locator("#across")).to_have_attribute("aria-busy", "false")
    expect(page.locator("#told")).to_contain_text("The screw is 37.0 mm long.")
    click(page, DEPTHS[0], (5.0, 0.0))
    expect(marks).to_have_count(1)


def test_marks_that_were_removed_do_not_come_back_on_other_ends(page: Page):
    opened_for_marks(page)
    mark(page, DEPTHS[0], 8)
    undo = page.locator("#undo")
    page.locator("#clear-marks").click()
    expect(undo).to_be_enabled()
    move_tip(page)
    expect(page.locator("#told")).to_contain_text("The screw is 37.0 mm long.")
    expect(undo).to_be_disabled()
    page.locator("#section").press("Control+z")
    click(page, DEPTHS[0], (5.0, 0.0))
    expect(page.locator("#marks-list tr")).to_have_count(1)


def test_a_mark_of_the_front_belongs_to_the_picture_that_is_seen(page: Page):
    opened_for_marks(page)
    page.locator("#along-use-front").check()
    hold(page, "/along/")
    page.locator("#across-cranial").check()
    expect_held(page, 1)
    along = page.locator("#along")
    expect(along).to_have_attribute("data-across", "medial")
    with page.expect_request("**/measure") as asked:
        along.click()
    assert asked.value.post_data_json["marks"]["front"]["across"] == "medial"
    let_go(page, 1)
    expect(along).to_have_attribute("data-across", "cranial")


def test_ends_and_words_are_those_of_the_last_place_that_was_taken(page: Page):
    open_desk(page, L4_LEFT)
    told, entry = page.locator("#told"), page.locator("#entry-x")
    hold(page, "/axis")
    axial = page.locator("#axial")
    axial.press("Enter")
    expect_held(page, 1)
    for _ in range(3):
        axial.press("Shift+ArrowRight")
    axial.press("Enter")
    expect_held(page, 2)
    expect(told).to_have_text("Looking for the screw's ends.")
    let_go(page, 2)
    expect(told).to_contain_text("mm long")
    found = entry.input_value()
    assert abs(float(found) - placed(Side.LEFT).axis.entry_mm[0]) < 1.0
    let_go(page, 1)
    expect(told).to_contain_text("mm long")
    assert entry.input_value() == found
    # The same screw once more: the pictures are there already.
    hold(page, "")
    page.locator("#find > summary").click()
    axial.press("Enter")
    expect(told).to_contain_text("mm long")
