"""What is missing of a period's screws, step by step, and how much it could change the rate."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reports.statistics.clustered import clustered_interval, unit_clustering
from reports.statistics.estimate import Estimate
from reports.statistics.missing import Observed, bounds, like_the_observed, with_assumed
from reports.tables.rates import rates

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from reports.statistics.clustered import ClusteredResult
    from reports.tables.rates import Question

    Mask = npt.NDArray[np.bool_]

WHOLE_ENOUGH = 0.9
"""Below this share of graded screws the rate is marked; ours, no source."""


@dataclass(frozen=True)
class StepFacts:
    """What has been done about one screw; `None` steps mean nothing yet."""

    is_read: bool = False
    is_second_read: bool = False
    is_adjudicated: bool = False
    not_assessable: str | None = None


@dataclass(frozen=True)
class Gap:
    """Screws that have no grade for one reason, and their cases."""

    why: str
    screws: int
    cases: int


@dataclass(frozen=True)
class Assumed:
    """The rate of all placed screws under an assumption that nobody can check.

    Attributes
    ----------
    assumption : in a sentence
    rate : with its interval; the assumption itself is taken as certain
    screws : over how many screws
    """

    assumption: str
    rate: Estimate
    screws: int


@dataclass(frozen=True)
class Completeness:
    """The steps of a period, and what the missing ones could change.

    Attributes
    ----------
    question : period and event
    placed, imaged, read, graded, second_read, adjudicated, provisional : screws of levels that
        have a pedicle grade; graded for the event asked about
    partly_read : read, and without a grade for want of a wall
    unread : imaged and not read yet
    not_assessable : by reason
    unimaged : cases without an audit scan, by reason
    breached : of the graded
    rate : of the graded
    if_none, if_all : the rate of all placed if none, and if all, of the ungraded were breached;
        None where nothing was placed
    assumed : the rate of all placed under assumptions
    """

    question: Question
    placed: int
    imaged: int
    read: int
    graded: int
    second_read: int
    adjudicated: int
    provisional: int
    partly_read: int
    unread: int
    not_assessable: tuple[Gap, ...]
    unimaged: tuple[Gap, ...]
    breached: int
    rate: Estimate
    if_none: float | None
    if_all: float | None
    assumed: tuple[Assumed, ...]

    @property
    def is_marked(self) -> bool:
        """Whether so little is graded that the rate has to be read with care."""
        return self.placed > 0 and self.graded < WHOLE_ENOUGH * self.placed

    def as_json(self) -> dict[str, object]:
        """Return it as `completeness --format json` prints it."""
        return {
            "placed": self.placed,
            "imaged": self.imaged,
            "graded": self.graded,
            "second_read": self.second_read,
            "adjudicated": self.adjudicated,
            "rate": self.rate.value,
            "if_none_breached": self.if_none,
            "if_all_breached": self.if_all,
        }


def completeness(
    unit: pd.DataFrame,
    question: Question,
    facts: Mapping[int, StepFacts],
    unimaged: Mapping[int, str],
    on_symptom_scans: pd.DataFrame,
    assumed_rate: float | None = None,
) -> Completeness:
    """Return the steps of the screws asked about.

    Parameters
    ----------
    unit : the frame of every counted screw up to the period's end
    question : period and event, no split
    facts : by screw, what was done about it on its audit scan
    unimaged : by case without an audit scan, why
    on_symptom_scans : the same frame, with the extents that were found on a scan made for symptoms
        in cases that have no other, and nothing for all other screws
    assumed_rate : of screws that nobody has looked at, 0 to 1; None for none
    """
    (row,) = rates(unit, question).rows
    shown = _asked(unit, question)
    event = question.event
    graded = event.graded(unit).to_numpy(dtype=bool)
    asked = unit[shown]
    steps = [facts.get(int(screw), StepFacts()) for screw in asked["screw_id"]]
    is_read = np.array([step.is_read for step in steps], dtype=bool)
    not_assessable = [step.not_assessable for step in steps]
    is_imaged, is_graded = asked["imaged"].to_numpy(dtype=bool), graded[shown]
    can_be_read = np.array([why is None for why in not_assessable], dtype=bool)
    limits = bounds(row.breached, row.graded, row.placed - row.graded)
    why_unimaged = [
        None if imaged else unimaged.get(int(case), "not stated")
        for imaged, case in zip(is_imaged, asked["case_id"], strict=True)
    ]
    return Completeness(
        question=question,
        placed=row.placed,
        imaged=row.imaged,
        read=int((is_read & is_imaged).sum()),
        graded=row.graded,
        second_read=sum(step.is_second_read for step in steps),
        adjudicated=sum(step.is_adjudicated for step in steps),
        provisional=row.provisional,
        partly_read=int((is_read & can_be_read & ~is_graded & is_imaged).sum()),
        unread=int((is_imaged & ~is_read).sum()),
        not_assessable=_gaps(not_assessable, asked["case_id"]),
        unimaged=_gaps(why_unimaged, asked["case_id"]),
        breached=row.breached,
        rate=Estimate(row.rate, row.low, row.high),
        if_none=limits and limits[0],
        if_all=limits and limits[1],
        assumed=_assumed(unit, question, on_symptom_scans, assumed_rate),
    )


def _asked(unit: pd.DataFrame, question: Question) -> Mask:
    """Return which screws the question is about, as the rates count them."""
    day = unit["operated_on"].to_numpy()
    found = unit["pedicle"].to_numpy(dtype=bool)
    if question.start:
        found = found & (day >= np.datetime64(question.start))
    if question.end:
        found = found & (day <= np.datetime64(question.end))
    return found


def _gaps(reasons: list[str | None], cases: pd.Series[int]) -> tuple[Gap, ...]:
    """Return screws and cases by reason, the most screws first."""
    screws = Counter(why for why in reasons if why is not None)
    pairs = {(why, int(case)) for why, case in zip(reasons, cases, strict=True)}
    of = Counter(why for why, _ in pairs)
    ordered = sorted(screws.items(), key=lambda each: (-each[1], each[0]))
    return tuple(Gap(why, count, of[why]) for why, count in ordered)


@dataclass(frozen=True)
class _Looked:
    """The unit's screws, those looked at on some set of scans, and what was found."""

    unit: pd.DataFrame
    question: Question
    is_seen: Mask
    is_breached: Mask

    @property
    def asked(self) -> Mask:
        return _asked(self.unit, self.question)

    @property
    def seen(self) -> int:
        return int((self.asked & self.is_seen).sum())

    @property
    def unseen(self) -> int:
        return int((self.asked & ~self.is_seen).sum())

    def known(self) -> ClusteredResult | None:
        """Return the default interval of what was seen; None where nothing was."""
        patient = pd.factorize(self.unit["patient"])[0]
        clustering = unit_clustering(
            self.is_breached[self.is_seen],
            patient[self.is_seen].astype(np.int64),
            self.unit["surgeon"].to_numpy()[self.is_seen],
        )
        chosen = self.asked & self.is_seen
        if not chosen.any():
            return None
        _, place = np.unique(patient[chosen], return_inverse=True)
        sizes = np.bincount(place)
        events = np.bincount(place, self.is_breached[chosen]).astype(np.int64)
        return clustered_interval(events, sizes, clustering, self.question.confidence)

    def by_region(self) -> Observed:
        asked = self.asked
        return Observed(
            patient=pd.factorize(self.unit["patient"])[0][asked],
            stratum=pd.factorize(self.unit["region"])[0][asked],
            is_observed=self.is_seen[asked],
            is_event=self.is_breached[asked],
        )


