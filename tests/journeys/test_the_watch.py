"""The watch over every visit sees what it is there for; otherwise it could not fail a test."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import expect

from tests.journeys.test_every_page_is_accessible import overflow, violations

pytestmark = pytest.mark.browser


@pytest.mark.parametrize(
    ("does", "told"),
    [
        ("setTimeout(() => { throw new Error('a fault'); })", "script: .*a fault"),
        ("console.error('a complaint')", "console: a complaint"),
        ("fetch('/nowhere')", "status: 404 .*/nowhere"),
        ("document.body.setAttribute('style', 'margin: 0')", "policy: style-src"),
        ("fetch('http://127.0.0.1:9/').catch(() => null)", "policy: connect-src"),
    ],
    ids=["script", "console", "status", "style in the page", "another server"],
)
def test_a_fault_in_a_page_is_noticed(unit, visiting, does, told):
    visit = visiting(unit)
    page = visit.open("/sign-in")
    page.evaluate(f"() => {{ {does} }}")
    for _ in range(100):
        if any(re.search(told, problem) for problem in visit.watch.problems):
            break
        page.wait_for_timeout(50)
    assert any(re.search(told, problem) for problem in visit.watch.problems)
    visit.watch.problems.clear()


def test_a_page_that_breaks_the_rules_is_noticed(unit, visiting):
    page = visiting(unit).open("/sign-in")
    expect(page.get_by_label("Password")).to_be_visible()
    page.evaluate(
        """() => {
            document.querySelector("label").remove();
            document.querySelector("h1").style.width = "5000px";
            document.querySelector("h1").style.color = "#eee";
        }"""
    )
    found = {line.partition(":")[0] for line in violations(page)}
    assert {"label", "color-contrast"} <= found
    assert overflow(page) > 0


def test_a_recorded_visit_keeps_every_answer_whole(unit, signed_in):
    visit = signed_in(unit, "quality lead", recorded=True)
    page = visit.open("/cases/1")
    expect(page.get_by_role("heading", name="OP-2024-001")).to_be_visible()
    page.reload()
    kept = {
        (answer.url.removeprefix(unit.address), answer.status): answer for answer in visit.answers
    }
    case = kept["cases/1", 200].text
    assert case.endswith("</html>")
    assert "Content-Security-Policy" in case
    assert ".masthead" in kept["static/paper.css", 200].text
    assert "Set-Cookie" in kept["sign-in", 303].text
