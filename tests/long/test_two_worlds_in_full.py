"""Every surgeon of units of two, three and six, and a registrar: nothing tells of a colleague."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import pytest

from tests.web.every_route import REGISTRAR
from tests.web.two_worlds import begun, questions, routes, surgeons, told_apart

if TYPE_CHECKING:
    from pathlib import Path

SHARE = 150
NUMBERS = (1, 2, 3, 5, 6, 241, 2**31 - 1)
TEXTS = ("2026Q1", "pdf", "x")


@pytest.mark.parametrize(
    ("size", "who"), [(size, who) for size in (2, 3, 6) for who in range(-1, size)]
)
def test_nothing_that_anybody_is_given_depends_on_a_colleague_s_results(
    tmp_path: Path, size: int, who: int
):
    unit = begun(tmp_path / "unit", size)
    account = REGISTRAR if who < 0 else surgeons(size)[who]
    chosen = random.Random(10 * size + who).sample(list(questions()), SHARE)  # noqa: S311 - no secret
    asked = [*routes(unit, NUMBERS, TEXTS), *chosen]
    assert len(asked) > SHARE + 100
    assert told_apart(unit, tmp_path, account, asked) == []
