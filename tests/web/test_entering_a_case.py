"""Entering a case on its page: laid out by the server, saved whole or not at all, nothing lost."""

from __future__ import annotations

import re
from collections import Counter
from html import unescape
from typing import TYPE_CHECKING
from urllib.parse import unquote

import pytest
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.store.models.cases import Case, Screw
from registry.store.models.people import Person
from registry.store.models.trail import EventRow
from tests.build.ledgers import NOW, QUALITY_LEAD, REGISTRAR, SURGEON, SURGEONS
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from collections.abc import Callable

    from flask.testing import FlaskClient

PAGE = "/cases/new"
SENT = {
    "case_ref": "OP-900",
    "patient_ref": "H900",
    "operated_on": "2026-02-27",
    "surgeon": SURGEONS[0],
    "indication": "spondylolisthesis",
    "revision": "primary",
    "default.top": "t12",
    "default.bottom": "L4",
    "default.sides": "both",
    "default.guidance": "fluoroscopy",
    "default.diameter_mm": "6.5",
    "default.length_mm": "45",
    "default.operator": SURGEONS[1],
    "default.technique_thoracic": "subfacet",
    "default.technique_lumbar": "lateral intersection",
}


class Form:
    """A form as a browser has it: what the page holds is sent, with what is typed over it."""

    def __init__(self, client: FlaskClient) -> None:
        self.client = client
        self.take(client.get(PAGE))

    def take(self, answer):
        self.answer = answer
        self.fields = list(fields_of(answer.text))
        return answer

    def value(self, name):
        return dict(self.fields)[name]

    def type(self, **typed):
        return self.typed(typed)

    def typed(self, typed):
        known = {name for name, _ in self.fields}
        self.fields = [(name, typed.get(name, value)) for name, value in self.fields]
        self.fields += [(name, value) for name, value in typed.items() if name not in known]
        return self

    def press(self, do):
        sent: dict[str, list[str]] = {}
        for name, value in [*self.fields, ("do", do)]:
            sent.setdefault(name, []).append(value)
        return self.take(self.client.post(PAGE, data=sent))

    def notes(self):
        sent: dict[str, list[str]] = {}
        for name, value in self.fields:
            sent.setdefault(name, []).append(value)
        return self.client.post(f"{PAGE}/notes.json", data=sent).json


def fields_of(page):
    """Yield the fields of a page's case form with their values, as a browser would send them."""
    form = page.partition('id="entry"')[2].partition("</form>")[0]
    for found in re.finditer(
        r'<input\b[^>]*>|<select\b[^>]*name="([^"]*)"[^>]*>(.*?)</select>', form, re.DOTALL
    ):
        if found[1] is not None:
            chosen = re.search(r'<option value="([^"]*)" selected', found[2])
            first = re.search(r'<option value="([^"]*)"', found[2])
            yield unescape(found[1]), unescape((chosen or first)[1])
            continue
        attributes = dict(re.findall(r'([a-z]+)="([^"]*)"', found[0]))
        if attributes.get("type") == "checkbox" and " checked" not in found[0]:
            continue
        yield unescape(attributes["name"]), unescape(attributes.get("value", ""))


def faults(page):
    told = page.partition('class="faults"')[2].partition("</div>")[0]
    return [unescape(re.sub(r"<[^>]*>", "", line)) for line in re.findall(r"<p>(.*?)</p>", told)]


def stored(ledger, reference="OP-900"):
    with ledger.reading() as session:
        columns = select(*Screw.__table__.columns)
        query = columns.join(Case, Case.id == Screw.case_id).where(Case.reference == reference)
        return {
            f"{screw.level} {screw.side}" + ("" if screw.number == 1 else f" {screw.number}"): screw
            for screw in session.execute(query).all()
        }


def verified(ledger):
    return check_ledger(ledger, acting(ledger, None)) == []


