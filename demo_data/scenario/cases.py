"""The invented cases: who, when, why, and which images were made."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from random import Random
from typing import TYPE_CHECKING

from registry.domain.techniques import Approach, EntryTechnique, Guidance, NoScanReason

from . import people
from .constructs import Construct, lay_out, pick
from .ct.files import PatientIdentity
from .ct.placement import PLANS
from .practices import PRACTICES
from .records import (
    FIRST_DAY,
    LAST_DAY,
    LAST_QUARTER,
    Imaging,
    InventedCase,
    InventedPatient,
    InventedScrew,
)
from .screws import draw_manner, draw_screws

if TYPE_CHECKING:
    from collections.abc import Iterable

CASES = 400
SCREWS = 3000
DRAWN_OPERATED_ON = date(2026, 10, 6)
DRAWN_SCANNED_ON = date(2026, 10, 9)
"""In the quarter after the last whole one, so that nothing of that one is owed."""
_RETURNING = 16
"""Patients with two cases."""

_FEWEST_DAYS_BETWEEN = 40
_REVISION_SHARE = 0.07
_FRIDAY = 4


@dataclass
class _Plan:
    construct: Construct
    day: date
    patient: InventedPatient
    is_revision: bool


def invent_cases(seed: int) -> tuple[InventedCase, ...]:
    """Return the unit's cases by day of operation, that of the drawn CT among them."""
    rng = Random(f"{seed} cases")
    plans = [
        _plan(rng, construct, number)
        for number, construct in enumerate(lay_out(rng, SCREWS - len(PLANS)))
    ]
    plans.sort(key=lambda plan: plan.day)
    _let_some_return(rng, plans)
    cases = [_case(rng, plan) for plan in plans]
    cases.append(_drawn_case())
    cases.sort(key=lambda case: case.operated_on)
    return tuple(_numbered(cases))


def _plan(rng: Random, construct: Construct, number: int) -> _Plan:
    days = (LAST_DAY - FIRST_DAY).days
    day = FIRST_DAY + timedelta(days=rng.randint(0, days))
    is_urgent = construct.practice.surgeon == people.TRAUMA_SURGEON
    if not is_urgent and day.weekday() > _FRIDAY:
        day -= timedelta(days=day.weekday() - _FRIDAY)
    youngest, oldest = construct.practice.ages
    born = day - timedelta(days=rng.randint(youngest * 365, oldest * 365))
    # Not in the order of the operations, as hospital numbers are not.
    patient = InventedPatient(f"INVENTED-{(number * 7919) % 100_000:05}", born, rng.gauss(0, 1))
    return _Plan(construct, day, patient, rng.random() < _REVISION_SHARE)


