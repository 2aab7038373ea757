"""A registrar's scans: sent up, chosen, matched and read, by keyboard; broken off, gone on with."""

from __future__ import annotations

import re
import shutil
import zipfile

import pytest
from playwright.sync_api import expect

from tests.journeys.browsing import tab_to
from tests.journeys.program import serving
from tests.journeys.test_registrar import SCREWS, TELLING, found_in
from tests.journeys.units import KEPT_SLICES, copied, drawn_case

pytestmark = pytest.mark.browser

FILES = KEPT_SLICES + 3
"""The slices, a scout, a picture and a text file."""
PATIENT = drawn_case().patient.reference


@pytest.fixture(scope="module")
def served(made_unit, tmp_path_factory):
    """Give a unit without images, served."""
    with serving(copied(made_unit, tmp_path_factory.mktemp("coming") / "home")) as found:
        yield found


@pytest.fixture(scope="module")
def study(drawn_files, tmp_path_factory):
    """Give the files as a stick holds them."""
    folder = tmp_path_factory.mktemp("stick") / "study"
    shutil.copytree(drawn_files, folder)
    (folder / "read me.txt").write_text("Invented viewer")
    return folder


def incoming(served):
    """Return the files of the spool."""
    return [path for path in (served.home / "incoming").rglob("*") if path.is_file()]


def test_a_scan_is_sent_chosen_and_read_by_keyboard_alone(served, study, signed_in):
    visit = signed_in(served, "registrar", recorded=True)
    page = visit.open("/scans/add")
    tab_to(page, "A folder, with all that is in it")
    # The system's own window, in which a folder is chosen, is none of the page's.
    page.get_by_label("A folder").set_input_files(study)
    expect(page.get_by_text(f"{FILES} files chosen")).to_be_visible()
    tab_to(page, "Send")
    page.keyboard.press("Enter")
    expect(page.get_by_role("progressbar")).to_be_visible()
    page.get_by_role("heading", name="Which series is read").wait_for()
    told = page.get_by_role("table", name="3 series in all files")
    assert told.get_by_role("radio").count() == 1
    expect(told.get_by_text("(proposed)")).to_be_visible()
    for left_out in ("1 file: localizer", "1 file: secondary capture", "1 file: not DICOM"):
        expect(page.get_by_text(left_out)).to_be_visible()
    expect(page.get_by_text("a reading of yours is not blind")).to_be_visible()
    tab_to(page, "Why it was made")
    page.keyboard.type("rout")
    tab_to(page, "Attach it and have it read")
    page.keyboard.press("Enter")
    page.get_by_text("Read and attached").wait_for()
    expect(page.get_by_text(f"{len(SCREWS)} readings are owed")).to_be_visible()
    tab_to(page, "To the worklist")
    page.keyboard.press("Enter")
    table = page.get_by_role("table", name=f"{len(SCREWS)} readings are owed")
    expect(table).to_be_visible()
    assert table.get_by_role("rowheader").all_inner_texts() == SCREWS
    assert all("matched" in text for text in table.locator("td:nth-child(3)").all_inner_texts())
    assert incoming(served) == []
    # To match a scan they are told which case it is, and nothing of whose hand it was.
    allowed = {drawn_case().reference}
    assert {word for _, word in found_in(visit.answers, TELLING)} <= allowed
    assert found_in(visit.answers, [PATIENT]) == []


