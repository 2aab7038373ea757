"""A pack for the morbidity meeting: its numbers, its order, and whom nothing of it names.

The PDF is read by poppler (`pdftotext`, `pdfinfo`) and pikepdf (qpdf), other programs than the one
that wrote it.
"""

from __future__ import annotations

import io
import json
import re
import shutil
import subprocess
from base64 import b64decode
from typing import TYPE_CHECKING

import numpy as np
import pikepdf
import pytest
from PIL import Image
from sqlalchemy import select

from registry.actions.check_ledger import check_ledger
from registry.actions.evidence import drawable
from registry.actions.evidence_drawing import section_values
from registry.actions.meeting_files import give_pack, write_pack
from registry.actions.meeting_pack import PackOrder, chosen_screws, meeting_pack
from registry.actions.withdraw import WhoWithdraws, withdraw
from registry.domain.directions import PEDICLE_WALLS
from registry.domain.meeting import AtLeast
from registry.domain.problems import BadInputError, NotAllowedError, NotFoundError
from registry.store.home import open_ledger
from registry.store.models.patients import Patient
from registry.store.models.scans import HeldImage
from registry.store.models.trail import EventRow
from registry.store.models.unit import CaseSeen
from registry.store.queries.screw_readings import screw_in_full
from reports.charts.sheet import greys
from reports.documents.html import as_html
from reports.documents.meeting_document import meeting_document
from reports.documents.pdf import as_pdf
from tests.build.evidenced import WINDOW
from tests.build.ledgers import (
    QUALITY_LEAD,
    REGISTRAR,
    STEWARD,
    SURGEON,
    local_operator,
    viewer,
)
from tests.build.meeting import (
    DECIDED,
    IDENTITIES,
    SACRAL,
    TYPED,
    UNREAD,
    fill_meeting,
)
from tests.build.two_readings import LATER

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from registry.actions.meeting_pack import MadePack
    from registry.store.home import Ledger

EVERY = (TYPED, SACRAL, UNREAD, DECIDED)


