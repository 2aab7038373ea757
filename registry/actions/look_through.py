"""Look through what came in: which series lie there, whose they are, what stays out.

What is said here is kept in the database, so it holds no file's name, no identifier, and of a
file's own free words only what `imaging.identity` would keep of them.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from registry.actions.accounts import acting
from registry.actions.arrival_survey import ArrivalSurvey, LeftOutWords, SurveyedSeries
from registry.actions.attach_scan import series_hash
from registry.actions.match_scan import case_facts, named_in_files
from registry.domain.arrivals import ArrivalState
from registry.domain.matching import Agreement, in_order_of_fit
from registry.domain.problems import BadInputError
from registry.imaging.intake import survey
from registry.imaging.lasting_words import lasting_words, without_quotes
from registry.imaging.sources import SourceFile
from registry.store.queries.scans import cases_of_patient, scan_of_series

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from registry.actions.held_arrival import HeldArrival
    from registry.domain.access import Viewer
    from registry.imaging.intake import FoundSeries, LeftOut, ListedSeries, Survey
    from registry.store.home import Ledger
    from registry.store.spool import SpooledFile

_MOST_LEFT_OUT = 100
_NOTHING_TO_READ = "there is no CT series in it that can be read"


def survey_spooled(
    files: Iterable[SpooledFile],
    told: Callable[[int], None],
    *,
    accept_burned_in: bool = False,
) -> Survey:
    """Survey the files of an arrival; `told` hears after each how many were looked into.

    BadInputError where a zip among them is damaged or unpacks beyond the limits.
    """
    sources = [SourceFile(f"file {each.number}", each.open) for each in files]
    return survey(sources, accept_burned_in=accept_burned_in, told=told)


def survey_words(ledger: Ledger, viewer: Viewer, found: Survey) -> ArrivalSurvey:
    """Return a survey as it is kept, with the cases that the viewer may attach its series to."""
    by_number = {each.number: each for each in found.found}
    series = tuple(
        _line(ledger, viewer, line, by_number.get(line.number)) for line in found.listing
    )
    return ArrivalSurvey(series, _chosen(found, series), _left_out(found.aside))


def _line(
    ledger: Ledger, viewer: Viewer, line: ListedSeries, found: FoundSeries | None
) -> SurveyedSeries:
    case_ids: tuple[int, ...] = ()
    is_born_otherwise = is_attached = has_number = False
    if found is not None:
        named = named_in_files(ledger, found.patient_id, found.birth_date)
        has_number = named.number_hash is not None
        with ledger.reading() as session:
            cases = cases_of_patient(session, viewer, named.number_hash)
            attached = scan_of_series(session, series_hash(ledger, found.series_uid))
        facts = [case_facts(ledger, case, named) for case in cases]
        is_born_otherwise = any(each.born is Agreement.OTHER for each in facts)
        is_attached = attached is not None
        if line.acquired_on is not None:
            facts = in_order_of_fit(facts, line.acquired_on)
        case_ids = tuple(each.case_id for each in facts)
    return SurveyedSeries(
        number=line.number,
        words=without_quotes(line.words) if found is None else lasting_words(found),
        kind=line.kind.value,
        acquired_on=line.acquired_on,
        patient=line.patient,
        study=line.study,
        is_readable=line.is_readable,
        why_not=without_quotes(line.why_not),
        may_be_confirmed=line.may_be_confirmed,
        has_number=has_number,
        case_ids=case_ids,
        has_other_birth_date=is_born_otherwise,
        is_attached=is_attached,
    )


def _chosen(found: Survey, series: Iterable[SurveyedSeries]) -> int | None:
    """Return the series that the rule would read: of a known patient where there is one."""
    known = {each.number for each in series if each.case_ids}
    if not known:
        known = {each.number for each in found.found}
    try:
        return found.series_to_read(
            unfit=lambda each: "" if each.number in known else "another patient"
        ).number
    except BadInputError:
        return None


def _left_out(aside: Iterable[LeftOut]) -> tuple[LeftOutWords, ...]:
    counts = Counter((without_quotes(each.what), without_quotes(each.why)) for each in aside)
    words = [LeftOutWords(what, why, files) for (what, why), files in sorted(counts.items())]
    rest = sum(each.files for each in words[_MOST_LEFT_OUT:])
    more = (LeftOutWords("other files", "not listed one by one", rest),) if rest else ()
    return (*words[:_MOST_LEFT_OUT], *more)


def look_through(held: HeldArrival) -> None:
    """Look through an arrival; from then on it waits for a person, or it is refused."""
    ledger, total = held.ledger, held.row.files

    def told(done: int) -> None:
        # How many members a zip has is not known beforehand: 0 stands for that.
        held.tell(done, total if done <= total else 0)

    try:
        found = survey_spooled(ledger.spool.files(held.row.token), told)
    except BadInputError as error:
        held.finish(ArrivalState.REFUSED, "; ".join(error.lines()))
        return
    words = survey_words(ledger, acting(ledger, None), found)
    kept = {"survey": words.to_json(), "done": total, "total": total}
    if any(each.is_readable or each.may_be_confirmed for each in words.series):
        held.finish(ArrivalState.LOOKED_THROUGH, "", **kept)
    else:
        held.finish(ArrivalState.REFUSED, _NOTHING_TO_READ, **kept)
