"""What came in is looked through, decided on, and read: whole, once, or not at all."""

from __future__ import annotations

import io
import threading
from datetime import timedelta

import numpy as np
import pytest
from sqlalchemy import func, select

from registry.actions import held_arrival
from registry.actions.accounts import acting
from registry.actions.accounts_changes import disable
from registry.actions.arrivals import arrival_of_study, cancel_arrival, one_arrival, take_file
from registry.actions.check_ledger import check_ledger
from registry.actions.decide_arrival import case_offered, cases_offered, decide_arrival, look_again
from registry.actions.held_arrival import LEASE_SECONDS
from registry.actions.homes import scans_waiting
from registry.actions.withdraw import WhoWithdraws, withdraw
from registry.actions.work_arrivals import work_once
from registry.domain.access import Role
from registry.domain.arrivals import ArrivalSource, ArrivalState
from registry.domain.matching import Objection
from registry.domain.problems import BadInputError, ConflictError, NotAllowedError
from registry.domain.scans import ScanKind, ScanReason
from registry.store.images import ImageStore, ImageWriter
from registry.store.models.arrivals import ArrivalRow
from registry.store.models.patients import VaultEntry
from registry.store.models.readings import Assignment
from registry.store.models.scans import HeldImage, Scan
from registry.store.models.trail import EventRow
from registry.store.queries import working_arrivals
from tests.build.arriving import a_decision, a_study, a_zip, arrived, looked_through
from tests.build.full_disks import small_disk
from tests.build.loaded import LOG_ROWS, NOW, an_account, load_rows

# What follows from words and files alone is asked on one database.
on_sqlite = pytest.mark.parametrize("place", ["sqlite"], indirect=True)


@pytest.fixture
def logged(ledger):
    load_rows(ledger, *LOG_ROWS)
    return ledger


@pytest.fixture
def local(logged):
    return acting(logged, None)


def see(ledger, arrival):
    return one_arrival(ledger, acting(ledger, None), arrival)


def counts(ledger):
    with ledger.reading() as session:
        rows = [
            session.execute(select(func.count()).select_from(model)).scalar()
            for model in (Scan, HeldImage, VaultEntry, Assignment, EventRow)
        ]
    return [*rows, len(ledger.images.digests())]


def read(ledger, arrival, **chosen):
    decide_arrival(ledger, acting(ledger, None), arrival, a_decision(**chosen), NOW)
    assert work_once(ledger, NOW)
    return see(ledger, arrival)


def spooled(ledger):
    folder = ledger.home / "incoming"
    return [path for path in folder.rglob("*") if path.is_file()], ledger.keys.arrival_keys()


