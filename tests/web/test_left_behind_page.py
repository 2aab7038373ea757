"""What was left behind of a scan's files, on the page that corrects the scan."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from registry.actions.accounts import acting
from registry.actions.load_scan import ScanOrder, load_scan
from tests.build.ledgers import NOW, QUALITY_LEAD
from tests.imaging.written_files import slices, write
from tests.web.reading_pages import table_rows

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from flask.testing import FlaskClient

    from registry.store.home import Ledger


@pytest.mark.filterwarnings("ignore:.*:UserWarning:pydicom")
def test_the_attributes_are_listed_by_name_and_no_value_is_shown(
    ledger: Ledger, client_of: Callable[..., FlaskClient], tmp_path: Path
):
    made = slices(9, PatientID="H0")
    for dataset in made:
        dataset.OperatorsName = "Planted^Operator"
        dataset.private_block(0x0011, "PLANTED", create=True).add_new(1, "LO", "PLANTED")
    write(made, tmp_path / "ct")
    loaded = load_scan(
        ledger, acting(ledger, None), [tmp_path / "ct"], ScanOrder(case_ref="OP-0"), NOW
    )
    assert loaded.left_behind.private == 1
    lead = client_of(QUALITY_LEAD)
    listed = lead.get("/cases/1/correct").text
    address = next(
        part.split('"')[0]
        for part in listed.split('href="')
        if "/scans/" in part.split('"')[0] and "2026-03-02" in part.split("</a>")[0]
    )
    page = lead.get(address)
    rows = table_rows(page.text)
    assert ["(0008,1070)", "Operators' Name", "nowhere here"] in rows
    assert ["(0010,0010)", "Patient's Name", "in the encrypted vault"] in rows
    assert len(rows) == len(loaded.left_behind.could_name) + 1
    assert "Private attributes: 1, in groups: 1" in page.text
    for value in ("planted", "invented", "acc-77"):
        assert value not in page.text.casefold()


def test_a_scan_without_a_report_has_its_page(
    client_of: Callable[..., FlaskClient],
):
    """Its image was taken in before reports were made, or it is held elsewhere."""
    lead = client_of(QUALITY_LEAD)
    for case in (8, 1):
        listed = lead.get(f"/cases/{case}/correct").text
        address = next(
            part.split('"')[0]
            for part in listed.split('href="')
            if part.split('"')[0].endswith("/correct") and "/scans/" in part.split('"')[0]
        )
        page = lead.get(address)
        assert page.status_code == 200
        assert "left behind" not in page.text