def _assumed(
    unit: pd.DataFrame,
    question: Question,
    on_symptom_scans: pd.DataFrame,
    assumed_rate: float | None,
) -> tuple[Assumed, ...]:
    event = question.event
    audit = _Looked(
        unit,
        question,
        event.graded(unit).to_numpy(dtype=bool),
        event.breached(unit).to_numpy(dtype=bool),
    )
    extra = event.graded(on_symptom_scans).to_numpy(dtype=bool) & ~audit.is_seen
    found = event.breached(on_symptom_scans).to_numpy(dtype=bool) & extra
    both = _Looked(unit, question, audit.is_seen | extra, audit.is_breached | found)
    number = int((extra & audit.asked).sum())
    placed = audit.seen + audit.unseen
    rows = []
    known = audit.known()
    if known is not None:
        rows.append(
            Assumed(
                "Ungraded screws are breached as often as graded ones of the same region",
                like_the_observed(audit.by_region(), known),
                placed,
            )
        )
    known = both.known()
    if known is None:
        return tuple(rows)
    if number:
        looked = f"the {number} graded on a scan made for symptoms alone"
        rows += [
            Assumed(
                f"{looked[0].upper()}{looked[1:]} are as found there, all other ungraded ones like"
                " those graded on audit scans in the same region",
                _as_found(audit, both, known),
                placed,
            ),
            Assumed(
                f"Only what was looked at counts, {looked} with it: too high, where patients "
                "without symptoms were not scanned",
                Estimate(known.rate, known.interval.low, known.interval.high),
                both.seen,
            ),
        ]
    rows.append(
        Assumed(
            "Screws that nobody has looked at are all contained: too low, as where a scan is made "
            "only in doubt and its finds are divided by all screws",
            with_assumed(known, both.seen, both.unseen, 0.0),
            placed,
        )
    )
    if assumed_rate is not None:
        rows.append(
            Assumed(
                f"Of screws that nobody has looked at {100 * assumed_rate:g}% are breached, as was "
                "asked",
                with_assumed(known, both.seen, both.unseen, assumed_rate),
                placed,
            )
        )
    return tuple(rows)


def _as_found(audit: _Looked, both: _Looked, known: ClusteredResult) -> Estimate:
    """Return the rate with the finds of symptom scans, and the unseen like the audit scans'.

    Those found on symptom scans are a stratum of their own in which nothing is missing, so that
    they stand for themselves and for nobody else; nothing where no audit scan was graded.
    """
    if not audit.seen:
        return Estimate()
    screws = both.by_region()
    extra = (both.is_seen & ~audit.is_seen)[both.asked]
    stratum = screws.stratum
    seen = set(stratum[screws.is_observed & ~extra].tolist())
    if not set(stratum[~screws.is_observed].tolist()) <= seen:
        # A region without an audit scan's grade takes the rate of all such grades.
        stratum = np.zeros_like(stratum)
    alone = int(stratum.max(initial=0)) + 1
    apart = Observed(
        screws.patient, np.where(extra, alone, stratum), screws.is_observed, screws.is_event
    )
    return like_the_observed(apart, known)
