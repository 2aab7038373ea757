"""A theatre log: all of it or nothing, and nothing twice."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from sqlalchemy import func, select

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.domain.access import Role
from registry.domain.problems import BadInputError, ConflictError, NotAllowedError
from registry.store.models.cases import Case, CaseAssistant, Screw
from registry.store.models.patients import Patient, VaultEntry
from registry.store.models.people import Person
from registry.store.models.readings import Assignment
from registry.store.models.trail import EventRow, TrailHead
from tests.build.loaded import LOG_ROWS, NOW, TODAY, an_account, fill, load_rows
from tests.build.tables import a_log, a_table

if TYPE_CHECKING:
    from tests.build.places import Place


def counts(ledger):
    with ledger.reading() as session:
        return {
            model.__tablename__: session.execute(select(func.count()).select_from(model)).scalar()
            for model in (Person, Patient, VaultEntry, Case, CaseAssistant, Screw, EventRow)
        }


def everything(place: Place):
    """Return each file of a home with its bytes, and the length of its trail."""
    with place.raw() as connection:
        length = connection.execute(select(TrailHead.length)).scalar()
    files = {
        str(path.relative_to(place.home)): path.read_bytes()
        for path in sorted(place.home.rglob("*"))
        if path.is_file() and not path.name.startswith("ledger.sqlite")
    }
    return files, length


def loaded_by(ledger, viewer, *rows, **how):
    return load_rows(ledger, *rows, viewer=viewer, **how)


def verified(ledger):
    return check_ledger(ledger, acting(ledger, None)) == []


def test_cases_screws_people_and_patients_are_entered_with_their_events(ledger):
    outcome = load_rows(ledger, *LOG_ROWS)
    assert outcome.new == {"patients": 4, "cases": 5, "screws": 9}
    assert outcome.rows == 9
    assert sorted(outcome.new_persons) == [
        *("Anna Berg", "Bodo Carl", "Cora Dietz", "Dora Ernst", "Emil Falk"),
    ]
    found = counts(ledger)
    assert found == {
        "person": 5,
        "patient": 4,
        "vault_entry": 5,  # four references, one day of birth
        "operation": 5,
        "case_assistant": 2,
        "screw": 9,
        # one an inserted row, a name beside each person; before them the settings and the
        # shell's account
        "event": 5 + 5 + 4 + 5 + 5 + 2 + 9 + 2,
    }
    assert verified(ledger)


def test_the_same_file_again_changes_nothing_and_leaves_no_event(ledger):
    load_rows(ledger, *LOG_ROWS)
    before = counts(ledger)
    outcome = load_rows(ledger, *LOG_ROWS)
    assert (outcome.new, outcome.new_persons) == ({}, [])
    assert outcome.unchanged == {"cases": 5, "screws": 9}
    assert counts(ledger) == before


def test_the_order_of_rows_does_not_matter(ledger):
    load_rows(ledger, *LOG_ROWS)
    before = counts(ledger)
    assert load_rows(ledger, *reversed(LOG_ROWS)).new == {}
    assert counts(ledger) == before


def test_a_file_that_says_less_is_no_conflict(ledger):
    load_rows(ledger, *LOG_ROWS)
    bare = {"case_ref": "OP-1", "patient_ref": "INV-0001", "level": "L4", "side": "L"}
    assert load_rows(ledger, bare).unchanged == {"cases": 1, "screws": 1}


OTHER_VALUES = {
    "operated_on": "2026-02-04",
    "patient_ref": "H999",
    "surgeon": "Bodo Carl",
    "second_surgeon": "Cora Dietz",
    "assistants": "Bodo Carl",
    "indication": "fracture",
    "revision": "yes",
    "cobb_deg": "12.6",
    "bmi": "27.2",
    "bone_quality": "poor",
    "approach": "percutaneous",
    "no_ct_reason": "died",
    "birth_date": "1950-06-08",
    "entry_technique": "isthmus",
    "guidance": "navigation",
    "operator": "Bodo Carl",
    "supervision": "unscrubbed",
    "diameter_mm": "7.5",
    "length_mm": "50",
    "alloy": "CoCr",
    "intention": "in-out-in",
    "udi": "(01)1",
    "life": "redirected",
}


@pytest.mark.parametrize("column", OTHER_VALUES)
def test_the_same_key_with_another_value_is_listed_and_not_applied(ledger, column):
    load_rows(ledger, *LOG_ROWS)
    before = counts(ledger)
    # Every row of the case says it, so that the file agrees with itself.
    rows = [{**row, column: OTHER_VALUES[column]} for row in LOG_ROWS[:4]]
    fresh = {"case_ref": "OP-9", "patient_ref": "H900", "level": "L1"}
    with pytest.raises(ConflictError) as refused:
        load_rows(ledger, *rows, fresh)
    lines = refused.value.lines()
    assert all(f"column {column}" in line for line in lines)
    assert all("OP-1" in line and "nothing was changed" in line for line in lines)
    assert "H999" not in str(refused.value)
    assert "1950" not in str(refused.value)
    assert counts(ledger) == before


def test_the_columns_of_the_conflict_test_are_all_there_are(ledger):
    load_rows(ledger, *LOG_ROWS)
    said = {name for row in LOG_ROWS for name in row} | set(OTHER_VALUES)
    key = {"case_ref", "level", "side"}
    assert set(OTHER_VALUES) == said - key


def test_screws_may_be_added_to_a_known_case(ledger):
    load_rows(ledger, *LOG_ROWS)
    more = {**LOG_ROWS[4], "level": "L4"}
    outcome = load_rows(ledger, LOG_ROWS[4], more)
    assert (outcome.new, outcome.unchanged) == ({"screws": 1}, {"cases": 1, "screws": 1})
    # L3 is in the ledger, not only in the file: L4 is not the top of this construct.
    below = {**LOG_ROWS[4], "level": "L5", "entry_technique": "isthmus"}
    assert not any("isthmus" in told for told in load_rows(ledger, below).warnings)
    assert verified(ledger)


def test_a_screw_added_after_the_ct_is_to_be_read_too(ledger, tmp_path):
    fill(ledger, tmp_path)
    with ledger.reading() as session:
        before = session.execute(select(func.count()).select_from(Assignment)).scalar()
    load_rows(ledger, {**LOG_ROWS[0], "level": "L3"}, {**LOG_ROWS[4], "level": "L4"})
    with ledger.reading() as session:
        found = session.execute(select(Assignment.screw_id).order_by(Assignment.id)).scalars().all()
        added = session.execute(select(Screw.id).where(Screw.level == "L3", Screw.case_id == 1))
        assert found[before:] == added.scalars().all()
    assert verified(ledger)


MISTAKES = [
    ({"case_ref": "M-1", "level": "L9"}, 2, "level"),
    ({"case_ref": "M-2", "side": "up"}, 3, "side"),
    ({"case_ref": "M-3", "operated_on": "03.02.2026"}, 4, "operated_on"),
    ({"case_ref": "M-4", "operated_on": "2027-01-01"}, 5, "operated_on"),
    ({"case_ref": "M-5", "entry_technique": "roy"}, 6, "entry_technique"),
    ({"case_ref": "M-6", "guidance": "by feel"}, 7, "guidance"),
    ({"case_ref": "M-7", "diameter_mm": "6.55"}, 8, "diameter_mm"),
    ({"case_ref": "M-8", "length_mm": "4,5"}, 9, "length_mm"),
    ({"case_ref": "M-9", "life": "alive"}, 10, "life"),
    ({"case_ref": "M-10", "intention": "maybe"}, 11, "intention"),
    ({"case_ref": "M-11", "surgeon": "Nobody Known"}, 12, "surgeon"),
    ({"case_ref": "M-12", "patient_ref": ""}, 13, "patient_ref"),
    ({"case_ref": "M-13", "number": "0"}, 14, "number"),
    ({"case_ref": "M-14", "revision": "perhaps"}, 15, "revision"),
    ({"case_ref": "M-15", "birth_date": "2026-03-01"}, 16, "birth_date"),
]


def test_a_dozen_mistakes_are_all_named_and_nothing_is_changed(ledger):
    load_rows(ledger, *LOG_ROWS)
    before = counts(ledger)
    rows = [row for row, _, _ in MISTAKES]
    twice = [{"case_ref": "M-16"}, {"case_ref": "M-16"}]
    with pytest.raises(BadInputError) as refused:
        load_rows(ledger, *rows, *twice, new_persons=False)
    lines = refused.value.lines()
    for _, number, column in MISTAKES:
        named = [line for line in lines if f"row {number}, column {column}:" in line]
        assert len(named) == 1, (number, column, lines)
    assert len([line for line in lines if "stands in row 17 already" in line]) == 1
    assert len(lines) == len(MISTAKES) + 1
    assert counts(ledger) == before
    # Mended, the same rows load.
    mended = [{"case_ref": row["case_ref"]} for row in rows]
    assert load_rows(ledger, *mended, twice[0]).new["screws"] == len(MISTAKES) + 1


def test_a_check_changes_no_byte_and_no_event(place):
    before = everything(place)
    ledger = place.open()
    outcome = load_rows(ledger, *LOG_ROWS, only_check=True)
    assert outcome.new == {"patients": 4, "cases": 5, "screws": 9}
    assert len(outcome.new_persons) == 5
    assert set(counts(ledger).values()) == {0, 2}  # the settings and the shell's account
    ledger.close()
    assert everything(place) == before


def test_a_check_finds_what_the_database_would_refuse(ledger):
    load_rows(ledger, *LOG_ROWS)
    with pytest.raises(ConflictError):
        load_rows(ledger, {**LOG_ROWS[4], "guidance": "navigation"}, only_check=True)


def test_two_cases_of_one_patient_share_the_patient(ledger):
    load_rows(ledger, *LOG_ROWS)
    with ledger.reading() as session:
        rows = session.execute(select(Case.reference, Case.patient_id)).all()
    patients = {row[0]: row[1] for row in rows}
    assert patients["OP-2"] == patients["OP-5"]
    assert len(set(patients.values())) == 4


@pytest.mark.parametrize("spelling", ["anna berg", "ANNA  BERG", " Anna\tBerg "])
def test_a_person_is_known_by_any_spelling_of_one_name(ledger, spelling):
    load_rows(ledger, *LOG_ROWS)
    rows = {"case_ref": "OP-8", "surgeon": spelling, "level": "L2"}
    assert load_rows(ledger, rows, new_persons=False).new["cases"] == 1


def test_a_surgeon_enters_own_cases_and_no_other(ledger):
    load_rows(ledger, *LOG_ROWS)
    anna = an_account(ledger, "anna", Role.SURGEON, person="Anna Berg")
    own = {"case_ref": "OP-20", "surgeon": "Bodo Carl", "assistants": "Anna Berg"}
    assert loaded_by(ledger, anna, own).new["cases"] == 1
    before = counts(ledger)
    for row in (
        {"case_ref": "OP-21", "surgeon": "Bodo Carl"},
        # A row does not make a known case one's own.
        {**LOG_ROWS[4], "level": "L5", "operator": "Anna Berg"},
    ):
        with pytest.raises(BadInputError, match="not one in which anna took part"):
            loaded_by(ledger, anna, row)
    assert counts(ledger) == before


def test_a_surgeon_s_account_that_belongs_to_nobody_owns_no_case(ledger):
    load_rows(ledger, *LOG_ROWS)
    nobody = an_account(ledger, "locum", Role.SURGEON)
    with pytest.raises(BadInputError, match="not one in which locum took part"):
        loaded_by(ledger, nobody, {"case_ref": "OP-20"})


@pytest.mark.parametrize("role", Role)
def test_who_may_enter_cases(ledger, role):
    load_rows(ledger, *LOG_ROWS)
    viewer = an_account(ledger, "someone", role, person="Bodo Carl")
    other = {"case_ref": "OP-30"}
    if role in {Role.REGISTRAR, Role.QUALITY_LEAD}:
        assert loaded_by(ledger, viewer, other).new["cases"] == 1
    else:
        with pytest.raises(NotAllowedError if role is Role.STEWARD else BadInputError):
            loaded_by(ledger, viewer, other)


def test_the_trail_names_who_loaded_and_from_where(ledger):
    load_rows(ledger, *LOG_ROWS)
    lena = an_account(ledger, "lena", Role.QUALITY_LEAD)
    loaded_by(ledger, lena, {"case_ref": "OP-40"})
    with ledger.reading() as session:
        said = select(EventRow.actor, EventRow.at).order_by(EventRow.sequence)
        events = session.execute(said).all()
        case = session.execute(select(Case).where(Case.reference == "OP-40")).scalar_one()
        assert (case.source_name, case.source_row) == ("log.csv", 2)
    assert events[-1].actor == "lena"
    assert events[2].actor == "local operator (shell)"
    assert events[-1].at == "2026-03-31T12:00:00.000000Z"


def test_a_german_spreadsheet_loads(place):
    rows = [
        ["OP-Ä1", "H1", "2026-02-03", "Jörg Müßig", "L4", "L", "lateral intersection", "freehand",
         "6,5", "45,0"],
    ]  # fmt: skip
    columns = ["case_ref", "patient_ref", "operated_on", "surgeon", "level", "side",
               "entry_technique", "guidance", "diameter_mm", "length_mm"]  # fmt: skip
    path = place.home.parent / "Liste.csv"
    path.write_bytes(a_table(columns, rows, separator=";", encoding="cp1252"))
    answer = place.command("load-log", path, "--new-persons")
    assert (answer.status, answer.out) == (2, "")
    assert "--encoding" in answer.err
    answer = place.command("load-log", path, "--new-persons", "--encoding", "cp1252")
    assert (answer.status, answer.err) == (0, "")
    assert "people new: Jörg Müßig" in answer.out
    ledger = place.open()
    with ledger.reading() as session:
        screw = session.execute(select(Screw)).scalar_one()
        assert (str(screw.diameter_mm), str(screw.length_mm)) == ("6.5", "45.0")
        assert session.execute(select(Case.reference)).scalar_one() == "OP-Ä1"
    ledger.close()


def test_today_is_the_unit_s_own(ledger):
    tomorrow = {"operated_on": "2026-04-01"}
    assert str(TODAY) == "2026-03-31"
    assert NOW.date() == TODAY
    with pytest.raises(BadInputError, match="operated_on"):
        load_rows(ledger, tomorrow)
    assert load_rows(ledger, {"operated_on": "2026-03-31"}).new["screws"] == 1


def test_an_empty_table_loads_nothing(ledger):
    before = counts(ledger)
    with pytest.raises(BadInputError):
        load_rows(ledger, *[{"case_ref": ""}])
    assert counts(ledger) == before
    assert a_log(header_only=True).count(b"\n") == 1
