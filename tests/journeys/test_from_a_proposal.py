"""Two screws read from what the program itself proposed of a drawn scan, and both seen beside it.

The scan is the part of the drawn CT about L1; `propose` works on it as it does for a unit. The
reader's marks come from image gradients; the truth is that of `demo_data.scenario.ct`.
"""

from __future__ import annotations

import json
import re
from datetime import date
from decimal import Decimal

import numpy as np
import pytest
from playwright.sync_api import expect

from demo_data.scenario.ct.study import drawn_screws
from registry.domain.readings import ReadingRole
from registry.store.images import ImageStore
from registry.store.models.cases import Screw
from registry.store.models.readings import Assignment
from registry.store.models.scans import HeldImage
from tests.build.chromium import enter
from tests.build.ledgers import (
    NOW,
    PASSWORD,
    REGISTRAR,
    a_case,
    a_ledger,
    a_scan,
    a_screw,
    local_operator,
)
from tests.journeys.at_the_desk import Desk, asked_picture, expect_no_faults, tab_to_element
from tests.journeys.cortex_by_gradient import outlines
from tests.journeys.program import run, serving
from tests.journeys.rays_at_the_desk import RayHand
from tests.journeys.test_every_page_is_accessible import overflow, violations
from tests.journeys.test_reading_by_mouse import WALLS, WITHIN_MM, assert_near_truth

pytestmark = pytest.mark.browser

LEVEL, CASE = "L1", "OP-0"
ABOUT_MM = 15.0
"""Of the drawn CT this much is kept above and below the level's screws."""
SECTIONS = 3


@pytest.fixture
def served(made_unit_with_ct, tmp_path):
    """Give a served ledger whose one case has two screws, and what `propose` says of them."""
    home = tmp_path / "home"
    drawn = [screw for screw in drawn_screws() if screw.level == LEVEL]
    ledger = a_ledger(home)
    digest = keep_part(made_unit_with_ct / "images", ledger, drawn)
    with ledger.writing(local_operator(ledger), NOW) as work:
        case = a_case(work, ledger, 0, 1, date(2026, 2, 3))
        image = work.insert(HeldImage, "keep", digest=digest, added_at=NOW)
        scan = a_scan(work, case, date(2026, 2, 6), image)
        for one in drawn:
            screw = a_screw(work, case, one.level, one.side, 0)
            sizes = {"diameter_mm": Decimal(str(one.diameter_mm))}
            work.update(Screw, "correct a screw", screw, **sizes)
            owed = {"screw_id": screw, "scan_id": scan, "role": ReadingRole.FIRST}
            work.insert(Assignment, "ask", reason="on the audit scan", made_at=NOW, **owed)
    ledger.close()
    run(home, "propose", "--case", CASE)
    with serving(home) as given:
        yield given


def keep_part(folder, ledger, drawn):
    """Keep the slices about some screws as an image of their own; return its digest."""
    largest = max(folder.glob("*.voxels"), key=lambda path: path.stat().st_size)
    whole = ImageStore(folder).open(largest.stem)
    heights = whole.affine[2, 3] + whole.affine[2, 2] * np.arange(len(whole.voxels))
    ends = [end[2] for screw in drawn for end in (screw.entry_mm, screw.tip_mm)]
    kept = np.flatnonzero((heights > min(ends) - ABOUT_MM) & (heights < max(ends) + ABOUT_MM))
    affine = whole.affine.copy()
    affine[:3, 3] = (whole.affine @ [0, 0, kept[0], 1])[:3]
    with ledger.images.writer() as writer:
        writer.begin((len(kept), *whole.voxels.shape[1:]), "int16")
        for index, number in enumerate(kept):
            writer.write(index, np.asarray(whole.voxels[number]))
        return writer.seal(affine, {})


