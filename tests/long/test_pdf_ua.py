"""Every kind of PDF against all machine-checked rules of PDF/UA-1, by veraPDF."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pikepdf
import pytest

from registry.actions.accounts import acting
from registry.actions.initialise import initialise
from registry.actions.meeting_pack import PackOrder, meeting_pack
from registry.actions.own_results import own_as_document, own_results
from registry.actions.quarter_files import quarter_files
from registry.actions.quarter_numbers import quarter_numbers
from registry.actions.seal_quarter import seal_quarter, seal_supplement
from reports.documents.meeting_document import meeting_document
from reports.documents.own_document import own_document
from reports.documents.pdf import as_pdf
from tests.build import meeting, quarters, sealable
from tests.build.ledgers import NOW, SURGEON, local_operator, viewer
from tests.build.pdf_ua import failed_rules
from tests.build.two_readings import LATER
from tests.documents.test_own_results import QUESTION, SETTLED, surgeon

if TYPE_CHECKING:
    from pathlib import Path

EVERY = (meeting.DECIDED, meeting.UNREAD, meeting.SACRAL, meeting.TYPED)
KINDS = ("quarter", "supplement", "own results", "own results, pictures", "meeting pack")


@pytest.fixture(scope="module")
def pdfs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Make one of each kind, the first with every chart, the last two with pictures."""
    place = tmp_path_factory.mktemp("pdfs")
    made = {}
    ledger = initialise(place / "quarters", {}, NOW)
    quarters.fill_quarters(ledger)
    report = quarter_numbers(ledger, acting(ledger, None), "2026Q1", SETTLED)
    made["quarter"] = quarter_files(report)["2026Q1.pdf"]
    own = own_results(ledger, surgeon(ledger, quarters.SURGEONS[0]), QUESTION, SETTLED)
    made["own results"] = as_pdf(own_document(own, {}))
    ledger.close()

    ledger = initialise(place / "sealable", {}, NOW)
    people = sealable.fill_sealable(ledger)
    local, when = acting(ledger, None), sealable.LATER
    sealable.a_case(ledger, "OP-3", "Bodo Carl")
    seal_quarter(ledger, local, sealable.PERIOD, place / "seal", when)
    sealable.a_reading(ledger, "OP-3")
    more = seal_supplement(ledger, people["lena"], sealable.PERIOD, place / "more", when)
    made["supplement"] = more[f"{sealable.PERIOD}.pdf"]
    ledger.close()

    ledger = initialise(place / "meeting", {}, NOW)
    meeting.fill_meeting(ledger)
    pack = meeting_pack(ledger, local_operator(ledger), PackOrder(EVERY), LATER)
    made["meeting pack"] = as_pdf(meeting_document(pack.pack))
    anna = viewer(ledger, SURGEON)
    own = own_results(ledger, anna, QUESTION, LATER)
    made["own results, pictures"] = as_pdf(own_as_document(ledger, anna, own))
    ledger.close()
    for name, content in made.items():
        (place / f"{name}.pdf").write_bytes(content)
    return {name: place / f"{name}.pdf" for name in KINDS}


def test_no_pdf_breaks_a_rule_of_pdf_ua(pdfs: dict[str, Path]):
    found = dict(zip(pdfs, failed_rules(list(pdfs.values())), strict=True))
    assert found == {kind: set() for kind in KINDS}


def _no_language(made: pikepdf.Pdf) -> None:
    del made.Root.Lang


def _not_tagged(made: pikepdf.Pdf) -> None:
    made.Root.MarkInfo.Marked = False


def _no_words_for_figures(made: pikepdf.Pdf) -> None:
    for each in made.objects:
        if isinstance(each, pikepdf.Dictionary) and each.get("/S") == "/Figure":
            del each["/Alt"]


def _no_title_shown(made: pikepdf.Pdf) -> None:
    made.Root.ViewerPreferences.DisplayDocTitle = False


BREAKS = {
    _no_language: "7.2-34",
    _not_tagged: "6.2-1",
    _no_words_for_figures: "7.3-1",
    _no_title_shown: "7.1-10",
}
"""Ways to break a rule, and the rule that veraPDF names."""


def test_what_breaks_a_rule_is_named(pdfs: dict[str, Path], tmp_path: Path):
    broken = []
    for number, spoil in enumerate(BREAKS):
        with pikepdf.open(pdfs["own results"]) as made:
            spoil(made)
            made.save(tmp_path / f"{number}.pdf")
        broken.append(tmp_path / f"{number}.pdf")
    for found, rule in zip(failed_rules(broken), BREAKS.values(), strict=True):
        assert rule in found