def _let_some_return(rng: Random, plans: list[_Plan]) -> None:
    """Give some later cases the patient of an earlier one of the same surgeon."""
    taken: set[str] = set()
    later = rng.sample(plans[len(plans) // 3 :], len(plans) // 2)
    for plan in later:
        if len(taken) == 2 * _RETURNING:
            return
        before = [
            other
            for other in plans
            if other.construct.practice is plan.construct.practice
            and (plan.day - other.day).days >= _FEWEST_DAYS_BETWEEN
            and other.patient.reference not in taken
        ]
        if plan.patient.reference in taken or not before:
            continue
        earlier = rng.choice(before)
        taken |= {earlier.patient.reference, plan.patient.reference}
        plan.patient, plan.is_revision = earlier.patient, True


def _case(rng: Random, plan: _Plan) -> InventedCase:
    practice, patient = plan.construct.practice, plan.patient
    share = (plan.day - FIRST_DAY).days / (LAST_DAY - FIRST_DAY).days
    manner = draw_manner(rng, plan.construct, is_revision=plan.is_revision, share=share)
    screws = draw_screws(rng, manner)
    imaging, reason = _imaging(rng, plan)
    age = (plan.day - patient.birth_date).days // 365
    others = [entry.surgeon for entry in PRACTICES if entry is not practice]
    is_large = len(screws) > 12  # noqa: PLR2004 - long constructs have two surgeons now and then
    return InventedCase(
        reference="",
        patient=patient,
        operated_on=plan.day,
        surgeon=practice.surgeon,
        second_surgeon=rng.choice(others) if is_large and rng.random() < 0.35 else None,  # noqa: PLR2004
        assistants=_assistants(rng),
        indication=pick(rng, dict(practice.indications)),
        is_revision=plan.is_revision,
        cobb_deg=rng.randint(28, 88) if practice.has_cobb else None,
        body_mass_index=_body_mass_index(rng, age),
        bone_quality=_bone_quality(rng, age),
        approach=Approach.PERCUTANEOUS if plan.construct.is_percutaneous else Approach.OPEN,
        imaging=imaging,
        no_scan_reason=reason,
        screws=screws,
    )


def _assistants(rng: Random) -> tuple[str, ...]:
    found = rng.sample(people.TRAINEES, rng.choice((0, 1, 1, 2)))
    if rng.random() < 0.1:  # noqa: PLR2004
        found.append(people.FELLOW)
    return tuple(found)


def _body_mass_index(rng: Random, age: int) -> float | None:
    middle = 21.5 if age < 20 else 27.5  # noqa: PLR2004 - the young are slimmer
    value = round(min(max(rng.gauss(middle, 4.3), 16.5), 46.0), 1)
    return None if rng.random() < 0.06 else value  # noqa: PLR2004 - not written down


def _bone_quality(rng: Random, age: int) -> str:
    if age < 50:  # noqa: PLR2004
        return "normal"
    return rng.choices(("normal", "osteopenia", "osteoporosis"), (50, 30, max(age - 50, 1)))[0]


def _imaging(rng: Random, plan: _Plan) -> tuple[Imaging, NoScanReason | None]:
    share = plan.construct.practice.unscanned
    if plan.day >= LAST_QUARTER:
        share /= 3
    if rng.random() < share:
        is_ill = plan.construct.practice.surgeon == people.TUMOUR_SURGEON
        reasons: dict[str, float] = {
            NoScanReason.NOT_DONE: 6,
            NoScanReason.DECLINED: 2,
            NoScanReason.ELSEWHERE: 2,
            NoScanReason.DIED: 4 if is_ill else 0.5,
        }
        return Imaging.NONE, NoScanReason(pick(rng, reasons))
    weights: dict[str, float] = {
        Imaging.ROUTINE: 93,
        Imaging.ROUTINE_THEN_SYMPTOMS: 2.5,
        Imaging.SYMPTOMS_ONLY: 2,
        Imaging.INTRA_OPERATIVE_ONLY: 1.5,
        Imaging.LATE_ONLY: 1,
    }
    return Imaging(pick(rng, weights)), None


def _drawn_case() -> InventedCase:
    """Return the case whose CT is drawn: its log says what the drawing's own log would say."""
    identity = PatientIdentity()
    return InventedCase(
        reference="",
        patient=InventedPatient(identity.patient_id, identity.birth_date, 0.0),
        operated_on=DRAWN_OPERATED_ON,
        surgeon=people.DEFORMITY_SURGEON,
        second_surgeon=None,
        assistants=(people.TRAINEES[0],),
        indication="adult deformity",
        is_revision=False,
        cobb_deg=31,
        body_mass_index=25.4,
        bone_quality="osteopenia",
        approach=Approach.OPEN,
        imaging=Imaging.DRAWN,
        no_scan_reason=None,
        screws=tuple(
            InventedScrew(
                level=plan.level,
                side=plan.side,
                technique=EntryTechnique(plan.entry_technique),
                guidance=Guidance(plan.guidance),
                diameter_mm=plan.diameter_mm,
                length_mm=plan.length_mm,
                operator=people.DEFORMITY_SURGEON,
            )
            for plan in PLANS
        ),
    )


def _numbered(cases: list[InventedCase]) -> Iterable[InventedCase]:
    """Yield the cases with their references, counted anew each year."""
    counts: dict[int, int] = {}
    for case in cases:
        year = case.operated_on.year
        counts[year] = counts.get(year, 0) + 1
        yield replace(case, reference=f"OP-{year}-{counts[year]:03}")