@pytest.fixture
def form(client_of: Callable[..., FlaskClient]) -> Form:
    return Form(client_of(REGISTRAR))


@pytest.fixture
def laid(form: Form) -> Form:
    form.typed(SENT).press("lay-out")
    assert form.answer.status_code == 200
    return form


def test_the_construct_is_laid_out_from_the_defaults_cranial_on_top(laid):
    places = [value for name, value in laid.fields if name == "place"]
    assert places == [
        f"{level}.{side}.1" for level in ("T12", "L1", "L2", "L3", "L4") for side in "LR"
    ]
    for place in places:
        assert laid.value(f"{place}.diameter_mm") == "6.5"
        assert laid.value(f"{place}.length_mm") == "45"
        assert laid.value(f"{place}.operator") == SURGEONS[1]
        assert laid.value(f"{place}.guidance") == "fluoroscopy"
        assert laid.value(f"{place}.life") == "placed"
    assert laid.value("T12.L.1.entry_technique") == "subfacet"
    assert laid.value("L4.R.1.entry_technique") == "lateral intersection"


def test_ten_screws_with_their_exceptions_are_saved_with_their_events(ledger, laid):
    exceptions = {
        "L1.R.1.life": "",
        "L2.L.1.life": "redirected",
        "L2.L.1.first_track": "medial, into the canal",
        "L3.R.1.life": "removed",
        "L4.L.1.diameter_mm": "7,5",
        "L4.L.1.intention": "bicortical",
        "L4.L.1.curve_side": "concave",
        "L4.L.1.is_at_apex": "yes",
        "L4.R.1.entry_technique": "other",
        "L4.R.1.technique_words": "through the facet",
        "L4.R.1.implant_identifier": "0151022222233336\x1d10A213B1",
        "L4.R.1.operator_grade": "fourth year",
    }
    answer = laid.typed(exceptions).press("save")
    assert (answer.status_code, answer.location) == (302, f"{PAGE}/saved/25")
    told = laid.client.get(answer.location).text
    assert "Case OP-900 is saved" in told
    assert "9 screws entered, 8 of them placed, from T12 to L4" in told
    assert "/cases/25" not in told
    screws = stored(ledger)
    assert len(screws) == 9
    assert (screws["L2 L"].life, screws["L2 L"].first_track) == (
        "redirected",
        "medial, into the canal",
    )
    assert screws["L3 R"].life == "removed"
    assert str(screws["L4 L"].diameter_mm) == "7.5"
    assert screws["L4 L"].intention_recorded_at is not None
    assert (screws["L4 L"].curve_side, screws["L4 L"].is_at_apex) == ("concave", True)
    assert screws["L4 R"].technique_words == "through the facet"
    assert screws["L4 R"].implant_identifier == "0151022222233336\x1d10A213B1"
    assert screws["L4 R"].operator_grade == "fourth year"
    assert verified(ledger)
    with ledger.reading() as session:
        verbs = Counter(
            session.execute(select(EventRow.verb).where(EventRow.actor == REGISTRAR.name)).scalars()
        )
    assert verbs["enter a case"] == 1
    assert verbs["enter a screw"] == 9


def test_who_may_see_the_case_is_taken_to_it(client_of):
    form = Form(client_of(QUALITY_LEAD))
    form.typed(SENT).press("lay-out")
    answer = form.press("save")
    assert answer.location == "/cases/25"
    assert form.client.get(answer.location).status_code == 200


