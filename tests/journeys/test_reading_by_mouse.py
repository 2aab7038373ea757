"""Screws of the drawn CT read in Chromium by mouse, against what was drawn.

The marks come from image gradients alone; the truth is that of `demo_data.scenario.ct`, which no
file, page or mark knows. Grades: Gertzbein-Robbins, A 0, B below 2, C below 4, D below 6 mm, E.
"""

from __future__ import annotations

import ast
import json
import sqlite3
from pathlib import Path

import pytest
from playwright.sync_api import expect

from demo_data.scenario.ct.study import drawn_screws
from tests.build.drawn_study import OPERATED_ON
from tests.journeys import at_the_desk, copied_marks, cortex_by_gradient, rays_at_the_desk
from tests.journeys.at_the_desk import WALLS, Desk, expect_no_faults, find_screws, owed
from tests.journeys.copied_marks import mark_on_by_mouse
from tests.journeys.cortex_by_gradient import front_marks, outlines
from tests.journeys.units import drawn_case

pytestmark = pytest.mark.browser

TO_BE_READ = ("T11 left", "L1 left", "L3 right")
"""Contained; medial and caudal; its tip before the body. All ten that a unit
is given are read in `tests/long/test_ten_screws_read.py`."""
THROUGH_THE_FRONT = "L3 right"
WITHIN_MM = 0.5
CUT_OFFS_MM = (2.0, 4.0, 6.0)
SECTIONS, MARKS_A_SECTION = 3, 12


def by_name(level, side):
    return f"{level} {'left' if side == 'L' else 'right'}"


def truth_of_all():
    return {by_name(screw.level, screw.side): screw.extents_mm for screw in drawn_screws()}


def grade_of(extents_mm):
    worst = max(extents_mm[wall] for wall in WALLS)
    return "A" if worst == 0 else "BCDE"[sum(worst >= cut_off for cut_off in CUT_OFFS_MM)]


def is_near_cut_off(extents_mm):
    worst = max(extents_mm[wall] for wall in WALLS)
    return any(abs(worst - cut_off) < WITHIN_MM for cut_off in CUT_OFFS_MM)


def read(desk, shank_mm):
    """Find the screw, mark three sections of its pedicle, return what the page says."""
    desk.find_by_mouse(shank_mm)
    desk.choose("contour")
    desk.page.locator("#section-smaller").click()
    spacing_mm = desk.sections.layout["spacing_mm"]
    seen = outlines(desk.sections.values, desk.depths_mm, spacing_mm)
    chosen = [seen[round(at * (len(seen) - 1) / (SECTIONS - 1))] for at in range(SECTIONS)]
    mark_on_by_mouse(desk, chosen, MARKS_A_SECTION)
    if desk.name == THROUGH_THE_FRONT:
        picture = desk.turn_along("cranial")
        layout = picture.layout
        desk.mark_front_by_mouse(
            front_marks(
                picture.values[0],
                layout["start_mm"],
                layout["spacing_mm"],
                desk.diameter_mm / 2 + 2.0,
            )
        )
    expect_no_faults(desk.page)
    return desk.told()


def stored(home):
    """Return the drawn case's readings and consensuses as the database holds them, mm."""
    walls = ", ".join(f"{{0}}.{wall}_mm" for wall in (*WALLS, "anterior"))
    found = {}
    with sqlite3.connect(home / "ledger.sqlite") as database:
        for table in ("reading", "consensus"):
            rows = database.execute(
                f"SELECT screw.level, screw.side, {walls.format(table)} FROM {table}"  # noqa: S608 - its words are above
                f" JOIN screw ON screw.id = {table}.screw_id"
                " JOIN operation ON operation.id = screw.case_id WHERE operation.reference = ?",
                (drawn_case().reference,),
            )
            found[table] = {
                by_name(level, side): [None if value is None else value / 10 for value in values]
                for level, side, *values in rows
            }
    return found["reading"], found["consensus"]