def test_what_is_up_outlives_the_page_and_is_gone_on_with_or_dropped(served, study, signed_in):
    visit = signed_in(served, "registrar")
    page = visit.open("/scans/add")
    passed = []

    def let_some_through(route):
        """Break the line once, let ten files pass, and then answer nothing more."""
        passed.append(route)
        if len(passed) == 3:
            route.abort("aborted")
        elif len(passed) <= 12:
            route.continue_()

    page.route("**/files", let_some_through)
    page.get_by_label("A folder").set_input_files(study)
    page.get_by_role("button", name="Send").click()
    # The third was sent again: its line broke.
    page.get_by_text(f"11 of {FILES} files are up").first.wait_for()
    where = page.url
    page.close()
    visit.page = page = visit.context.new_page()
    visit.open("/scans/")
    expect(page.get_by_role("row", name="Files are coming in").first).to_be_visible()
    page.get_by_role("table").get_by_role("link").first.click()
    assert page.url == where
    there = int(re.search(r"(\d+) files?, ", page.locator("main").inner_text())[1])
    assert there >= 11
    sent = []
    page.on("request", lambda request: sent.append(request.url.endswith("/files")))
    page.get_by_label("A folder").set_input_files(study)
    page.get_by_role("button", name="Send").click()
    page.get_by_role("heading", name="Which series is read").wait_for()
    expect(page.get_by_text(f"{FILES} files")).to_be_visible()
    assert sum(sent) == FILES - there
    assert len(incoming(served)) >= FILES
    page.get_by_role("button", name="Cancel it").click()
    expect(page.get_by_text("Cancelled by registrar.")).to_be_visible()
    assert incoming(served) == []


def test_a_refused_file_is_named_and_a_zip_goes_up_in_pieces(served, study, signed_in, tmp_path):
    visit = signed_in(served, "registrar")
    visit.watch.refusals.add(400)
    page = visit.open("/scans/add")
    slices = sorted((study / "axial").iterdir())
    spoilt_words, pieces = set(), []

    def spoil_one(route):
        """Have the server refuse the first slice, by a word that is none of the script's.

        Several files go at once: which slice comes first is not known.
        """
        headers = route.request.headers
        pieces.append(headers["file-start"])
        is_slice = int(headers["file-size"]) < zipped_bytes
        if (is_slice and not spoilt_words) or headers["file-word"] in spoilt_words:
            spoilt_words.add(headers["file-word"])
            headers = {**headers, "file-word": "f" * 40}
        route.continue_(headers=headers)

    with zipfile.ZipFile(tmp_path / "stick.zip", "w") as packed:
        for path in slices:
            packed.write(path, f"study/{path.name}")
    zipped_bytes = (tmp_path / "stick.zip").stat().st_size
    page.route("**/files", spoil_one)
    page.get_by_label("Files or zips").set_input_files([*slices[:3], tmp_path / "stick.zip"])
    page.get_by_role("button", name="Send").click()
    page.get_by_text("1 file could not be sent").wait_for()
    refused = page.get_by_role("alert").inner_text()
    assert sum(path.name in refused for path in slices[:3]) == 1, refused
    expect(page.get_by_text("3 of 4 files are up").first).to_be_visible()
    assert zipped_bytes > 4 * 1024 * 1024
    assert {str(start) for start in range(0, zipped_bytes, 1024 * 1024)} <= set(pieces)
    page.get_by_role("button", name="That is all").click()
    page.get_by_role("heading", name="Which series is read").wait_for()
    expect(page.get_by_text(f"series of {KEPT_SLICES} slices")).to_be_visible()
    expect(page.get_by_text("2 files: copy of an image")).to_be_visible()
    page.get_by_role("button", name="Cancel it").click()
    expect(page.get_by_text("Cancelled by registrar.").first).to_be_visible()


def test_cancelling_half_way_leaves_nothing(served, study, signed_in):
    visit = signed_in(served, "registrar")
    page = visit.open("/scans/add")
    passed = []

    def hold_back(route):
        """Let five files pass and keep the others waiting."""
        passed.append(route)
        if len(passed) <= 5:
            route.continue_()

    page.route("**/files", hold_back)
    page.get_by_label("A folder").set_input_files(study)
    page.get_by_role("button", name="Send").click()
    page.get_by_text(f"5 of {FILES} files are up").first.wait_for()
    assert len(incoming(served)) >= 5
    page.get_by_role("button", name="Cancel and drop what is up").click()
    expect(page.get_by_text("Cancelled by registrar.").first).to_be_visible()
    assert incoming(served) == []
