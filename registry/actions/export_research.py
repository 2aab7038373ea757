"""Export counts for research: no identity, no person, no day, and no small number."""

from __future__ import annotations

import secrets
from collections import defaultdict
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from registry.actions.export_files import Export
from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.levels import level
from registry.domain.problems import BadInputError, Fault
from registry.domain.scales import SCALES, grade
from registry.domain.small_counts import Cell, cells, total
from registry.domain.words import parse_word
from registry.store.exporting.dictionary import NAME, dictionary
from registry.store.exporting.files import Format, require_installed, written
from registry.store.exporting.research import (
    DESCRIPTION,
    GRADED,
    NOT_SAID,
    READ_ME,
    counts_shape,
    flow_shape,
    read_me,
)
from registry.store.exporting.shapes import Filled
from registry.store.queries.research import ResearchScrew, research_screws

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from registry.store.home import Ledger

MOST_FACTORS = 2
SURGEONS_NEEDED = 6
"""Among fewer, whoever knows the unit would know whose a code is."""


class Factor(StrEnum):
    """What the counts of a research extract may be split by."""

    YEAR = "year"
    REGION = "region"
    LEVEL = "level"
    ENTRY_TECHNIQUE = "entry technique"
    GUIDANCE = "guidance"
    REVISION = "revision"
    BODY_MASS_INDEX = "body mass index"
    SURGEON = "surgeon"


class State(NamedTuple):
    """How far a screw came, and why no further or with which grade.

    Attributes
    ----------
    reached : placed, imaged, graded or graded and second-read: the last step that it came to
    why : the reason that it came no further, or the grade
    """

    reached: str
    why: str


# The World Health Organization's classes, kg/m2: 25 overweight, 30 obese, 40 class 3.
_BANDS = (
    (Decimal(25), "under 25"),
    (Decimal(30), "25 to under 30"),
    (Decimal(40), "30 to under 40"),
)
STEPS = ("placed", "imaged", "graded", "second-read")
_REACHED = {"placed": 1, "imaged": 2, GRADED: 3, "second-read": 4}


def asked_factors(text: str) -> tuple[Factor, ...]:
    """Return the factors that a comma-separated list names, at most two.

    Raises
    ------
    BadInputError
        a word names none, one stands twice, or there are more
    """
    try:
        found = tuple(parse_word(Factor, word) for word in text.split(",") if word.strip())
    except ValueError as error:
        raise BadInputError(Fault(str(error), "by", "choose from these")) from None
    if len(set(found)) != len(found) or len(found) > MOST_FACTORS:
        raise BadInputError(
            Fault(f"{len(found)} factors", "by", f"name at most {MOST_FACTORS}, each once")
        )
    return found


def export_research(
    ledger: Ledger, viewer: Viewer, form: Format, by: Sequence[Factor], now: datetime
) -> Export:
    """Return the files of a research extract: the counts, the flow, the dictionary, a read-me."""
    require(viewer, Deed.EXPORT, at_least=Reach.ALL)
    require_installed(form)
    with ledger.reading() as session:
        screws = research_screws(session, viewer, ledger.settings.audit_window_days)
    if Factor.SURGEON in by and len({screw.surgeon_id for screw in screws}) < SURGEONS_NEEDED:
        raise BadInputError(
            Fault(
                f"fewer than {SURGEONS_NEEDED} surgeons, whose codes could be worked out",
                "by",
                "leave surgeon out",
            )
        )
    counted = _counted(screws, by, ledger.settings.scale)
    shapes = (counts_shape([_column(factor) for factor in by]), flow_shape())
    tables = (Filled(shapes[0], counted.rows()), Filled(shapes[1], counted.flow()))
    data = {table.shape.name: written(table, form, now) for table in tables}
    scale = SCALES[ledger.settings.scale]
    package = dictionary(
        shapes,
        data,
        form,
        title="Placement of pedicle screws: counts for research",
        description=f"{DESCRIPTION} Grades: {scale.title}: {scale.bounds}.",
        now=now,
    )
    files = {f"{name}.{form}": found for name, found in data.items()}
    rows = {table.shape.name: len(table.rows) for table in tables}
    files |= {NAME: package, READ_ME: read_me(f"{scale.title}: {scale.bounds}")}
    return Export("export for research", form.value, rows, files)