def assert_near_truth(told):
    """Print truth, reading and error of each screw and wall; each within half a millimetre."""
    print("\nscrew     wall      truth  read   sd    error  grade (truth)")
    for name, numbers in told.items():
        truth = truth_of_all()[name]
        directions = [*WALLS, "anterior"] if name == THROUGH_THE_FRONT else WALLS
        for wall in directions:
            error = numbers.mm(wall) - truth[wall]
            line = f"{truth[wall]:5.2f}  {numbers.extents[wall]:>4}  {numbers.sds[wall]:>4}"
            print(f"{name:9} {wall:9} {line}  {error:+.2f}  {numbers.grade} ({grade_of(truth)})")
            assert abs(error) <= WITHIN_MM, (name, wall)
            assert float(numbers.sds[wall]) > 0
        assert is_near_cut_off(truth) or numbers.grade == grade_of(truth), name


def assert_rates(served, page, told):
    """Hold that the command and the page count exactly the breaches that were read."""
    day = OPERATED_ON.isoformat()
    asked = ("--by", "level,side", "--from", day, "--to", day, "--minimum", "0")
    for threshold, least in (("any", 0.1), ("2", 2.0), ("4", 4.0)):
        answer = served.run("rates", "--format", "json", "--threshold", threshold, *asked)
        rows = {
            by_name(row["stratum"]["level"], row["stratum"]["side"]): row
            for row in json.loads(answer)["rows"]
        }
        expected = {
            name: int(max(numbers.mm(wall) for wall in WALLS) >= least)
            for name, numbers in told.items()
        }
        assert {name: row["breached"] for name, row in rows.items() if row["graded"]} == expected
        question = f"by=level,side&from={day}&to={day}&minimum=0&threshold={threshold}"
        page.goto(served.url(f"rates?{question}"))
        shown = {}
        for line in page.locator("tbody tr").all():
            cells = line.locator("td").all_inner_texts()
            placed, _, graded, breached = map(int, cells[:4])
            assert placed == 1
            if graded:
                shown[by_name(*line.locator("th").all_inner_texts())] = breached
        assert shown == expected
    for wall in WALLS:
        page.goto(served.url(f"rates?by=level,side&from={day}&to={day}&minimum=0&direction={wall}"))
        breached = sum(map(int, page.locator("tbody tr td:nth-of-type(4)").all_inner_texts()))
        assert breached == sum(numbers.mm(wall) >= 2.0 for numbers in told.values()), wall


@pytest.mark.parametrize(
    "script",
    [at_the_desk, copied_marks, cortex_by_gradient, rays_at_the_desk],
    ids=["desk", "copied", "cortex", "rays"],
)
def test_the_script_that_marks_cannot_see_what_was_drawn_or_how_it_is_measured(script):
    tree = ast.parse(Path(script.__file__).read_text(encoding="utf-8"))
    imported = {
        name
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in (
            [node.module] if isinstance(node, ast.ImportFrom) else [a.name for a in node.names]
        )
    }
    outside = {
        name for name in imported if name.split(".")[0] in {"demo_data", "registry", "tests"}
    }
    assert outside <= {"tests.journeys.at_the_desk", "tests.journeys.cortex_by_gradient"}


def test_a_contained_screw_one_through_two_walls_and_one_through_the_front_are_read_by_mouse(
    own_unit_with_ct, signed_in
):
    served = own_unit_with_ct
    visit = signed_in(served, "registrar")
    page = visit.open("/worklist")
    screws = owed(page)
    assert set(screws) == set(truth_of_all())
    places = find_screws(page, screws)
    told = {}
    for name in TO_BE_READ:
        visit.open("worklist")
        left = list(owed(page))
        page.get_by_role("link", name=name, exact=True).click()
        desk = Desk(page)
        assert desk.name == name
        told[name] = read(desk, places[name])
        desk.save()
        left.remove(name)
        expect(page.get_by_role("status")).to_contain_text("The last reading was saved.")
        assert page.locator("h1").inner_text() == left[0]
        visit.open("worklist")
        assert list(owed(page)) == left
    assert_near_truth(told)
    readings, consensuses = stored(served.home)
    for name, numbers in told.items():
        on_page = [numbers.mm(wall) for wall in WALLS]
        assert readings[name][:4] == consensuses[name][:4] == on_page
    front = told[THROUGH_THE_FRONT].mm("anterior")
    assert readings[THROUGH_THE_FRONT][4] == consensuses[THROUGH_THE_FRONT][4] == front
    assert set(readings) == set(told)
    # One surgeon operated that day: such a row is not shown to a registrar.
    assert_rates(served, signed_in(served, "quality lead").page, told)
    assert "the ledger is as its trail says" in served.run("verify")
