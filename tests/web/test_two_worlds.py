"""A surgeon is given the same, byte by byte, whatever was found of colleagues' screws.

Over every page, picture, file and link of a surgeon's account: a share here, in a unit of two;
every surgeon of units of two, three and six, and a registrar who puts screws in, in `tests/long`.
"""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import pytest

from registry.web.app import create_app
from tests.web.every_route import QUALITY_LEAD, signed_in
from tests.web.two_worlds import (
    SETTLED_AT,
    answer,
    begun,
    client_of,
    one_world,
    questions,
    surgeons,
    told_apart,
)

if TYPE_CHECKING:
    from pathlib import Path

    from tests.web.two_worlds import Unit

PLAIN = ("/own/report.pdf", "/cases/", "/cases/2", "/screws/1", "/trail/", "/trail/3",
         "/quarters/2026Q1/reply", "/explore/screws",
         "/rates", "/rates.json?by=quarter", "/surgeons.json",
         "/meeting-pack/?least=every")  # fmt: skip
SHARE = 4


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Unit:
    return begun(tmp_path_factory.mktemp("worlds") / "unit", 2)


def test_nothing_that_a_surgeon_is_given_depends_on_a_colleague_s_results(
    unit: Unit, tmp_path: Path
):
    chosen = random.Random(7).sample(list(questions()), SHARE)  # noqa: S311 - no secret
    assert told_apart(unit, tmp_path, surgeons(2)[1], (*PLAIN, *chosen)) == []


def test_the_two_worlds_are_told_apart_by_who_may_see_every_surgeon(unit: Unit, tmp_path: Path):
    # So the comparison is one that can fail.
    asked = ("/rates.json", "/explore", "/surgeons.json", "/account")
    assert told_apart(unit, tmp_path, QUALITY_LEAD, asked) == list(asked[:3])


def test_what_was_worked_out_for_one_viewer_is_given_to_no_other(unit: Unit, tmp_path: Path):
    # The counted screws and whole answers are kept while no record changes: one application here.
    asked = ("/explore?minimum=0", "/rates.json?by=level&by=side", "/surgeons.json")
    alone, kept = (one_world(unit, tmp_path / name) for name in ("alone", "kept"))
    expected = [answer(client_of(alone, surgeons(2)[0], SETTLED_AT), each) for each in asked]
    app = create_app(kept, clock=lambda: SETTLED_AT)
    told = []
    for account in (QUALITY_LEAD, surgeons(2)[1], surgeons(2)[0]):
        client = signed_in(app, account)
        told.append([answer(client, each) for each in asked])
    assert told[-1] == expected
    assert told[0] != expected != told[1]
    for ledger in (alone, kept):
        ledger.close()
