"""A surgeon's own notes by keyboard: from own results to who may read them, and out again."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect

from tests.journeys.browsing import tab_to

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser

WORDS = "I hurried at the last level."


def follow(page: Page, name: str, heading: str) -> None:
    """Reach a link or button by Tab, press it, and wait for the page that follows."""
    tab_to(page, name)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text(heading)


def test_a_note_is_written_shown_read_and_shown_no_more_by_keyboard(unit, signed_in):
    page = signed_in(unit, "surgeon", by_form=True).page
    follow(page, "Own results", "Own results")
    follow(page, "Your reflections and actions", "Reflections and actions")
    tab_to(page, "What you thought, or what is to be done")
    page.keyboard.type(WORDS)
    follow(page, "Keep it", "Reflections and actions")
    tab_to(page, WORDS)
    page.keyboard.press("Enter")
    expect(page.get_by_text("You alone.")).to_be_visible()
    lead = signed_in(unit, "quality lead")
    expect(lead.open("/own/notes/shown").get_by_text(WORDS)).to_have_count(0)
    tab_to(page, "Show it to them")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Stop showing it to the quality lead")).to_be_visible()
    lead.page.reload()
    expect(lead.page.get_by_text(WORDS)).to_be_visible()
    tab_to(page, "Stop showing it to the quality lead")
    page.keyboard.press("Enter")
    expect(page.get_by_text("You alone.")).to_be_visible()
    lead.page.reload()
    expect(lead.page.get_by_text(WORDS)).to_have_count(0)
    follow(page, "Take this note out", "Reflections and actions")
    expect(page.get_by_text(WORDS)).to_have_count(0)