WRONG = {
    "case_ref": ("", "Case reference: is empty"),
    "patient_ref": ("x" * 65, "Patient's hospital number: (value not shown)"),
    "operated_on": ("2026-03-04", "Day of operation: 2026-03-04 lies after today"),
    "surgeon": ("Nobody Known", "Responsible surgeon: nobody is known as 'Nobody Known'"),
    "birth_date": ("2026-03-01", "Patient's birth date: (value not shown) lies after"),
    "cobb_deg": ("steep", "Cobb angle, degrees: 'steep' is not an angle"),
    "assistants": ("A |", "Assistants: 'A |' is not a list of persons"),
    "L1.L.1.diameter_mm": ("66", "L1 L, Diameter, mm: '66' is not a diameter in mm"),
    "L1.L.1.entry_technique": ("", "L1 L, Entry technique: is empty"),
    "L1.L.1.life": ("redirected", "L1 L, First track, if redirected: is empty"),
    "L1.L.1.technique_words": ("so", "L1 L, If other, which: is for the technique other alone"),
    "L1.L.1.alloy": ("x" * 101, "L1 L, Alloy:"),
    "L1.L.1.operator": ("A\x07B", "L1 L, Operator:"),
}


def test_each_fault_is_named_by_its_field_and_nothing_typed_is_lost(ledger, laid):
    laid.typed({"L3.R.1.supervision": 'two "quotes" & <b>'})
    sound = laid.fields
    for name, (text, told) in WRONG.items():
        laid.fields = sound
        laid.typed({name: text})
        before = [field for field in laid.fields if field[0] != "csrf_token"]
        answer = laid.press("save")
        assert answer.status_code == 400
        assert any(line.startswith(told) for line in faults(answer.text)), (name, answer.text)
        assert [field for field in laid.fields if field[0] != "csrf_token"] == before
        field_id = re.search(r'data-focus="([^"]+)"', answer.text)[1]
        assert re.search(rf'id="{re.escape(field_id)}"[^>]*aria-invalid="true"', answer.text)
        # A word that asks for another field leaves the fault there.
        elsewhere = {"L1.L.1.life": "field-L1.L.1.first_track"}
        assert field_id == elsewhere.get(name, f"field-{name}")
    assert stored(ledger) == {}


def test_every_fault_is_told_at_once(laid):
    answer = laid.typed({"case_ref": "", "L1.L.1.length_mm": "x"}).press("save")
    assert len(faults(answer.text)) == 3


def test_a_new_person_is_added_only_where_that_is_said(ledger, laid):
    laid.type(surgeon="Nina Neu")
    laid.press("save")
    assert laid.answer.status_code == 400
    assert "Nina Neu is new: add this person" in laid.answer.text
    laid.typed({"new_person": "Nina Neu"}).type(surgeon="Nina Newer")
    assert laid.press("save").status_code == 400  # it was another name that was confirmed
    laid.typed({"surgeon": "Nina Neu", "new_person": "Nina Neu"})
    assert laid.press("save").status_code == 302
    with ledger.reading() as session:
        names = list(session.execute(select(Person.name)).scalars())
    assert names.count("Nina Neu") == 1
    assert "Nina Newer" not in names


def test_a_surgeon_enters_own_cases_only(ledger, client_of):
    form = Form(client_of(SURGEON))
    assert "Only a case in which you took part" in form.answer.text
    form.typed(SENT | {"surgeon": SURGEONS[2]}).press("lay-out")
    answer = form.press("save")
    assert answer.status_code == 400
    assert "took no part in this case" in answer.text
    assert stored(ledger) == {}
    assert form.typed({"assistants": SURGEONS[0]}).press("save").location == "/cases/25"


def test_a_reference_that_is_taken_is_told_and_nothing_is_lost(ledger, laid):
    laid.type(case_ref="OP-3")
    before = len(stored(ledger, "OP-3"))
    answer = laid.press("save")
    assert answer.status_code == 409
    assert faults(answer.text)[1].startswith("Case reference: 'OP-3' is in the ledger already")
    assert laid.value("L4.R.1.diameter_mm") == "6.5"
    assert len(stored(ledger, "OP-3")) == before


