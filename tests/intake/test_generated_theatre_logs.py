"""Generated theatre logs come back equal; random ones give faults and raise nothing."""

from __future__ import annotations

import dataclasses
from datetime import date, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from registry.domain.directions import Side
from registry.domain.levels import LEVELS
from registry.domain.techniques import (
    Approach,
    EntryTechnique,
    Guidance,
    Intention,
    Life,
    NoScanReason,
)
from registry.intake.columns import THEATRE_LOG
from registry.intake.theatre_log import LogCase, LogScrew, read_theatre_log
from tests.build.tables import a_log, a_table

if TYPE_CHECKING:
    from registry.intake.parsed import Parsed

TODAY = date(2026, 9, 30)


def read(data: bytes) -> Parsed[LogCase]:
    return read_theatre_log(data, "log.csv", None, TODAY)


# A round trip: what Python's csv module writes of generated records comes back equal.
NAME = st.text(st.sampled_from("abcÄß'-., \""), min_size=1, max_size=12).map(
    lambda text: " ".join(("x" + text).split())
)
WORDS = st.none() | NAME


def tenths(low: int, high: int) -> st.SearchStrategy[Decimal | None]:
    return st.none() | st.integers(low, high).map(lambda whole: Decimal(whole).scaleb(-1))


SCREWS = st.lists(
    st.builds(
        LogScrew,
        level=st.sampled_from([level.code for level in LEVELS]),
        side=st.sampled_from(Side),
        number=st.integers(1, 9),
        entry_technique=st.sampled_from(EntryTechnique),
        technique_words=NAME,
        guidance=st.sampled_from(Guidance),
        operator=WORDS,
        supervision=WORDS,
        diameter_mm=tenths(1, 200),
        length_mm=tenths(1, 2000),
        alloy=WORDS,
        intention=st.none() | st.sampled_from(Intention),
        life=st.sampled_from(Life),
        udi=st.none() | st.just("(01)0123\x1d10X"),
        row=st.just(0),
    ),
    min_size=1,
    max_size=4,
    unique_by=lambda screw: (screw.level, screw.side, screw.number),
)
CASES = st.lists(
    st.builds(
        LogCase,
        case_ref=NAME,
        patient_ref=NAME,
        birth_date=st.none(),
        operated_on=st.dates(date(1990, 1, 1), TODAY),
        surgeon=NAME,
        second_surgeon=WORDS,
        assistants=st.lists(NAME, max_size=3, unique=True).map(tuple),
        indication=WORDS,
        revision=st.none() | st.booleans(),
        cobb_deg=tenths(0, 1800),
        bmi=tenths(50, 900),
        bone_quality=WORDS,
        approach=st.none() | st.sampled_from(Approach),
        no_ct_reason=st.none() | st.sampled_from(NoScanReason),
        screws=SCREWS.map(tuple),
        rows=st.just(()),
    ),
    min_size=1,
    max_size=3,
    unique_by=lambda case: case.case_ref,
)


def numbered(cases: list[LogCase]) -> list[LogCase]:
    """Give every screw the row it will stand in, and words only to the technique other."""
    row = 1
    done = []
    for case in cases:
        screws = []
        for screw in case.screws:
            row += 1
            is_other = screw.entry_technique is EntryTechnique.OTHER
            words = screw.technique_words if is_other else ""
            screws.append(dataclasses.replace(screw, row=row, technique_words=words))
        rows = tuple(screw.row for screw in screws)
        birth = case.operated_on - timedelta(days=1)
        done.append(dataclasses.replace(case, birth_date=birth, screws=tuple(screws), rows=rows))
    return done


def cell(case: LogCase, screw: LogScrew, name: str, separator: str) -> str:
    value = getattr(screw if hasattr(screw, name) else case, name)
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return " | ".join(value)
    if isinstance(value, Decimal) and separator != ",":
        return str(value).replace(".", ",")
    if value is EntryTechnique.OTHER:
        return f"other: {screw.technique_words}"
    return str(value)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(cases=CASES, separator=st.sampled_from([",", ";", "\t"]))
def test_what_was_written_comes_back(cases: list[LogCase], separator: str) -> None:
    patients = {case.patient_ref for case in cases}
    written = numbered(cases) if len(patients) == len(cases) else numbered(cases[:1])
    names = [column.name for column in THEATRE_LOG]
    rows = [
        [cell(case, screw, name, separator) for name in names]
        for case in written
        for screw in case.screws
    ]
    parsed = read(a_table(names, rows, separator=separator))
    assert parsed.faults == ()
    assert list(parsed.rows) == written


@settings(deadline=None, max_examples=100)
@given(
    lines_=st.lists(st.text(max_size=40), max_size=6),
    separator=st.sampled_from([",", ";", "\t"]),
    names=st.lists(st.sampled_from([column.name for column in THEATRE_LOG]), max_size=10),
)
def test_random_text_gives_faults_and_raises_nothing(
    lines_: list[str], separator: str, names: list[str]
) -> None:
    text = separator.join(names) + "\n" + "\n".join(lines_)
    parsed = read(text.encode("utf-8", "surrogatepass"))
    assert parsed.faults
    assert all(fault.line().startswith("log.csv") for fault in parsed.faults)


@settings(deadline=None, max_examples=150)
@given(name=st.sampled_from([column.name for column in THEATRE_LOG]), text=st.text(max_size=70))
def test_any_text_in_any_cell_is_read_or_named(name: str, text: str) -> None:
    parsed = read(a_log({name: text}, {"side": "R", name: text}))
    places = {fault.where for fault in parsed.faults}
    assert parsed.rows or places
    assert not any("Traceback" in fault.line() or "\n" in fault.line() for fault in parsed.faults)
