"""A quality lead's day: the same digits on page, chart, file and shell; cases and their notes."""

from __future__ import annotations

import json
import re

import pytest
from playwright.sync_api import expect

from registry.domain.levels import LEVELS, level
from tests.journeys.browsing import focused_name, tab_to
from tests.journeys.units import SURGEONS, cases

pytestmark = pytest.mark.browser

CELLS = ("placed", "imaged", "graded", "breached", "rate", "interval", "patients", "affected")


def rows_of(page):
    """Return the table's rows as the page prints them, the strata under 'strata'."""
    found = []
    for row in page.locator("section tbody tr").all():
        cells = row.locator("td").all_inner_texts()
        if len(cells) == len(CELLS) + 3:  # without a rate one cell stands for two
            cells.insert(4, "")
        strata = row.locator("th").all_inner_texts()
        found.append({"strata": strata, **dict(zip(CELLS, cells, strict=False))})
    return found


def per_cent(share):
    """Return a proportion as the page should print it, by Python's own formatting."""
    return f"{100 * share:.1f}"


def assert_same(page, document):
    """Compare the page's rows with the command's JSON document, digit by digit."""
    rows = rows_of(page)
    assert len(rows) == len(document["rows"])
    for shown, row in zip(rows, document["rows"], strict=True):
        assert shown["strata"] == (list(row["stratum"].values()) or ["all screws"])
        counts = [int(shown[name]) for name in ("placed", "imaged", "graded", "breached")]
        assert counts == [row[name] for name in ("placed", "imaged", "graded", "breached")]
        assert int(shown["patients"]) == row["patients"]
        assert int(shown["affected"].split()[0]) == row["patients_with_event"]
        if row["rate"] is None:
            assert shown["rate"] == ""
            assert shown["interval"] in {"too few for a rate", "none graded"}
        else:
            assert shown["rate"] == per_cent(row["rate"])
            assert shown["interval"] == f"{per_cent(row['low'])} to {per_cent(row['high'])}"


def counted(served, *words):
    """Return what the command counts as the same person."""
    lead = served.accounts["quality lead"]
    return json.loads(served.run("rates", *words, "--format", "json", "--as", lead))


def test_filters_are_set_by_keyboard_stand_in_the_address_and_count_as_the_command_does(
    unit, signed_in
):
    page = signed_in(unit, "quality lead").open("/rates?by=level")
    assert_same(page, counted(unit, "--by", "level"))
    for label, keys in (
        ("By", "entry"),
        ("and by", "region"),
        ("Operated from", "07/10/2024"),
        ("until, included", "09/30/2024"),
        ("A breach is", "any extent"),
        ("through", "lateral, p"),
        ("Intended exits", "are left"),
        ("Interval", "Wilson"),
    ):
        tab_to(page, label)
        page.keyboard.type(keys)
    tab_to(page, "Graded, at least")
    page.keyboard.press("ControlOrMeta+a")
    page.keyboard.type("4")
    page.keyboard.press("Tab")
    assert focused_name(page) == "Count"
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile(r"interval=wilson"))
    address = page.url
    for part in (
        *("by=entry_technique", "by=region", "from=2024-07-10", "to=2024-09-30"),
        *("threshold=any", "direction=lateral", "intended=exclude", "minimum=4"),
    ):
        assert part in address
    document = counted(
        *(unit, "--by", "entry_technique,region", "--from", "2024-07-10", "--to", "2024-09-30"),
        *("--threshold", "any", "--direction", "lateral", "--intended", "exclude"),
        *("--interval", "wilson", "--minimum", "4"),
    )
    assert len(document["rows"]) > 5
    assert_same(page, document)
    page.go_back()
    assert_same(page, counted(unit, "--by", "level"))
    page.goto(address)
    expect(page.get_by_label("A breach is")).to_have_value("any")
    expect(page.get_by_label("Operated from")).to_have_value("2024-07-10")
    assert_same(page, document)


@pytest.mark.parametrize(
    "question",
    ["by=surgeon", "by=quarter,guidance&threshold=any&minimum=0", "by=&interval=jeffreys"],
)
def test_page_files_and_command_print_one_count(unit, signed_in, question):
    visit = signed_in(unit, "quality lead")
    page = visit.open(f"/rates?{question}")
    parts = [part.partition("=") for part in question.split("&")]
    words = [word for name, _, value in parts for word in (f"--{name}", value)]
    document = counted(unit, *words)
    assert_same(page, document)
    got = visit.context.request.get(page.get_by_role("link", name="JSON").evaluate("a => a.href"))
    assert got.json() == document
    with page.expect_download() as kept:
        page.get_by_role("link", name="CSV").click()
    assert kept.value.suggested_filename == "rates.csv"
    lead = unit.accounts["quality lead"]
    printed = unit.run("rates", *words, "--format", "csv", "--as", lead)
    assert kept.value.path().read_bytes().decode().splitlines() == printed.splitlines()


