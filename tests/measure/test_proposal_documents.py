"""A proposal that is kept is read back as it was, and the same one is the same text."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.domain.directions import Direction, Side
from registry.measure.axes import ScrewAxis
from registry.measure.proposals.documents import (
    from_json,
    log_digest,
    logged_from_json,
    logged_to_json,
    to_json,
)
from registry.measure.proposals.records import LoggedScrew, ProposedExtent, ScanProposal
from tests.build.proposed import a_proposal, a_proposed_screw, with_extra

thousandths = st.integers(-60_000, 60_000).map(lambda value: value / 1000)
sizes = st.one_of(st.none(), st.integers(1, 60_000).map(lambda value: value / 1000))
pairs = st.tuples(thousandths, thousandths)
extents = st.builds(
    ProposedExtent,
    st.integers(0, 20_000).map(lambda value: value / 1000),
    st.integers(1, 3_000).map(lambda value: value / 1000),
    sizes,
    sizes,
    st.one_of(st.none(), pairs),
    st.one_of(st.none(), pairs),
)
logged = st.builds(
    LoggedScrew, st.sampled_from(["C2", "L4", "S1"]), st.sampled_from(Side), st.integers(1, 2),
    sizes, sizes,
)  # fmt: skip


@st.composite
def screws(draw):
    """Return a screw whose numbers are whole thousandths, which is what is kept of them."""
    return replace(
        a_proposed_screw(draw(logged)),
        axis=ScrewAxis(
            (draw(thousandths), 40.0, draw(thousandths)), (draw(thousandths), -2.0, 1.5)
        ),
        extents=draw(st.dictionaries(st.sampled_from(Direction), extents)),
        not_measured=draw(st.dictionaries(st.sampled_from(Direction), st.text(max_size=20))),
        outlines=draw(
            st.dictionaries(
                st.integers(0, 60_000).map(lambda value: value / 1000),
                st.lists(pairs, max_size=4).map(tuple),
                max_size=3,
            )
        ),
        convergence_deg=draw(sizes),
        sagittal_deg=draw(st.one_of(st.none(), thousandths)),
    )


@settings(max_examples=60)
@given(st.lists(screws(), max_size=3), st.lists(logged, max_size=2), st.text(max_size=20))
def test_what_is_kept_is_read_back_as_it_was(found, missing, note):
    proposal = ScanProposal(tuple(found), (), tuple(missing), (note,))
    text = to_json(proposal)
    back = from_json(text)
    # A normal is made a unit again, which changes its last places.
    assert replace(back, screws=()) == replace(proposal, screws=())
    for one, other in zip(back.screws, proposal.screws, strict=True):
        assert one.midplane.normal == pytest.approx(other.midplane.normal, abs=1e-6)
        assert replace(one, midplane=None) == replace(other, midplane=None)


def test_the_same_numbers_are_the_same_text_whatever_made_them():
    screw = LoggedScrew("L4", Side.LEFT, 1, 6.5, 45.0)
    plain = a_proposal([screw], medial=2.44)
    extents = {
        wall: replace(each, extent_mm=np.float64(each.extent_mm), sd_mm=np.float32(0.42))
        for wall, each in reversed(plain.screws[0].extents.items())
    }
    other = ScanProposal((replace(plain.screws[0], extents=extents, sagittal_deg=None),))
    assert to_json(other) == to_json(plain)
    assert "-0.0" not in to_json(a_proposal([screw], lateral=-0.0))


def test_a_screw_too_many_and_one_lost_are_kept_with_their_words():
    found = with_extra(a_proposal([LoggedScrew("L4", side) for side in Side]))
    assert from_json(to_json(found)) == from_json(to_json(from_json(to_json(found))))
    assert from_json(to_json(found)).unmatched == found.unmatched
    assert from_json(to_json(found)).missing == found.missing


def test_what_is_no_number_is_refused():
    with pytest.raises(ValueError, match="not JSON compliant"):
        to_json(a_proposal([LoggedScrew("L4", Side.LEFT)], medial=float("nan")))


@given(st.lists(logged, max_size=4))
def test_the_log_is_read_back_and_each_of_its_values_is_in_its_digest(screws):
    assert list(logged_from_json(logged_to_json(screws))) == screws
    for number, screw in enumerate(screws):
        for name, value in (("level", "T5"), ("number", 3), ("diameter_mm", 99.0)):
            changed = [*screws[:number], replace(screw, **{name: value}), *screws[number + 1 :]]
            assert log_digest(changed) != log_digest(screws)