@pytest.mark.parametrize("packed", [False, True], ids=["loose", "zip"])
def test_what_came_in_becomes_the_scan_of_its_case(logged, local, packed):
    report = b"Dear colleague"
    files = [*a_study(), *a_study(9, series=2, ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"])]
    files = [a_zip([*files, report])] if packed else [*files, report]
    arrival = looked_through(logged, files)
    found = see(logged, arrival)
    assert (found.state, found.message) == (ArrivalState.LOOKED_THROUGH, "")
    first, second = found.survey.series
    assert (first.number, first.is_readable, first.case_ids) == (1, True, (1,))
    assert (second.kind, second.is_readable) == ("localizer", False)
    assert found.survey.chosen == 1
    left_out = [(each.what, each.files) for each in found.survey.left_out]
    assert left_out == [("localizer", 9), ("not DICOM", 1)]
    (offered,) = cases_offered(logged, local, arrival, 1)
    assert (offered.reference, offered.kind, offered.objections) == (
        "OP-1",
        ScanKind.POST_OPERATIVE_CT,
        (),
    )
    found = read(logged, arrival)
    assert (found.state, found.message, found.case_ref) == (ArrivalState.READ, "", "OP-1")
    assert (found.done, found.total) == (12, 12)
    assert spooled(logged) == ([], {})
    assert counts(logged)[:4] == [1, 1, 6, 4]
    assert check_ledger(logged, local) == []
    assert not work_once(logged, NOW)


@on_sqlite
def test_no_name_of_a_file_or_person_lies_in_the_home_outside_the_vault(logged):
    other = a_study(2, series=2, Modality="INVENTED PERSON", ConvolutionKernel="Invented")
    named = {"ConvolutionKernel": "Invented Person", "RescaleType": "HU"}
    files = [a_zip(a_study(**named)), *other, b"Invented^Person wrote this"]
    arrival = looked_through(logged, files)
    found = see(logged, arrival)
    assert found.state is ArrivalState.LOOKED_THROUGH
    assert "kernel" not in found.survey.series[0].words
    for step in (lambda: None, lambda: read(logged, arrival)):
        step()
        for path in logged.home.rglob("*"):
            content = path.read_bytes() if path.is_file() else b""
            for name in (b"Invented^Person", b"INV-0001", b"19600102", b"ACC-77", b"10.9999.1"):
                assert name not in content, path
            assert b"INVENTED PERSON" not in content, path


def test_the_same_study_again_says_so_and_changes_nothing(logged):
    read(logged, looked_through(logged, a_study()))
    before = counts(logged)
    arrival = looked_through(logged, a_study())
    assert see(logged, arrival).survey.series[0].is_attached
    found = read(logged, arrival)
    assert (found.state, found.scan_id) == (ArrivalState.READ, 1)
    assert found.message == "it was attached already; nothing was changed"
    assert counts(logged) == before
    assert spooled(logged) == ([], {})


@on_sqlite
def test_the_same_series_with_other_contents_leaves_no_image_that_nothing_refers_to(logged, local):
    read(logged, looked_through(logged, a_study()))
    before = counts(logged)
    found = read(logged, looked_through(logged, a_study(count=11)))
    assert found.message == "it was attached already; nothing was changed"
    assert counts(logged) == before
    assert check_ledger(logged, local) == []


@on_sqlite
def test_what_is_said_of_an_arrival_names_no_case(logged):
    """Who reads the scan later may see it, and no withdrawal finds it."""
    read(logged, looked_through(logged, a_study()))
    refused = [
        read(logged, looked_through(logged, a_study(series=2))),
        read(logged, looked_through(logged, a_study()), kind=ScanKind.LATER_CT),
    ]
    for found in refused:
        assert found.state is ArrivalState.LOOKED_THROUGH
        assert "OP-1" not in found.message


@on_sqlite
@pytest.mark.parametrize(
    ("files", "words"),
    [
        ([b"no DICOM at all"], "there is no CT series in it that can be read"),
        ([a_zip([bytes(20_000_000)])], "unpacks to more than 200 times its size"),
        ([a_zip(a_study())[:-30]], "the zip is damaged"),
    ],
    ids=["text", "bomb", "cut short"],
)
def test_what_cannot_be_read_is_refused_in_words_and_leaves_nothing(logged, files, words):
    before = counts(logged)
    found = see(logged, looked_through(logged, files))
    assert found.state is ArrivalState.REFUSED
    assert words in found.message
    assert "Invented" not in found.message
    assert spooled(logged) == ([], {})
    assert counts(logged) == before


WRONG = {
    "another patient's case": (
        {},
        {"case_id": 2},
        "the hospital number in the files is not the case's patient's",
    ),
    "another birth date": (
        {"PatientBirthDate": "19600103"},
        {},
        "the birth date in the files is not the case's patient's",
    ),
    "before the operation": (
        {"AcquisitionDate": "20260101", "StudyDate": "20260101"},
        {"patient_because": "certain"},
        "the scan was made before the operation",
    ),
    "a series that is not there": ({}, {"series": 2}, "there is no series 2"),
    "burned-in text": ({"BurnedInAnnotation": "YES"}, {}, "burned-in text"),
}


@on_sqlite
@pytest.mark.parametrize(("attributes", "chosen", "words"), WRONG.values(), ids=WRONG)
def test_what_does_not_fit_is_refused_where_it_is_decided(logged, local, attributes, chosen, words):
    arrival = looked_through(logged, a_study(**attributes))
    with pytest.raises(BadInputError, match=words):
        decide_arrival(logged, local, arrival, a_decision(**chosen), NOW)
    assert see(logged, arrival).state is ArrivalState.LOOKED_THROUGH


@on_sqlite
@pytest.mark.parametrize(
    ("attributes", "chosen"),
    [
        ({}, {"case_id": 2, "patient_because": "the wrong label was printed"}),
        ({"PatientBirthDate": "19600103"}, {"patient_because": "day and month were swapped"}),
        ({"BurnedInAnnotation": "YES"}, {"is_burned_in_confirmed": True}),
        ({"PatientID": ""}, {"case_id": 3}),
    ],
)
def test_what_a_person_answers_for_is_read(logged, local, attributes, chosen):
    found = read(logged, looked_through(logged, a_study(**attributes)), **chosen)
    assert found.state is ArrivalState.READ
    assert check_ledger(logged, local) == []


@on_sqlite
def test_a_birth_date_that_only_the_reading_can_compare_sends_it_back(logged):
    arrival = looked_through(logged, a_study(PatientID="", PatientBirthDate="19600103"))
    before = counts(logged)
    found = read(logged, arrival)
    assert found.state is ArrivalState.LOOKED_THROUGH
    assert "the birth date in the files is not the case's patient's" in found.message
    assert counts(logged) == before
    found = read(logged, arrival, patient_because="the log is wrong")
    assert (found.state, found.message) == (ArrivalState.READ, "")


@on_sqlite
def test_of_several_operations_the_latest_before_the_scan_is_offered_first(logged, local):
    arrival = looked_through(logged, a_study(PatientID="H200-7191"))
    offered = cases_offered(logged, local, arrival, 1)
    assert [each.reference for each in offered] == ["OP-5", "OP-2"]
    other = case_offered(logged, local, arrival, 1, "OP-1")
    assert other.objections == (Objection.ANOTHER_NUMBER,)


@on_sqlite
def test_on_the_day_of_operation_only_a_person_knows_the_kind(logged, local):
    day = {"AcquisitionDate": "20260203", "StudyDate": "20260203"}
    arrival = looked_through(logged, a_study(**day))
    (offered,) = cases_offered(logged, local, arrival, 1)
    assert (offered.kind, offered.objections) == (None, ())
    found = read(logged, arrival, kind=ScanKind.INTRA_OPERATIVE_3D, reason=ScanReason.OTHER)
    assert found.state is ArrivalState.READ


@on_sqlite
def test_a_scan_of_that_day_and_kind_is_told_and_another_kind_may_be_chosen(logged):
    read(logged, looked_through(logged, a_study()))
    arrival = looked_through(logged, a_study(series=2))
    found = read(logged, arrival)
    assert found.state is ArrivalState.LOOKED_THROUGH
    assert "there is another post-operative CT of 2026-03-02 already" in found.message
    assert read(logged, arrival, kind=ScanKind.LATER_CT).state is ArrivalState.READ


@on_sqlite
def test_a_damaged_slice_sends_it_back_in_words_and_keeps_nothing(logged):
    files = a_study()
    files[5] = files[5][:-700]
    arrival = looked_through(logged, files)
    before = counts(logged)
    found = read(logged, arrival)
    assert found.state is ArrivalState.LOOKED_THROUGH
    assert found.message.startswith("file 6: ")
    assert counts(logged) == before


@on_sqlite
def test_a_full_disk_is_told_and_the_same_decision_may_be_made_again(logged, local):
    arrival = looked_through(logged, a_study(values=np.zeros((1024, 1024), np.int16)))
    before = counts(logged)
    with small_disk(logged.home / "images", 1 << 14, 1 << 23) as (full, make_room):
        found = read(logged, arrival)
        assert found.state is ArrivalState.FAILED
        assert full in found.message
        assert counts(logged) == before
        make_room()
        assert read(logged, arrival).state is ArrivalState.READ
        assert check_ledger(logged, local) == []


@on_sqlite
@pytest.mark.parametrize("packed", [False, True], ids=["loose", "zip"])
def test_how_far_a_step_is_is_told_and_its_lease_goes_on(logged, monkeypatch, packed):
    monkeypatch.setattr(held_arrival, "TOLD_EVERY_SECONDS", 0.0)
    told = []
    change = working_arrivals.change_held

    def noted(session, held, worker, **values):
        if "total" in values and values["lease_until"] is not None:
            told.append((values["done"], values["total"]))
        return change(session, held, worker, **values)

    monkeypatch.setattr(working_arrivals, "change_held", noted)
    files = a_study()
    arrival = looked_through(logged, [a_zip(files)] if packed else files)
    looked = (
        [(n, 12) for n in range(1, 13)] if not packed else [(1, 1), *((n, 0) for n in range(2, 13))]
    )
    assert told == looked
    told.clear()
    read(logged, arrival)
    assert [each for each in told if each[1] == 12] == [(n, 12) for n in range(1, 13)]


def test_cancelled_while_it_is_read_nothing_is_attached(logged, local, monkeypatch):
    arrival = looked_through(logged, a_study())
    before = counts(logged)
    decide_arrival(logged, local, arrival, a_decision(), NOW)
    write = ImageWriter.write

    def cancelling(writer, index, plane):
        if index == 5:
            cancel_arrival(logged, local, arrival, NOW)
        write(writer, index, plane)

    monkeypatch.setattr(ImageWriter, "write", cancelling)
    assert work_once(logged, NOW)
    found = see(logged, arrival)
    assert found.state is ArrivalState.CANCELLED
    assert spooled(logged) == ([], {})
    assert counts(logged) == before
    assert not list((logged.home / "images").glob("*"))


def test_cancelled_at_the_last_moment_nothing_is_attached(logged, local, monkeypatch):
    arrival = looked_through(logged, a_study())
    before = counts(logged)
    decide_arrival(logged, local, arrival, a_decision(), NOW)
    seal = ImageWriter.seal

    def cancelling(writer, *given):
        sealed = seal(writer, *given)
        cancel_arrival(logged, local, arrival, NOW)
        return sealed

    monkeypatch.setattr(ImageWriter, "seal", cancelling)
    assert work_once(logged, NOW)
    assert see(logged, arrival).state is ArrivalState.CANCELLED
    assert counts(logged) == before
    assert check_ledger(logged, local) == []


@on_sqlite
def test_what_was_read_cannot_be_cancelled_nor_decided_again(logged, local):
    arrival = looked_through(logged, a_study())
    read(logged, arrival)
    with pytest.raises(ConflictError, match="read already"):
        cancel_arrival(logged, local, arrival, NOW)
    with pytest.raises(ConflictError, match="no decision any more"):
        decide_arrival(logged, local, arrival, a_decision(), NOW)


def test_a_worker_that_is_told_to_stop_leaves_the_rest_to_the_next(logged, local):
    arrival = looked_through(logged, a_study())
    decide_arrival(logged, local, arrival, a_decision(), NOW)
    asked = iter([False] * 20)
    assert work_once(logged, NOW, should_stop=lambda: next(asked, True))
    assert see(logged, arrival).state is ArrivalState.TO_BE_READ
    assert work_once(logged, NOW)
    assert see(logged, arrival).state is ArrivalState.READ


def test_what_a_dead_worker_held_is_taken_up_once_its_lease_is_over(logged):
    arrival = arrived(logged, a_study())
    with logged.untracked() as session:
        row = session.get(ArrivalRow, arrival)
        row.lease_name, row.tries = "dead", 1
        row.lease_until = NOW + timedelta(seconds=LEASE_SECONDS)
    assert not work_once(logged, NOW)
    assert work_once(logged, NOW + timedelta(seconds=LEASE_SECONDS + 1))
    assert see(logged, arrival).state is ArrivalState.LOOKED_THROUGH


@on_sqlite
@pytest.mark.parametrize(
    ("owner", "at"), [(ImageWriter, "write"), (ImageStore, "digests")], ids=["read", "attached"]
)
def test_what_takes_more_memory_than_there_is_fails_at_once_and_leaves_nothing(
    logged, monkeypatch, owner, at
):
    arrival = looked_through(logged, a_study())
    before = counts(logged)

    def too_much(*_):
        raise MemoryError

    monkeypatch.setattr(owner, at, too_much)
    found = read(logged, arrival)
    monkeypatch.undo()
    assert found.state is ArrivalState.FAILED
    assert "it takes more memory than the program may have" in found.message
    assert counts(logged) == before


@on_sqlite
def test_what_ends_the_program_again_and_again_is_given_up_in_words(logged, local, monkeypatch):
    arrival = looked_through(logged, a_study())
    decide_arrival(logged, local, arrival, a_decision(), NOW)
    real = ImageWriter.write

    def broken(*_):
        raise ZeroDivisionError

    monkeypatch.setattr(ImageWriter, "write", broken)
    for _ in range(3):
        with pytest.raises(ZeroDivisionError):
            work_once(logged, NOW)
    assert work_once(logged, NOW)
    found = see(logged, arrival)
    assert (found.state, found.message) == (
        ArrivalState.FAILED,
        "the program ended 3 times while it was at it",
    )
    monkeypatch.setattr(ImageWriter, "write", real)
    look_again(logged, local, arrival, NOW)
    assert work_once(logged, NOW)
    assert read(logged, arrival).state is ArrivalState.READ


def test_two_workers_at_once_read_each_arrival_once(logged):
    numbers = [arrived(logged, a_study(8, series=n, study=n)) for n in range(1, 5)]
    did, failed = [], []
    barrier = threading.Barrier(2)

    def go():
        barrier.wait()
        try:
            while work_once(logged, NOW):
                did.append(threading.get_ident())
        except BaseException as error:  # noqa: BLE001 - whatever it is, it is the finding
            failed.append(error)

    threads = [threading.Thread(target=go) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert len(did) == 4
    assert {see(logged, each).state for each in numbers} == {ArrivalState.LOOKED_THROUGH}


def test_a_study_that_is_sent_counts_as_whole_once_nothing_came_for_a_while(logged, local):
    arrival = arrival_of_study(logged, local, "1.2.3", ArrivalSource.RECEIVER, NOW)
    for content in a_study():
        take_file(logged, local, arrival, io.BytesIO(content), "", NOW)
    quiet = timedelta(seconds=logged.settings.quiet_seconds)
    assert not work_once(logged, NOW + quiet)
    assert see(logged, arrival).state is ArrivalState.RECEIVING
    assert work_once(logged, NOW + quiet + timedelta(seconds=1))
    assert see(logged, arrival).state is ArrivalState.LOOKED_THROUGH


def test_what_nobody_decides_on_is_dropped_with_its_reason(logged):
    arrival = looked_through(logged, a_study())
    days = timedelta(days=logged.settings.arrival_days)
    work_once(logged, NOW + days)
    assert see(logged, arrival).state is ArrivalState.LOOKED_THROUGH
    work_once(logged, NOW + days + timedelta(minutes=1))
    found = see(logged, arrival)
    assert (found.state, found.message) == (
        ArrivalState.REFUSED,
        "dropped: nobody decided within 7 days",
    )
    assert found.survey is not None
    assert spooled(logged) == ([], {})


def test_what_has_ended_and_was_not_cleared_away_is_cleared_by_the_next_worker(logged):
    arrival = arrived(logged, a_study())
    with logged.untracked() as session:
        session.get(ArrivalRow, arrival).state = "read"
    assert not work_once(logged, NOW)
    assert spooled(logged) == ([], {})


def test_it_is_attached_in_the_name_of_who_decided_if_they_still_may(logged, local):
    rita = an_account(logged, "rita", Role.REGISTRAR, person="Rita Reader", new_person=True)
    arrival = looked_through(logged, a_study(), rita)
    decide_arrival(logged, rita, arrival, a_decision(), NOW)
    disable(logged, local, "rita", because="left", now=NOW)
    assert work_once(logged, NOW)
    found = see(logged, arrival)
    assert (found.state, found.scan_id) == (ArrivalState.LOOKED_THROUGH, None)
    lena = an_account(logged, "lena", Role.QUALITY_LEAD, person="Lena Lead", new_person=True)
    decide_arrival(logged, lena, arrival, a_decision(), NOW)
    assert work_once(logged, NOW)
    with logged.reading() as session:
        (matched,) = session.execute(select(Scan.matched_by_id)).scalars()
        by = session.execute(select(EventRow.actor).where(EventRow.verb == "attach a scan"))
        assert (matched, list(by.scalars())) == (lena.account_id, ["lena"])


def test_what_came_in_of_a_patient_who_is_withdrawn_is_destroyed(logged, local):
    of_theirs, of_another = (
        looked_through(logged, a_study()),
        looked_through(logged, a_study(series=2, study=2, PatientID="H300-7191")),
    )
    withdraw(logged, local, WhoWithdraws(case_ref="OP-1"), "asked", NOW)
    assert see(logged, of_theirs).state is ArrivalState.REFUSED
    assert see(logged, of_theirs).message == "dropped: its patient was withdrawn"
    assert see(logged, of_another).state is ArrivalState.LOOKED_THROUGH
    assert len(spooled(logged)[1]) == 1
    # What comes of them later finds no case.
    (series,) = see(logged, looked_through(logged, a_study(series=3, study=3))).survey.series
    assert series.case_ids == ()


@on_sqlite
def test_what_was_decided_to_be_a_withdrawn_patient_s_is_destroyed_with_what_was_typed(
    logged, local
):
    named, unnamed = (
        looked_through(logged, a_study()),
        looked_through(logged, a_study(PatientID="")),
    )
    for arrival in (named, unnamed):
        words = a_decision(patient_because="her sister says so")
        decide_arrival(logged, local, arrival, words, NOW)
    withdraw(logged, local, WhoWithdraws(case_ref="OP-1"), "asked", NOW)
    for arrival in (named, unnamed):
        found = see(logged, arrival)
        assert (found.state, found.decision) == (ArrivalState.REFUSED, None)
    assert spooled(logged) == ([], {})


@on_sqlite
def test_registrars_and_leads_are_told_how_many_wait(logged, local):
    rita = an_account(logged, "rita", Role.REGISTRAR, person="Rita Reader", new_person=True)
    anna = an_account(logged, "anna", Role.SURGEON, person="Anna Berg")
    assert scans_waiting(logged, rita) == 0
    looked_through(logged, a_study())
    arrived(logged, a_study(series=2))
    assert scans_waiting(logged, rita) == 1
    assert scans_waiting(logged, local) == 1
    assert scans_waiting(logged, anna) is None


@on_sqlite
@pytest.mark.parametrize("role", [Role.SURGEON, Role.STEWARD])
def test_nobody_else_decides(logged, role):
    arrival = looked_through(logged, a_study())
    viewer = an_account(logged, "someone", role, person="Anna Berg")
    for ask in (
        lambda: decide_arrival(logged, viewer, arrival, a_decision(), NOW),
        lambda: cases_offered(logged, viewer, arrival, 1),
        lambda: case_offered(logged, viewer, arrival, 1, "OP-1"),
        lambda: look_again(logged, viewer, arrival, NOW),
    ):
        with pytest.raises(NotAllowedError):
            ask()