def test_laid_out_again_a_changed_place_keeps_what_was_typed(laid):
    laid.typed(
        {
            "L1.L.1.diameter_mm": "5.5",
            "L2.R.1.life": "",
            "default.diameter_mm": "7.0",
            "default.top": "L1",
            "default.bottom": "S1",
        }
    ).press("lay-out")
    places = [value for name, value in laid.fields if name == "place"]
    assert places[0] == "L1.L.1"
    assert places[-1] == "S1.R.1"
    assert "L6.L.1" not in places
    assert laid.value("L1.L.1.diameter_mm") == "5.5"
    assert laid.value("L1.R.1.diameter_mm") == "7.0"
    assert laid.value("L2.R.1.life") == ""


def test_a_vertebra_that_few_people_have_is_there_when_it_is_said(form):
    form.typed(SENT | {"default.bottom": "L1", "default.sides": "left"})
    for also, expected in {
        "": ["T12", "L1"],
        "T13": ["T12", "T13", "L1"],
        "T13 and L6": ["T12", "T13", "L1"],
        "L6": ["T12", "L1"],
    }.items():
        form.typed({"default.also": also}).press("lay-out")
        places = [value for name, value in form.fields if name == "place"]
        assert places == [f"{level}.L.1" for level in expected]


def test_a_span_that_is_none_is_told(form):
    answer = form.typed(SENT | {"default.top": "Q7", "default.bottom": ""}).press("lay-out")
    assert answer.status_code == 400
    assert [line.partition(";")[0] for line in faults(answer.text)[1:]] == [
        "From level: 'Q7' is not a level",
        "To level: is empty",
    ]
    assert form.value("case_ref") == "OP-900"


def test_a_default_that_is_wrong_is_told_at_its_field(form):
    answer = form.typed(SENT | {"default.length_mm": "long"}).press("lay-out")
    assert faults(answer.text)[1].startswith("All screws, Length, mm: 'long' is not a length")
    assert 'data-focus="field-default.length_mm"' in answer.text


def test_a_second_screw_fits_on_a_side_of_a_level(ledger, laid):
    laid.press("second L4.L.1")
    assert laid.value("L4.L.2.diameter_mm") == "6.5"
    laid.typed({"L4.L.2.diameter_mm": "5.0"}).press("save")
    assert str(stored(ledger)["L4 L 2"].diameter_mm) == "5.0"


def test_notes_and_stickers_come_as_one_types(laid):
    assert laid.notes()["notes"] == []
    laid.typed(
        {
            "T12.L.1.entry_technique": "isthmus",
            "L1.R.1.life": "",
            "L4.L.1.length_mm": "not yet",
            "L4.R.1.implant_identifier": "(01)51022222233336(17)150707(10)A213B1",
        }
    )
    told = laid.notes()
    assert told["notes"] == [
        "T12 L: isthmus entry does not exist at T12",
        "T12 L: isthmus entry at the top of the construct",
        "L1 R: no screw on this side",
    ]
    assert told["stickers"]["L4.R.1"] == [
        "GS1: device 51022222233336, lot A213B1, expires on 2015-07-07",
        "it had expired on the day of operation, 2026-02-27",
    ]
    # The page says the same without a script.
    page = laid.press("lay-out").text
    assert all(unescape(line) in unescape(page) for line in told["notes"])
    assert "It had expired on the day of operation" in page


def earlier_case(form, **more):
    form.typed(SENT | {"case_ref": "OP-800", "operated_on": "2025-06-03"} | more)
    form.press("lay-out")
    assert form.press("save").status_code == 302


def test_a_screw_that_replaces_an_earlier_one_is_linked_and_the_vault_s_opening_noted(
    ledger, client_of
):
    client = client_of(REGISTRAR)
    earlier_case(Form(client))
    form = Form(client)
    form.typed(SENT | {"revision": "revision"}).press("lay-out")
    form.press("earlier")
    assert "10 earlier screws of this patient found" in form.answer.text
    old = stored(ledger, "OP-800")["L4 R"].id
    assert "L4 R of 2025-06-03, 6.5 x 45.0 mm" in form.answer.text
    form.typed({"L4.R.1.replaces_id": str(old)})
    form.press("lay-out")
    assert form.value("L4.R.1.replaces_id") == str(old)
    assert form.press("save").status_code == 302
    assert stored(ledger)["L4 R"].replaces_id == old
    with ledger.reading() as session:
        opened = session.execute(
            select(EventRow.record).where(EventRow.verb == "open the vault")
        ).scalars()
        assert len(list(opened)) == 1
    assert verified(ledger)