def test_surgeons_are_named_to_the_lead_and_stand_in_no_order_of_merit(unit, signed_in):
    visit = signed_in(unit, "quality lead")
    page = visit.open("/rates?by=surgeon")
    names = [row["strata"][0] for row in rows_of(page)]
    assert sorted(names) == sorted(SURGEONS)
    assert names == sorted(names)
    told = page.get_by_role("img").get_attribute("alt")
    assert not any(name in told for name in names)


def test_the_chart_says_in_words_what_it_draws(unit, signed_in):
    visit = signed_in(unit, "quality lead")
    page = visit.open("/rates?by=level")
    chart = page.get_by_role("img")
    told = chart.get_attribute("alt")
    assert chart.evaluate("image => image.complete && image.naturalWidth > 300")
    rows = [row for row in rows_of(page) if row["rate"]]
    ends = {f(float(row["rate"]) for row in rows) for f in (min, max)}
    named = [row for row in rows if f"{row['strata'][0]}: {row['rate']}%" in told]
    assert {float(row["rate"]) for row in named} == ends
    for row in named:
        low, high = row["interval"].split(" to ")
        assert f"interval {low}% to {high}%" in told
    page.get_by_role("link", name="chart (SVG)").click()
    expect(page).to_have_url(re.compile(r"/rates/chart\.svg\?"))
    drawn = page.locator("svg").first
    expect(drawn).to_be_visible()
    assert drawn.bounding_box()["width"] > 300


def test_a_filter_that_cannot_be_is_told_beside_it_and_the_others_stay(unit, signed_in):
    page = signed_in(unit, "quality lead").refused(
        "/rates?by=level&from=2024-13-01&threshold=4&minimum=many", 400
    )
    expect(page.get_by_role("alert")).to_contain_text("2024-13-01")
    for label, told in (
        ("Operated from", "Write a day as 2026-03-31"),
        ("Graded, at least", "Give a whole number from 0 to 1000"),
    ):
        field = page.get_by_label(label)
        expect(field).to_have_attribute("aria-invalid", "true")
        expect(field).to_have_accessible_description(re.compile(told, re.IGNORECASE))
    expect(page.get_by_label("A breach is")).to_have_value("4")
    assert page.get_by_role("table").count() == 0


def test_the_cases_are_listed_latest_first_and_narrowed_to_those_with_notes(unit, signed_in):
    visit = signed_in(unit, "quality lead")
    page = visit.open("/cases/")
    listed = page.locator("tbody th").all_inner_texts()
    days = page.locator("tbody td:nth-child(2)").all_inner_texts()
    assert sorted(listed) == sorted(case.reference for case in cases())
    assert days == sorted(days, reverse=True)
    noted = [
        row.locator("th").inner_text()
        for row in page.locator("tbody tr").all()
        if row.locator("td").last.inner_text()
    ]
    tab_to(page, f"Show only the {len(noted)} with notes by rules of the trade")
    page.keyboard.press("Enter")
    expect(page).to_have_url(unit.url("/cases/?notes=yes"))
    assert page.locator("tbody th").all_inner_texts() == noted
    tab_to(page, noted[0])
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name=f"Case {noted[0]}")).to_be_visible()
    notes = page.locator("h2:has-text('Notes by rules of the trade') ~ ul li").all_inner_texts()
    assert notes
    orders = [
        level(screw.level).order
        for case in cases()
        if case.reference == noted[0]
        for screw in case.screws
    ]
    # A level that was left out between them has its note too.
    between = {each.code for each in LEVELS[min(orders) : max(orders) + 1]}
    places = {note.partition(":")[0].removesuffix(" L").removesuffix(" R") for note in notes}
    assert places <= between | {"construct"}


def test_a_case_shows_each_screw_as_it_was_entered_and_read(unit, signed_in):
    case = next(case for case in cases() if case.imaging.value.startswith("routine"))
    visit = signed_in(unit, "quality lead")
    visit.open("/cases/")
    page = visit.page
    page.get_by_role("link", name=case.reference).click()
    main = page.locator("main")
    expect(main).to_contain_text(f"Operated on {case.operated_on} by {case.surgeon}")
    for screw in case.screws:
        row = page.locator(".construct tbody tr").filter(
            has=page.get_by_role("rowheader", name=screw.level, exact=True)
        )
        place = row.locator("td").nth("LR".index(screw.side))
        expect(place).to_contain_text(f"{screw.technique.value}, {screw.guidance.value}")
        expect(place).to_contain_text(f"{screw.diameter_mm:.1f} x {screw.length_mm:.1f} mm")
    expect(main).to_contain_text("post-operative CT of")
    expect(main).to_contain_text("the case is counted on it")
    expect(main).to_contain_text("Gertzbein-Robbins: A 0; B over 0 and under 2; C 2 to under 4")