@pytest.fixture(scope="module")
def made_home(templates, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    with templates.copied("sqlite", tmp_path_factory.mktemp("meeting") / "home") as place:
        made = place.open()
        fill_meeting(made)
        made.close()
        yield place.home


@pytest.fixture
def unit(made_home: Path, tmp_path: Path) -> Iterator[Ledger]:
    shutil.copytree(made_home, tmp_path / "unit")
    opened = open_ledger(tmp_path / "unit", {})
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def pack(made_home: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadePack]:
    home = tmp_path_factory.mktemp("packed") / "unit"
    shutil.copytree(made_home, home)
    ledger = open_ledger(home, {})
    yield meeting_pack(ledger, viewer(ledger, QUALITY_LEAD), PackOrder(EVERY), LATER)
    ledger.close()


@pytest.fixture(scope="module")
def pdf(pack: MadePack) -> bytes:
    return as_pdf(meeting_document(pack.pack))


def poppler(program: str, data: bytes, *given: str) -> str:
    output = ["-"] if program == "pdftotext" else []
    asked = [program, *given, "-", *output]
    done = subprocess.run(asked, input=data, capture_output=True, check=True)
    return done.stdout.decode()


def events(ledger: Ledger, verb: str) -> list[EventRow]:
    with ledger.reading() as session:
        query = select(EventRow).where(EventRow.verb == verb).order_by(EventRow.sequence)
        found = list(session.execute(query).scalars())
        session.expunge_all()
    return found


def test_pages_come_by_level_and_side_whatever_the_order_of_choosing(pack):
    assert [page.name for page in pack.pack.pages] == ["L3 left", "L4 left", "L4 right", "S1 left"]
    assert [screw.screw_id for screw in pack.screws] == [TYPED, DECIDED, UNREAD, SACRAL]
    assert list(EVERY) != [TYPED, DECIDED, UNREAD, SACRAL]
    assert pack.pack.patients == 2


def test_each_number_of_a_page_is_that_of_the_screw_s_own_page(unit, pack):
    asking = viewer(unit, QUALITY_LEAD)
    for page, screw in zip(pack.pack.pages, pack.screws, strict=True):
        if screw.screw_id == UNREAD:
            continue
        with unit.reading() as session:
            read = screw_in_full(session, asking, (0, 90), screw.screw_id)
        extents = read.scans[0].consensus.extents_mm
        told = {each.wall: each.extent for each in page.walls}
        for wall in PEDICLE_WALLS:
            mm = extents[wall]
            expected = "not measured" if mm is None else "0" if mm == 0 else str(mm)
            assert told[wall].split(" ±")[0] == expected
    decided = pack.pack.pages[1]
    # 6.5 mm screw, round cortex of 5 mm: 3.25 + 6.5 - 5 = 4.75 and 3.25 + 5.8 - 5 = 4.05 mm, to the
    # tenth 4.8 and 4.1 (half up), whose mean is 4.5.
    assert decided.walls[0].extent.startswith("4.5 ± ")
    assert decided.grade == "D"
    assert "medial 4.8" in decided.beside_pictures[0]
    assert decided.why == ("Two readings agree: both grade D; averaged wall by wall.",)


def test_a_section_holds_the_values_of_the_image_each_as_a_square(unit, pack):
    made = meeting_pack(unit, local_operator(unit), PackOrder([DECIDED]), LATER)
    picture = made.pack.pages[0].section
    drawn = np.asarray(Image.open(io.BytesIO(picture.png)).convert("RGB")).astype(int)
    assert drawn.shape == (960, 960, 3)
    held = drawable(unit, local_operator(unit), 1)
    values = section_values(held.image, held.marks, held.document, held.document.depth_mm)
    # What is drawn is 14.75 mm wide; with 3 mm around it, a square of 24: 96 values of 0.25 mm.
    squares, grey = drawn[5::10, 5::10], greys(values, WINDOW)
    assert np.mean(squares.repeat(10, axis=0).repeat(10, axis=1) == drawn) > 0.9
    same = max(
        np.mean(squares[::3, ::3, 0] == grey[row : row + 96 : 3, column : column + 96 : 3])
        for row in range(65)
        for column in range(65)
    )
    assert same > 0.9
    assert "4.8" in picture.alternative
    # The same screw is the same picture in another pack.
    assert picture == pack.pack.pages[1].section


def test_a_screw_without_a_picture_says_so_and_why(pack):
    typed = pack.pack.pages[0]
    assert typed.section is None
    assert typed.beside_pictures == ("No picture: the screw was not set on an image here.",)
    unread = pack.pack.pages[2]
    assert unread.section is None
    assert unread.verdict == (
        "It is not graded: nobody has read it on the scan that its case is counted on."
    )
    assert [page.section is not None for page in pack.pack.pages] == [False, True, False, True]


def test_a_kept_picture_stands_in_where_the_images_are_gone(unit):
    with unit.writing(local_operator(unit), LATER) as work:
        work.update(HeldImage, "take out", 1, removed_at=LATER)
    made = meeting_pack(unit, local_operator(unit), PackOrder([SACRAL]), LATER)
    page = made.pack.pages[0]
    assert page.along is None
    assert page.section.png in {unit.pictures.content(one) for one in unit.pictures.digests()}


def test_nothing_of_a_pack_names_a_person_a_patient_a_case_or_a_day(pack, pdf):
    words = poppler("pdftotext", pdf) + poppler("pdfinfo", pdf) + as_html(
        meeting_document(pack.pack)
    ).decode().replace("2026-03-02", "")  # fmt: skip
    words = re.sub(r"base64,[^\"]+", "", words)
    found = [one for one in IDENTITIES if re.search(rf"(?<!\w){re.escape(one)}(?!\w)", words)]
    assert not found
    assert "entry technique" in words.lower()
    assert "other, as its case says" in words


def test_no_byte_of_a_pack_s_files_holds_an_identity(unit, pack, pdf):
    # What no reader shows is looked at too: metadata, alternatives, streams, the pictures' chunks.
    held = [as_html(meeting_document(pack.pack)), *_parts(pdf)]
    pictures = re.findall(rb"base64,([A-Za-z0-9+/=]+)", held[0])
    chunks = [Image.open(io.BytesIO(b64decode(each))).info for each in pictures]
    assert len(chunks) == 4
    assert not [each for each in chunks if each.keys() - {"dpi", "gamma", "srgb"}]
    held[0] = re.sub(rb"base64,[^\"]+", b"", held[0])
    with unit.reading() as session:
        secret = [
            *session.execute(select(Patient.pseudonym)).scalars(),
            *session.execute(select(HeldImage.digest)).scalars(),
            *(each for each in IDENTITIES if len(each) > 3 and each not in _OF_A_CALENDAR),
        ]
    words = b"\n".join(held)
    found = [
        one
        for one in secret
        for form in ("utf-8", "utf-16-be")
        if re.search(rb"(?<!\w)" + re.escape(one.encode(form)) + rb"(?!\w)", words)
    ]
    assert not found
    assert b"Pack for the morbidity meeting" in words


_OF_A_CALENDAR = ("Lead",)
"""A surname that is a word of the pack's own."""


def _parts(pdf: bytes) -> Iterator[bytes]:
    """Yield every stream of a PDF as it was before it was packed, and every text of its objects."""
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        for each in opened.objects:
            if isinstance(each, pikepdf.Stream) and each.get("/Subtype") != "/Image":
                yield each.read_bytes()
            if isinstance(each, pikepdf.Dictionary | pikepdf.Array):
                yield each.unparse(resolved=True)
            if isinstance(each, pikepdf.Dictionary):
                yield from (str(one).encode() for one in each.as_dict().values()
                            if isinstance(one, pikepdf.String))  # fmt: skip


def test_quarter_and_pseudonym_stand_on_a_page_only_where_they_are_asked_for(unit, pack):
    asked = PackOrder([TYPED], has_quarters=True, has_pseudonyms=True)
    (full,) = meeting_pack(unit, local_operator(unit), asked, LATER).pack.pages
    bare = dict(pack.pack.pages[0].facts)
    assert {"Quarter", "Pseudonym"} == dict(full.facts).keys() - bare.keys()
    assert dict(full.facts)["Quarter"] == "2026Q1"


def test_the_pdf_has_a_cover_and_a_page_a_screw_each_with_the_caution(pdf):
    pages = poppler("pdftotext", pdf, "-layout").split("\f")[:-1]
    assert len(pages) == 5
    for number, page in enumerate(pages[1:], 1):
        assert f"Screw {number}: " in page
        assert "What the meeting says" in page
        assert ("S1 root" if "S1 left" in page else "dura, traversing root") in page
    assert all("not for diagnosis or treatment decisions" in page for page in pages)


def test_the_pdf_tells_each_picture_in_words_and_is_marked_as_accessible(pdf, pack):
    with pikepdf.open(io.BytesIO(pdf)) as opened:
        told = [str(each.Alt) for each in opened.objects
                if isinstance(each, pikepdf.Dictionary) and "/Alt" in each]  # fmt: skip
        with opened.open_metadata() as metadata:
            assert metadata["pdfuaid:part"] == "1"
    pictures = [one for page in pack.pack.pages for one in (page.section, page.along) if one]
    assert sorted(told) == sorted(one.alternative for one in pictures)
    assert len(pictures) == 4


def test_the_same_pack_is_the_same_bytes(pack, pdf):
    assert as_pdf(meeting_document(pack.pack)) == pdf


def test_a_surgeon_packs_own_cases_alone_and_others_see_none(unit):
    asking = viewer(unit, SURGEON)
    assert [one.screw_id for one in chosen_screws(unit, asking, [DECIDED], LATER)] == [DECIDED]
    with pytest.raises(NotFoundError, match="not among those you may see"):
        chosen_screws(unit, asking, [DECIDED, TYPED], LATER)
    for account in (REGISTRAR, STEWARD):
        with pytest.raises(NotAllowedError):
            meeting_pack(unit, viewer(unit, account), PackOrder([DECIDED]), LATER)


def test_a_pack_and_each_of_its_screws_are_events_and_the_ledger_is_whole(unit, pack, tmp_path):
    asking = viewer(unit, QUALITY_LEAD)
    write_pack(unit, asking, pack, tmp_path / "out", LATER)
    assert {each.name for each in (tmp_path / "out").iterdir()} == {
        "meeting-pack.html",
        "meeting-pack.pdf",
    }
    (whole,) = events(unit, "make a meeting pack")
    assert whole.actor == QUALITY_LEAD.name
    assert json.loads(whole.reason)["rows"] == {"screws": 4}
    put_in = events(unit, "put into a meeting pack")
    assert [(each.record, each.reason) for each in put_in] == [
        # Without its place in the pack, which would tell its surgeon of others' screws.
        (f"screw:{number}", f"in {whole.record}")
        for number in (TYPED, DECIDED, UNREAD, SACRAL)
    ]
    give_pack(unit, asking, pack, "pdf", LATER)
    assert len(events(unit, "make a meeting pack")) == 2
    assert not check_ledger(unit, local_operator(unit))


def test_who_is_shown_the_screws_has_looked_at_their_cases(unit):
    asking = viewer(unit, QUALITY_LEAD)
    chosen_screws(unit, asking, [DECIDED, TYPED], LATER)
    chosen_screws(unit, asking, [DECIDED], LATER)
    with unit.reading() as session:
        seen = select(CaseSeen.case_id).where(CaseSeen.account_id == asking.account_id)
        assert sorted(session.execute(seen).scalars()) == [1, 2]


def test_words_that_name_somebody_and_packs_of_none_or_too_many_are_refused(unit):
    asking = local_operator(unit)
    for words in ("as Anna Berg asked", "the case OP-0", "of 3.2.2026", "number 123456", "x" * 201):
        with pytest.raises(BadInputError, match="the cover names nobody"):
            meeting_pack(unit, asking, PackOrder([DECIDED], words=words), LATER)
    fine = PackOrder([TYPED], words="to talk about the lateral wall")
    assert meeting_pack(unit, asking, fine, LATER).pack.chosen[1].endswith("the lateral wall")
    for ids in ([], range(61)):
        with pytest.raises(BadInputError):
            meeting_pack(unit, asking, PackOrder(ids), LATER)


def test_a_cover_never_says_more_of_its_screws_than_they_show(unit):
    asking = local_operator(unit)
    outside = PackOrder([DECIDED], AtLeast.TWO_MM)
    assert "by 2 mm or more" in meeting_pack(unit, asking, outside, LATER).pack.chosen[0]
    for ids in ([UNREAD], [DECIDED, UNREAD]):
        with pytest.raises(BadInputError, match="one of these screws is not outside a wall"):
            meeting_pack(unit, asking, PackOrder(ids, AtLeast.TWO_MM), LATER)
        with pytest.raises(BadInputError, match="choose them again on the list"):
            chosen_screws(unit, asking, ids, LATER, AtLeast.TWO_MM)


def test_a_withdrawn_patient_s_screws_are_in_no_pack(unit):
    withdraw(unit, local_operator(unit), WhoWithdraws(case_ref="OP-0"), "asked to", LATER)
    with pytest.raises(NotFoundError, match="withdrawn"):
        chosen_screws(unit, local_operator(unit), [DECIDED], LATER)