class _Key(NamedTuple):
    factors: tuple[str, ...]
    state: State


@dataclass(frozen=True)
class _Counted:
    """The cells of an extract; both of its tables are made of these and of nothing else."""

    cells: Sequence[Cell[_Key]]

    def rows(self) -> list[tuple[object, ...]]:
        return [
            (*cell.key.factors, *cell.key.state, cell.screws, cell.screws is None)
            for cell in sorted(self.cells, key=lambda cell: cell.key)
        ]

    def flow(self) -> list[tuple[object, ...]]:
        """Return sums over the cells: how many came to each step, and why no further."""
        rows: list[tuple[object, ...]] = []
        for number, step in enumerate(STEPS, start=1):
            came = [cell for cell in self.cells if _REACHED[cell.key.state.reached] >= number]
            shown = total(came)
            rows.append((step, None, shown.screws, shown.hidden))
            stopped: dict[str, list[Cell[_Key]]] = defaultdict(list)
            for cell in came:
                if cell.key.state.reached == step and step in {"placed", "imaged"}:
                    stopped[cell.key.state.why].append(cell)
            for why, found in sorted(stopped.items()):
                ended = total(found)
                rows.append((f"{step} and no further", why, ended.screws, ended.hidden))
        return rows


def _counted(screws: Sequence[ResearchScrew], by: Sequence[Factor], scale: str) -> _Counted:
    codes = _codes(screws)
    values = [_VALUE_OF[factor] for factor in by]

    def key(screw: ResearchScrew) -> _Key:
        factors = tuple(
            codes[screw.surgeon_id] if factor is Factor.SURGEON else value(screw)
            for factor, value in zip(by, values, strict=True)
        )
        return _Key(factors, state_of(screw, scale))

    return _Counted(cells((key(screw), screw.patient_id) for screw in screws))


def _codes(screws: Sequence[ResearchScrew]) -> dict[int, str]:
    """Return a code a surgeon, drawn anew for this extract and kept nowhere."""
    return {person: f"S{secrets.token_hex(4)}" for person in {s.surgeon_id for s in screws}}


def state_of(screw: ResearchScrew, scale: str) -> State:
    """Return how far a screw came."""
    if not screw.is_imaged:
        return State("placed", screw.no_scan_reason or NOT_SAID)
    if not level(screw.level).has_pedicle_grade:
        return State("imaged", "no pedicle grade at this level")
    if screw.extents_mm is None:
        return State("imaged", "not read")
    if not screw.is_assessable:
        return State("imaged", f"not assessable: {screw.not_assessable_reason or NOT_SAID}")
    found = grade(screw.extents_mm, screw.level, scale)
    if found is None:
        return State("imaged", "partly read")
    return State("second-read" if screw.is_second_read else GRADED, found)


def _column(factor: Factor) -> str:
    return factor.value.replace(" ", "_")


def _band(value: Decimal | None) -> str:
    if value is None:
        return NOT_SAID
    return next((words for below, words in _BANDS if value < below), "40 or more")


def _revision(screw: ResearchScrew) -> str:
    return {True: "revision", False: "primary", None: NOT_SAID}[screw.is_revision]


_VALUE_OF: dict[Factor, Callable[[ResearchScrew], str]] = {
    Factor.YEAR: lambda screw: str(screw.year),
    Factor.REGION: lambda screw: level(screw.level).region.value,
    Factor.LEVEL: lambda screw: screw.level,
    Factor.ENTRY_TECHNIQUE: lambda screw: screw.entry_technique,
    Factor.GUIDANCE: lambda screw: screw.guidance,
    Factor.REVISION: _revision,
    Factor.BODY_MASS_INDEX: lambda screw: _band(screw.body_mass_index),
    Factor.SURGEON: lambda screw: str(screw.surgeon_id),
}
