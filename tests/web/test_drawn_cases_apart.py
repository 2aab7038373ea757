"""Every page of a ledger with drawn cases is, letter for letter, that of one without."""

from __future__ import annotations

import re
import shutil
from typing import TYPE_CHECKING

from sqlalchemy import func, select

from registry.store.home import open_ledger
from registry.store.models.cases import Case, Screw
from registry.store.models.scans import Scan
from registry.web.app import create_app
from tests.build.loaded import fill_drawn
from tests.web.conftest import ATTACKED_AT
from tests.web.every_route import (
    QUALITY_LEAD,
    REGISTRAR,
    SURGEON,
    address_of,
    every_route,
    signed_in,
)

if TYPE_CHECKING:
    from pathlib import Path

# Tokens are drawn by lot, and the trail's numbers tell how much everybody did.
_BY_LOT = re.compile(rb'"(csrf_token|form-token)" (value|content)="[^"]+"|/trail/\d+|no\. \d+')
SAYS_SO = {
    # To the lead: the trail is whole, and known truth is shown.
    *("trail.listed", "trail.event", "known_truth.show", "known_truth.sent", "practice.truth"),
    "readers.show",
    # What a reader missed is shown with what it was read on.
    *("evidence.show", "evidence.picture", "evidence.section", "evidence.along"),
}


def answers(home: Path, account, numbers):
    ledger = open_ledger(home, {})
    app = create_app(ledger, clock=lambda: ATTACKED_AT)
    app.config["TESTING"] = True
    client, found = signed_in(app, account), {}
    for route in every_route(app, "GET"):
        says_so = account is QUALITY_LEAD and route.endpoint in SAYS_SO
        if route.is_static or route.texts or says_so:
            continue
        for number in numbers if route.numbers else numbers[:1]:
            answer = client.get(address_of(app, route, number))
            content = re.sub(_BY_LOT, b"", answer.data)
            # A refusal names its request.
            found[str(route), number] = (
                answer.status_code,
                content if answer.status_code == 200 else b"",
            )
            answer.close()
    ledger.close()
    return found


def test_every_page_is_as_if_nothing_were_drawn(attacked_home: Path, tmp_path: Path):
    plain, drawn = tmp_path / "plain", tmp_path / "drawn"
    for home in (plain, drawn):
        shutil.copytree(attacked_home, home)
    ledger = open_ledger(drawn, {})
    fill_drawn(ledger)
    with ledger.reading() as session:
        # Of the copy that nobody here was given: its case, scan and screw.
        hidden = {
            session.execute(
                select(func.max(model.id)).execution_options(with_drawn=True)
            ).scalar_one()
            for model in (Case, Scan, Screw)
        }
    ledger.close()
    for account, numbers in (
        (QUALITY_LEAD, [1, *sorted(hidden)]),
        (SURGEON, [1]),
        (REGISTRAR, [1]),
    ):
        before, after = (answers(home, account, numbers) for home in (plain, drawn))
        assert len(before) >= 50
        differing = [key for key in before if before[key] != after[key]]
        assert differing == [], account.name