def test_another_place_s_or_another_patient_s_screw_cannot_be_replaced(ledger, client_of):
    client = client_of(REGISTRAR)
    earlier_case(Form(client))
    screws = stored(ledger, "OP-800")
    form = Form(client)
    form.typed(SENT).press("lay-out")
    form.typed({"L4.R.1.replaces_id": str(screws["L4 L"].id)})
    assert form.press("save").status_code == 400
    form.typed({"L4.R.1.replaces_id": str(screws["L4 R"].id), "patient_ref": "H901"})
    assert form.press("save").status_code == 400
    assert stored(ledger) == {}


def test_a_surgeon_finds_only_screws_of_own_cases(client_of):
    others = {"surgeon": SURGEONS[2], "default.operator": SURGEONS[3]}
    earlier_case(Form(client_of(REGISTRAR)), **others)
    form = Form(client_of(SURGEON))
    form.typed(SENT).press("lay-out")
    form.press("earlier")
    assert "No earlier screw of this patient" in form.answer.text


def test_earlier_screws_are_found_by_hospital_number_alone(laid):
    answer = laid.type(patient_ref="").press("earlier")
    assert answer.status_code == 400
    assert "earlier screws are found by it" in faults(answer.text)[1]


def test_script_typed_into_every_field_stands_in_the_page_as_text(laid):
    script = '"><script>alert(1)</script>'
    names = {name for name, _ in laid.fields} - {"csrf_token", "place"}
    laid.typed(dict.fromkeys(names, script))
    for do in ("save", "lay-out", "earlier"):
        assert "<script>alert" not in laid.press(do).text


def test_a_place_that_the_page_never_sends_is_refused(laid):
    sound = laid.fields
    for key in ("Q9.L.1", "L4.X.1", "L4.L.0", "L4.L.x", "l4.L.1", "L4.L", "<b>"):
        laid.fields = [*sound, ("place", key)]
        answer = laid.press("save")
        assert answer.status_code == 400, key
        assert "not in the form that this page sends" in answer.text


def test_what_the_form_does_not_ask_is_not_taken(ledger, laid):
    laid.typed({"entered_by_id": "1", "T12.L.1.case_id": "1", "id": "1", "source_name": "x"})
    assert laid.press("save").status_code == 302
    with ledger.reading() as session:
        case = session.execute(select(Case).where(Case.reference == "OP-900")).scalar_one()
        assert case.source_name == "by hand"
        assert case.entered_by_id == acting(ledger, REGISTRAR.name).account_id
        assert len(stored(ledger)) == 10


def test_only_who_entered_a_case_is_told_of_it(laid, client_of):
    place = laid.press("save").location
    assert client_of(QUALITY_LEAD).get(place).status_code == 404
    assert laid.client.get(f"{PAGE}/saved/1").status_code == 404


def test_a_form_without_its_token_changes_nothing(ledger, laid):
    laid.typed({"csrf_token": "x"})
    assert laid.press("save").status_code == 400
    assert stored(ledger) == {}


def test_the_hospital_number_stands_in_no_address_and_no_event(ledger, laid):
    place = laid.press("save").location
    assert "H900" not in unquote(place)
    with ledger.reading() as session:
        for row in session.execute(select(EventRow)).scalars():
            assert "H900" not in f"{row.before}{row.after}{row.reason}{row.record}"
    assert NOW.year == 2026
    assert form_token(laid.client.get(PAGE).text)
