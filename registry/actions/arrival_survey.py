"""What was found in an arrival and what a person decided, as JSON without anybody's identity.

Cases are held by number, so that a withdrawn patient's case reference does not stay behind here.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, replace
from datetime import date

from registry.domain.scans import ScanKind, ScanReason


@dataclass(frozen=True)
class LeftOutWords:
    """Some files that are not read: what they are, why, and how many; no name."""

    what: str
    why: str
    files: int


@dataclass(frozen=True)
class SurveyedSeries:
    """One series of an arrival.

    Attributes
    ----------
    number : by which it is chosen, from 1
    words : what it is, as shown
    kind : in plain words
    patient, study : 1, 2, ... in the order of the list: which of those in the files
    is_readable, why_not : whether it may be chosen
    may_be_confirmed : it announces burned-in text, and may be read once a person has looked
    has_number : the files carry a hospital number
    case_ids : of the patient whom the files name, as far as they are known; the fitting one first
    has_other_birth_date : the files say another day of birth than the log for these cases
    is_attached : this series is a scan already
    """

    number: int
    words: str
    kind: str
    acquired_on: date | None
    patient: int
    study: int
    is_readable: bool
    why_not: str
    may_be_confirmed: bool = False
    has_number: bool = False
    case_ids: tuple[int, ...] = ()
    has_other_birth_date: bool = False
    is_attached: bool = False


@dataclass(frozen=True)
class ArrivalSurvey:
    """What lies in an arrival.

    Attributes
    ----------
    chosen : number of the series that the rule would read; None where none can be
    left_out : what else was there
    """

    series: tuple[SurveyedSeries, ...]
    chosen: int | None
    left_out: tuple[LeftOutWords, ...]

    def one(self, number: int) -> SurveyedSeries | None:
        """Return the series of that number, or None."""
        return next((each for each in self.series if each.number == number), None)

    def with_attached(self, number: int) -> ArrivalSurvey:
        """Return it with one series marked as attached."""
        marked = (replace(each, is_attached=True) for each in self.series if each.number == number)
        by_number = {each.number: each for each in (*self.series, *marked)}
        return replace(self, series=tuple(by_number.values()))

    def to_json(self) -> str:
        """Return it as it is kept."""
        return json.dumps(asdict(self), ensure_ascii=False, default=str)

    @classmethod
    def from_json(cls, text: str) -> ArrivalSurvey:
        """Return what `to_json` wrote."""
        held = json.loads(text)
        series = [
            SurveyedSeries(
                **each
                | {
                    "acquired_on": _day(each["acquired_on"]),
                    "case_ids": tuple(each["case_ids"]),
                }
            )
            for each in held["series"]
        ]
        left_out = tuple(LeftOutWords(**each) for each in held["left_out"])
        return cls(tuple(series), held["chosen"], left_out)


@dataclass(frozen=True)
class Decision:
    """What a person chose for an arrival.

    Attributes
    ----------
    series : number in the survey
    case_id : the case to attach it to
    kind, reason : of the scan
    patient_because : why it is this patient's although the files say otherwise; '' where not said
    is_burned_in_confirmed : somebody has looked and no picture names anybody
    """

    series: int
    case_id: int
    kind: ScanKind
    reason: ScanReason
    patient_because: str = ""
    is_burned_in_confirmed: bool = False

    def to_json(self) -> str:
        """Return it as it is kept."""
        return json.dumps(asdict(self), ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> Decision:
        """Return what `to_json` wrote."""
        held = json.loads(text)
        words = {"kind": ScanKind(held["kind"]), "reason": ScanReason(held["reason"])}
        return cls(**held | words)


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)
