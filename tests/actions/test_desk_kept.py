"""Pictures that were cut are kept for whoever may see them, for as long as their image is there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from registry.actions.desk_kept import KEPT, KeptPictures
from registry.actions.desk_pictures import (
    Pictures,
    along_picture,
    metal_picture,
    plane_picture,
    section_pictures,
)
from registry.domain.access import Role
from registry.domain.problems import NotFoundError
from tests.build.desk import L3_LEFT, L4_LEFT, L4_RIGHT, a_desk_ledger, placed
from tests.build.ledgers import NOW, REGISTRAR, SURGEONS, KnownAccount, an_account, viewer

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from registry.store.home import Ledger

BODO = KnownAccount("bodo", frozenset({Role.REGISTRAR, Role.SURGEON}), SURGEONS[1])
"""Operated on the second case."""


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ledger]:
    made = a_desk_ledger(tmp_path_factory.mktemp("kept") / "ledger")
    an_account(made, BODO)
    yield made
    made.close()


def of_a_kilobyte(number: int) -> Pictures:
    return Pictures.of(np.full((1, 16, 32), number, dtype=np.int16), 1.0)


def test_what_was_asked_for_last_stays_and_the_rest_is_cut_again(tmp_path: Path):
    kept, path, cut = KeptPictures(most_bytes=3 * 1024), tmp_path / "a", []
    path.touch()

    def get(number: int) -> Pictures:
        return kept.get(
            path, ("plane", number), lambda: cut.append(number) or of_a_kilobyte(number)
        )

    for number in (1, 2, 3, 1, 4, 1, 2):
        assert (get(number).values == number).all()
    assert cut == [1, 2, 3, 4, 2]
    assert kept.held_bytes == 3 * 1024


def test_every_picture_is_cut_once_and_each_question_has_its_own(ledger: Ledger):
    reader, left = viewer(ledger, REGISTRAR), placed()
    asked = [
        lambda: metal_picture(ledger, reader, L4_LEFT, NOW),
        lambda: plane_picture(ledger, reader, L4_LEFT, "axial", None, NOW),
        lambda: plane_picture(ledger, reader, L4_LEFT, "axial", 3.0, NOW),
        lambda: section_pictures(ledger, reader, L4_LEFT, left, NOW),
        # The same ends for the other side: medial is at the right of both.
        lambda: section_pictures(ledger, reader, L4_RIGHT, left, NOW),
        lambda: along_picture(ledger, reader, L4_LEFT, left, "medial", NOW),
        lambda: along_picture(ledger, reader, L4_LEFT, left, "cranial", NOW),
        # The other case's image.
        lambda: section_pictures(ledger, reader, L3_LEFT, left, NOW),
    ]
    first = [ask() for ask in asked]
    assert all(ask() is before for ask, before in zip(asked, first, strict=True))
    assert len({id(each) for each in first}) == len(first)
    texts = [(each.to_bytes(), str(each.layout)) for each in first]
    assert len(set(texts)) == len(texts)
    with pytest.raises(ValueError, match="read-only"):
        first[0].values[0] = 0


def test_what_is_kept_is_shown_to_nobody_who_may_not_see_it(ledger: Ledger):
    reader, bodo = viewer(ledger, REGISTRAR), viewer(ledger, BODO)
    kept = section_pictures(ledger, reader, L3_LEFT, placed(), NOW)
    for ask in (
        lambda: section_pictures(ledger, bodo, L3_LEFT, placed(), NOW),
        lambda: metal_picture(ledger, bodo, L3_LEFT, NOW),
    ):
        with pytest.raises(NotFoundError, match="not yours to make"):
            ask()
    assert section_pictures(ledger, reader, L3_LEFT, placed(), NOW) is kept


def test_pictures_of_an_image_that_was_deleted_are_neither_shown_nor_held(tmp_path: Path):
    ledger = a_desk_ledger(tmp_path / "ledger")
    reader = viewer(ledger, REGISTRAR)
    section_pictures(ledger, reader, L3_LEFT, placed(), NOW)
    metal_picture(ledger, reader, L4_LEFT, NOW)
    before = KEPT.held_bytes
    taken = section_pictures(ledger, reader, L3_LEFT, placed(), NOW).values.nbytes
    with ledger.reading() as session:
        digests = [
            row[0] for row in session.connection().exec_driver_sql("SELECT digest FROM image")
        ]
    ledger.images.path_of(digests[1]).unlink()
    with pytest.raises(NotFoundError, match="no image"):
        section_pictures(ledger, reader, L3_LEFT, placed(), NOW)
    metal_picture(ledger, reader, L4_LEFT, NOW)
    assert KEPT.held_bytes == before - taken
    ledger.close()
