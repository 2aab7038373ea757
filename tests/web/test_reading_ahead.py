"""The axis that is proposed, and the next screw before it is asked for, in Chromium."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect

from registry.domain.directions import Side
from registry.measure.proposals.documents import to_json
from registry.store.models.proposals import ProposalRow
from registry.store.queries.proposals import scans_to_propose
from tests.build.desk import L4_LEFT, L4_RIGHT, a_desk_ledger, placed
from tests.build.ledgers import NOW, local_operator
from tests.build.proposed import a_proposal, put_proposal
from tests.web.test_reading_in_chromium import click, mark_all, page, served_desk

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Page

pytestmark = pytest.mark.browser
__all__ = ["page"]

PROPOSED = "Proposed from the metal: look whether this is the screw at {}."


@pytest.fixture
def site(tmp_path: Path) -> Iterator[str]:
    """Serve the desk's ledger with a proposal whose axes are those of its drawn screws."""
    ledger = a_desk_ledger(tmp_path / "ledger")
    with ledger.reading() as session:
        scan = scans_to_propose(session, [1])[0]
    found = a_proposal(scan.logged, medial=3.44)
    drawn = [replace(screw, axis=placed(screw.logged.side).axis) for screw in found.screws]
    with ledger.writing(local_operator(ledger), NOW) as work:
        row = put_proposal(work, scan_id=1, image_digest=scan.image_digest, screws=scan.logged)
        document = to_json(replace(found, screws=tuple(drawn)))
        work.update(ProposalRow, "propose", row, document=document)
    yield from served_desk(ledger)


def opened(page: Page, assignment: int) -> None:
    page.goto(f"/reading/{assignment}")
    expect_proposed(page, "L4 left")


def expect_proposed(page: Page, name: str) -> None:
    """Hold that the axis is said to be proposed, once, and heard with the button in focus."""
    expect(page.locator("#told")).to_contain_text("mm long")
    expect(page.locator("#told")).not_to_contain_text("roposed")
    expect(page.locator("#proposed-told")).to_have_text(PROPOSED.format(name))
    expect(page.locator("#proposed-is")).to_have_accessible_description(PROPOSED.format(name))


def test_a_proposed_axis_is_on_the_desk_at_once_and_counts_once_the_reader_says_so(page: Page):
    opened(page, L4_LEFT)
    marks, told = page.locator("#marks-list tr"), page.locator("#told")
    # Both pictures that tell which screw it is stay open; no extent has come with the axis.
    expect(page.locator("#find")).to_have_attribute("open", "")
    expect(page.locator("#proposed-is")).to_be_focused()
    expect(page.locator("#proposed-measured")).to_be_hidden()
    page.locator("#way-contour").check()
    click(page, 9, (5.0, 0.0))
    expect(told).to_have_text("Say first whether the proposed screw is the right one.")
    expect(marks).to_have_count(0)
    page.locator("#confidence-high").check()
    page.locator("#save").click()
    expect(page.locator("#save-faults")).to_have_text(
        "Say first whether the proposed screw is the right one."
    )
    page.locator("#proposed-is").press("Enter")
    expect(page.locator("#proposed")).to_be_hidden()
    expect(page.locator("#section")).to_be_focused()
    expect(page.locator("#find")).not_to_have_attribute("open", "")
    click(page, 9, (5.0, 0.0))
    expect(marks).to_have_count(1)


def test_a_wrong_axis_is_replaced_by_one_click_as_if_nothing_had_been_proposed(page: Page):
    opened(page, L4_LEFT)
    before = page.locator("#entry-x").input_value()
    page.locator("#proposed-other").click()
    metal = page.locator("#metal")
    expect(metal).to_be_focused()
    told = metal.evaluate("canvas => ({...canvas.dataset})")
    # The other shank lies as far to the other side of the picture's middle.
    box = metal.bounding_box()
    assert box is not None
    scale = float(told["scale"])
    shank = placed(Side.RIGHT).axis.entry_mm[0]
    metal.click(position={"x": box["width"] / 2 + shank * scale, "y": box["height"] / 2})
    expect(page.locator("#proposed")).to_be_hidden()
    expect(page.locator("#told")).to_contain_text("This looks like the patient's right side")
    assert page.locator("#entry-x").input_value() != before


def test_the_next_screw_is_there_before_it_is_asked_for_and_takes_this_one_s_place(page: Page):
    # It is fetched once the browser is idle, be that before the click or after it.
    with page.expect_response(f"**/reading/{L4_RIGHT}/along/medial*"):
        opened(page, L4_LEFT)
        page.locator("#proposed-is").click()
    mark_all(page)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    with page.expect_request("**/save") as saved:
        page.locator("#save").click()
    assert saved.value.post_data_json["marks"]["is_axis_proposed"] is True
    page.wait_for_url("**/reading/made/*")
    # What the program measured is shown now, and nothing fetched ahead is lost by it.
    expect(page.locator("h1")).to_have_text("L4 left: yours and the proposal")
    onward = page.get_by_role("button", name="Keep mine and read the next screw")
    expect(onward).to_be_focused()
    onward.press("Enter")
    page.wait_for_url(f"**/reading/{L4_RIGHT}")
    expect(page.locator("h1")).to_have_text("L4 right")
    expect(page).to_have_title("L4 right - Spinal unit - Pedicle Ledger")
    expect_proposed(page, "L4 right")
    expect(page.locator("#proposed-is")).to_be_focused()
    page.locator("#section[data-depth]").wait_for()
    paths = [url.partition("/reading/")[2].partition("?")[0] for url in asked]
    assert not {f"{L4_RIGHT}/sections", f"{L4_RIGHT}/metal", f"{L4_RIGHT}"} & set(paths)
