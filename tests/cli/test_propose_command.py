"""`propose` prints one JSON document of a fixed shape, or a calm table, with or without `serve`."""

from __future__ import annotations

import json

import pytest

from registry.actions.accounts import acting
from registry.measure.proposals.documents import to_json
from registry.store.models.proposals import ProposalRow, ProposalShown
from tests.build.loaded import LOGGED, fill
from tests.build.proposed import NOT_SEEN, a_proposal, with_extra

WALLS = ["medial", "lateral", "cranial", "caudal", "anterior", "body_lateral", "endplate"]


@pytest.fixture
def filled(place, tmp_path):
    """Give the place of a ledger in which OP-1 has a proposal: one screw lost, one too many."""
    ledger = place.open()
    fill(ledger, tmp_path)
    with ledger.writing(acting(ledger, None), acting_at(ledger)) as work:
        made = to_json(with_extra(a_proposal(LOGGED, medial=2.44, cranial=0.21)))
        work.update(ProposalRow, "propose", 1, document=made)
    ledger.close()
    return place


def acting_at(ledger):
    with ledger.reading() as session:
        return session.get(ProposalRow, 1).made_at


def test_the_document_has_the_shape_that_was_agreed(filled):
    answer = filled.command("propose", "--case", "OP-1", "--format", "json")
    assert (answer.status, answer.err) == (0, "")
    found = json.loads(answer.out)
    assert list(found) == ["case", "scan", "screws", "unmatched", "missing"]
    assert (found["case"], found["scan"]) == ("OP-1", "scan:4")
    first = found["screws"][0]
    assert list(first) == [
        *("level", "side", "number", "entry_mm", "tip_mm", "diameter_mm", "extent_mm"),
        *("uncertainty_mm", "grade", "convergence_deg", "sagittal_deg", "not_measured"),
    ]
    assert list(first["extent_mm"]) == list(first["uncertainty_mm"]) == WALLS
    # Below the floor of 0.3 mm nothing is seen; 2.44 is C by Gertzbein and Robbins (2 to 4 mm).
    assert first["extent_mm"] == {
        "medial": 2.4, "lateral": 0.0, "cranial": 0.0, "caudal": 0.0,
        "anterior": None, "body_lateral": None, "endplate": None,
    }  # fmt: skip
    assert first["uncertainty_mm"]["medial"] == 0.4
    assert first["uncertainty_mm"]["anterior"] is None
    assert (first["grade"], first["convergence_deg"], first["sagittal_deg"]) == ("C", 18.4, None)
    assert first["not_measured"]["anterior"] == NOT_SEEN
    assert set(first["not_measured"]) == {"anterior", "body_lateral", "endplate"}
    assert [(each["level"], each["side"]) for each in found["screws"]] == [
        ("L4", "L"), ("L4", "R"), ("L5", "L"),
    ]  # fmt: skip
    assert found["missing"] == [{"level": "L5", "side": "R"}]
    (extra,) = found["unmatched"]
    assert list(extra) == ["entry_mm", "tip_mm", "diameter_mm", "words"]


def test_a_wall_that_a_grade_needs_and_that_was_not_measured_leaves_no_grade(filled):
    ledger = filled.open()
    proposal = a_proposal(LOGGED[:1])
    (screw,) = proposal.screws
    extents = {wall: each for wall, each in screw.extents.items() if wall != "caudal"}
    screw = type(screw)(**{**vars(screw), "extents": extents, "not_measured": {}})
    with ledger.writing(acting(ledger, None), acting_at(ledger)) as work:
        work.update(ProposalRow, "propose", 1, document=to_json(type(proposal)((screw,))))
    ledger.close()
    answer = filled.command("propose", "--case", "OP-1", "--format", "json")
    (first,) = json.loads(answer.out)["screws"]
    assert (first["extent_mm"]["caudal"], first["grade"]) == (None, None)
    assert first["not_measured"]["caudal"] == "the program did not say why"


def test_the_table_says_what_was_not_measured_found_or_logged(filled):
    answer = filled.command("propose", "--case", "OP-1")
    assert (answer.status, answer.err) == (0, "")
    lines = answer.out.splitlines()
    assert lines[0] == "case OP-1, scan:4: what the program proposes, in mm"
    assert lines[3].split() == [
        *("L4", "left", "2.4", "±", "0.4"), *("0.0", "±", "0.4") * 3, "-", "-", "-", "C",
    ]  # fmt: skip
    assert f"L4 left: anterior not measured: {NOT_SEEN}" in lines
    assert "in the log and not found: L5 right" in lines
    assert "found and not in the log: left, two levels below the lowest of the log" in lines
    assert "note: slices of 3 mm" in lines
    assert lines[-1].startswith("For audit and quality improvement")


def test_who_was_shown_it_is_kept_once(filled):
    for _ in range(2):
        assert filled.command("propose", "--case", "OP-1").status == 0
    ledger = filled.open()
    with ledger.reading() as session:
        shown = session.query(ProposalShown).order_by(ProposalShown.id).all()
        # The first was put there with the ledger.
        assert [row.screw_id for row in shown] == [1, None]
    ledger.close()


WRONG = {
    "OP-9": "no case 'OP-9' among those you may see",
    "OP-2": "OP-2: images not held here; load its CT with `pedicle-ledger load-ct`",
    "OP-4": "OP-4: no scan that it is counted on; load its CT with `pedicle-ledger load-ct`",
}


@pytest.mark.parametrize(("reference", "words"), WRONG.items(), ids=WRONG)
def test_what_cannot_be_proposed_is_one_line(filled, reference, words):
    answer = filled.command("propose", "--case", reference)
    assert (answer.status, answer.out, answer.err) == (2, "", f"{words}\n")
