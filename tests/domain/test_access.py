"""Who may do what: the design's table, written out by hand."""

from __future__ import annotations

from itertools import combinations

import pytest

from registry.domain.access import Deed, Reach, Role, Viewer, may_read, parse_roles, reach, require
from registry.domain.problems import NotAllowedError

NO, OWN, YES = Reach.NONE, Reach.OWN, Reach.ALL
COLUMNS = (Role.REGISTRAR, Role.SURGEON, Role.QUALITY_LEAD, Role.STEWARD)
TABLE = {
    #                      registrar surgeon lead steward
    Deed.ENTER_CASES: (YES, OWN, YES, NO),
    Deed.READ_SCREWS: (YES, YES, YES, NO),  # "not own cases" is a rule over persons
    Deed.SEE_SURGEONS: (OWN, OWN, YES, NO),
    # The own point and run; a registrar, who sees no surgeon, has none.
    Deed.COMPARE_SURGEONS: (NO, OWN, YES, NO),
    # Own events; those of own cases; all; all but clinical values.
    Deed.SEE_TRAIL: (OWN, OWN, YES, YES),
    Deed.WITHDRAW: (NO, NO, YES, YES),
    # A finding is answered for by whoever made the reading, and closed by the lead.
    Deed.ANSWER_FINDINGS: (OWN, OWN, YES, NO),
    Deed.CLOSE_FINDINGS: (NO, NO, YES, NO),
    Deed.REPLY: (NO, OWN, NO, NO),
    # What is shown is shown by its author, to accounts of these roles alone.
    Deed.SEE_OWN: (NO, OWN, NO, NO),
    Deed.SEE_SHOWN: (NO, OWN, OWN, NO),
    Deed.LAY_BEFORE_SURGEONS: (NO, NO, YES, NO),
    Deed.SEAL: (NO, NO, YES, NO),
    # Whoever owns an action has to know of it.
    Deed.SEE_OWN_ACTIONS: (OWN, OWN, OWN, OWN),
    Deed.MANAGE_ACCOUNTS: (NO, NO, NO, YES),
    # What the table does not name, and what follows from it: whoever matches a scan may load one;
    # a registrar reads blind and so looks at no case; the steward sees no clinical value.
    Deed.LOAD_SCANS: (YES, NO, YES, NO),
    Deed.LOAD_READINGS: (NO, NO, YES, NO),
    Deed.SEE_CASES: (NO, OWN, YES, NO),
    # Outcomes stand on the case's page, so who may look at the case records them.
    Deed.RECORD_OUTCOMES: (NO, OWN, YES, NO),
    Deed.SEE_RATES: (YES, YES, YES, NO),
    Deed.ORDER_READINGS: (NO, NO, YES, NO),
    Deed.EXPORT: (NO, NO, YES, NO),
    Deed.MAKE_PACK: (NO, OWN, YES, NO),
    Deed.UPGRADE: (NO, NO, NO, YES),
    Deed.BACK_UP: (NO, NO, NO, YES),
    Deed.VERIFY: (NO, NO, YES, YES),
}


def viewer(*roles, person=7, local=False):
    return Viewer(3, "someone", person, frozenset(roles), is_local_operator=local)


def test_every_deed_stands_in_the_table():
    assert set(TABLE) == set(Deed)


@pytest.mark.parametrize("deed", Deed)
def test_each_role_reaches_as_far_as_the_table_says(deed):
    assert tuple(reach(viewer(role), deed) for role in COLUMNS) == TABLE[deed]


@pytest.mark.parametrize("deed", Deed)
def test_several_roles_reach_as_far_as_the_widest(deed):
    for pair in combinations(COLUMNS, 2):
        widest = max(TABLE[deed][COLUMNS.index(role)] for role in pair)
        assert reach(viewer(*pair), deed) is widest


@pytest.mark.parametrize("deed", Deed)
def test_without_a_role_nothing_is_allowed(deed):
    assert reach(viewer(), deed) is NO
    with pytest.raises(NotAllowedError, match="someone may not"):
        require(viewer(), deed)


def test_own_is_not_enough_where_all_is_needed():
    with pytest.raises(NotAllowedError):
        require(viewer(Role.SURGEON), Deed.ENTER_CASES, at_least=Reach.ALL)
    assert require(viewer(Role.SURGEON), Deed.ENTER_CASES) is OWN


def test_the_shell_s_own_account_sees_all():
    assert all(reach(viewer(local=True), deed) is YES for deed in Deed)


@pytest.mark.parametrize("role", COLUMNS)
def test_nobody_reads_a_case_in_which_they_took_part(role):
    assert not may_read(viewer(role, person=7), {7, 8})
    assert may_read(viewer(role, person=7), {8}) is (role is not Role.STEWARD)
    assert not may_read(viewer(role, person=None), {8})


def test_the_shell_reads_no_screw():
    assert not may_read(viewer(person=None, local=True), set())
    assert not may_read(viewer(person=7, local=True), {7})


def test_roles_are_read_from_words():
    assert parse_roles("Registrar, quality_lead") == {Role.REGISTRAR, Role.QUALITY_LEAD}
    assert parse_roles(" , ") == frozenset()
    with pytest.raises(ValueError, match="registrar, surgeon, quality lead, steward"):
        parse_roles("registrar,boss")