def hold(page, stage):
    """Hold that the page as it stands breaks no rule of accessibility, narrow and wide."""
    for width in (320, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        assert violations(page) == [], (stage, width)
        assert overflow(page) <= 0, (stage, width)


def proposed_desk(page, name):
    """Wait for a screw with its proposed axis, and return its desk with the sections."""
    expect(page.locator("h1")).to_have_text(name)
    expect(page.locator("#proposed-is")).to_be_focused()
    desk, address = Desk(page), page.url.partition("?")[0]
    axis = page.evaluate("async at => (await fetch(`${at}/proposed-axis`)).json()", address)
    places = {each: ",".join(map(str, axis[f"{each}_mm"])) for each in ("entry", "tip")}
    midplane = ";".join(",".join(map(str, point)) for point in axis["midplane_mm"])
    asked = f"entry={places['entry']}&tip={places['tip']}&midplane={midplane}"
    desk.sections = asked_picture(page, f"{address}/sections?{asked}")
    page.locator("#section[data-depth]").wait_for()
    return desk


def beside(page):
    """Return what stands beside each other for each wall: the reader's own and the program's."""
    rows = page.locator("table").first.locator("tbody tr").all()
    return {row.locator("th").inner_text(): row.locator("td").all_inner_texts()[:2] for row in rows}


def lose_the_line(visit):
    """Lose the line in mid-reading, look at the page, and have it back."""
    page, line = visit.page, visit.page.locator("#line")
    visit.context.set_offline(True)
    for key in ("o", "i"):
        page.keyboard.press(key)
    expect(line).to_contain_text("The server cannot be reached.")
    hold(page, "the line is lost")
    visit.context.set_offline(False)
    page.locator("#line-try").press("Enter")
    expect(line).to_be_hidden()
    visit.watch.problems = [
        told for told in visit.watch.problems if "ERR_INTERNET_DISCONNECTED" not in told
    ]


def test_a_proposed_axis_is_taken_read_by_keys_and_both_are_seen_kept_and_read_again(
    served, visiting
):
    proposed = {
        screw["side"]: screw
        for screw in json.loads(served.run("propose", "--case", CASE, "--format", "json"))["screws"]
    }
    visit = visiting(served)
    page = visit.page
    enter(visit.context, served.address, REGISTRAR.name, PASSWORD)
    # The contained one, typed: what the program found comes after saving, and is kept by one key.
    visit.open("worklist").get_by_role("link", name="L1 right", exact=True).click()
    desk = proposed_desk(page, "L1 right")
    page.locator("#proposed-is").press("Enter")
    desk.choose("typed")
    for wall in WALLS:
        page.locator(f"#typed-{wall}").fill("0")
    desk.save()
    expect(page.locator("h1")).to_have_text("L1 right: yours and the proposal")
    hold(page, "both readings")
    found = beside(page)
    assert all(found[wall] == ["0.0 mm", words(proposed["R"], wall)] for wall in WALLS)
    onward = page.get_by_role("button", name="Keep mine and read the next screw")
    expect(onward).to_be_focused()
    page.keyboard.press("Enter")
    # The one through two walls, by keys alone.
    desk = proposed_desk(page, "L1 left")
    page.keyboard.press("Enter")
    expect(page.locator("#section")).to_be_focused()
    page.keyboard.press("r")
    seen = outlines(desk.sections.values, desk.depths_mm, desk.sections.layout["spacing_mm"])
    chosen = [seen[round(at * (len(seen) - 1) / (SECTIONS - 1))] for at in range(SECTIONS)]
    desk.marked(RayHand(desk).mark(chosen))
    lose_the_line(visit)
    expect_no_faults(page)
    told = desk.told()
    assert_near_truth({"L1 left": told})
    tab_to_element(page, "#section", key="Shift+Tab")
    sagittal = endplate_by_keys(page, proposed["L"]["sagittal_deg"])
    page.keyboard.press("s")
    page.keyboard.press("Space")
    tab_to_element(page, "#save")
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_have_text("L1 left: yours and the proposal")
    for wall, (own, program) in beside(page).items():
        if wall in WALLS:
            assert own == f"{told.extents[wall]} mm"
            assert program == words(proposed["L"], wall)
            # Two who know nothing of each other: each of them within its own error of the truth.
            sd = float(program.split()[2])
            assert abs(float(program.split()[0]) - told.mm(wall)) <= 2 * sd + WITHIN_MM
    hold_the_axis_is_told(visit, sagittal)
    page.get_by_label("Why, in at most 100 characters").fill("took the rib for the wall")
    page.get_by_role("button", name="Read again with the proposal in view").click()
    proposed_desk(page, "L1 left")
    # The same tenths and names as in the table, pedicle walls first.
    measured = ", ".join(f"{wall} {words(proposed['L'], wall)}" for wall in WALLS)
    expect(page.locator("#proposed-measured")).to_contain_text(f"The program measured {measured}")
    hold(page, "what was measured is in view")


def words(screw, wall):
    """Return an extent that `propose` printed as the pages print it."""
    return f"{screw['extent_mm'][wall]:.1f} ± {screw['uncertainty_mm'][wall]:.1f} mm"


def endplate_by_keys(page, by_program):
    """Look at the endplate that was found, move it, take that back; return the angle as told."""
    told = page.locator("#sagittal-told")
    expect(told).to_contain_text("look at it here and it counts")
    page.keyboard.press("e")
    expect(page.locator("#upright")).to_be_focused()
    expect(told).to_have_text(re.compile(r"^-?\d+\.\d°$"))
    hold(page, "the upper endplate")
    found = told.inner_text()
    # By another way than the proposal's: both are within their error of the drawn angle.
    assert abs(float(found[:-1]) - by_program) <= 6.0
    page.keyboard.press("Shift+ArrowUp")
    expect(told).not_to_have_text(found)
    # A plate whose front stands higher has the tip lower.
    assert float(told.inner_text()[:-1]) < float(found[:-1])
    page.keyboard.press("Control+z")
    expect(told).to_have_text(found)
    page.keyboard.press("e")
    expect(page.locator("#section")).to_be_focused()
    return found


def hold_the_axis_is_told(visit, sagittal):
    """Hold that the reading, opened again, says whose its axis was, and its angle and picture."""
    page, here = visit.page, visit.page.url
    page.get_by_role("link", name="Your reading as it was saved").click()
    expect(page.get_by_text("The program proposed entry and tip from the metal")).to_be_visible()
    expect(page.get_by_text(sagittal, exact=True)).to_be_visible()
    picture = page.get_by_alt_text("The midplane at L1 left with")
    picture.scroll_into_view_if_needed()
    page.wait_for_function(
        "image => image.complete && image.naturalWidth > 0", arg=picture.element_handle()
    )
    page.goto(here)
