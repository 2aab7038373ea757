"""How completeness is said to people: the steps in order, and the sentences beside them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.tables.rate_words import percent
from reports.tables.reader_words import share_words

if TYPE_CHECKING:
    from reports.tables.completeness import Completeness

NO_AUDIT_SCAN = (
    "not defined: no audit scan has been graded, so nothing is known of patients without symptoms; "
    "only the bounds hold"
)
PUBLISHED = (
    "For scale: a series that scanned only in doubt printed 1.5% malpositioned screws (Suk et al. "
    "Spine 2001;26:2049), a review of 21 series, of those in which every patient had a CT, 15.7% "
    "(Hicks et al. Complications of pedicle screw fixation in scoliosis surgery. Spine; the "
    "abstract was read, which gives no year); other patients, other units and other definitions, "
    "so neither is a target nor used in any number here."
)


def step_rows(found: Completeness) -> list[tuple[str, int, str]]:
    """Return each step: its name, screws, and their share of the placed."""
    steps = (
        ("Placed, at a level with a pedicle grade", found.placed),
        ("Imaged: the case has an audit scan", found.imaged),
        ("Read on it", found.read),
        ("Graded: every wall measured that is needed", found.graded),
        ("Read a second time", found.second_read),
        ("Adjudicated", found.adjudicated),
    )
    return [(name, count, _share(count, found.placed)) for name, count in steps]


def gap_rows(found: Completeness) -> list[tuple[str, int, int | None]]:
    """Return why screws have no grade: reason, screws, cases where they were counted."""
    rows: list[tuple[str, int, int | None]] = []
    rows += [(f"Not imaged, {gap.why}", gap.screws, gap.cases) for gap in found.unimaged]
    rows += [("Imaged and not read yet", found.unread, None)] if found.unread else []
    rows += [(f"Not assessable, {gap.why}", gap.screws, gap.cases) for gap in found.not_assessable]
    partly = "Partly read: a needed wall was not measured"
    rows += [(partly, found.partly_read, None)] if found.partly_read else []
    return rows


def bound_rows(found: Completeness) -> list[tuple[str, str]]:
    """Return the rate of the graded, and what it could be."""
    return [
        ("Of the graded screws", share_words(found.rate, "not defined: none is graded")),
        ("If no ungraded screw were breached", _bound(found.if_none)),
        ("If every ungraded screw were breached", _bound(found.if_all)),
    ]


def assumed_rows(found: Completeness) -> list[tuple[str, str, int]]:
    """Return the rates under assumptions: the assumption, the rate, over how many screws."""
    return [
        (each.assumption, share_words(each.rate, NO_AUDIT_SCAN), each.screws)
        for each in found.assumed
    ]


def summary(found: Completeness) -> str:
    """Return in a few sentences what is missing and what it could change."""
    if not found.placed:
        return "No screw was placed in this period at a level that has a pedicle grade."
    share = _share(found.graded, found.placed)
    said = [f"{found.graded} of {found.placed} placed screws ({share}) are graded."]
    if found.if_none is not None and found.if_all is not None and found.graded < found.placed:
        said.append(
            f"Whatever the other {found.placed - found.graded} are, the rate of all lies between "
            f"{percent(found.if_none)}% and {percent(found.if_all)}%: that is arithmetic and "
            "assumes nothing."
        )
    if found.is_marked:
        said.append("Fewer than 90% are graded (our own mark): read the rate with care.")
    if found.provisional:
        said.append(f"Of the graded {found.provisional} still wait for another reading.")
    return " ".join(said)


def _share(count: int, placed: int) -> str:
    return f"{percent(count / placed)}%" if placed else "-"


def _bound(value: float | None) -> str:
    return "not defined: none was placed" if value is None else f"{percent(value)}%"
