"""The unit's settings as a person reads them: what each means, and its value with its unit."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


def setting_rows(written: str) -> list[tuple[str, str]]:
    """Return each setting of the canonical JSON that numbers depend on: what it means, its value.

    One that has no words here stands under its name.
    """
    return [_row(name, value) for name, value in json.loads(written).items()]


def _row(name: str, value: object) -> tuple[str, str]:
    words, form = SETTINGS.get(name, (name.replace("_", " "), _plain))
    return words, "none" if value in (None, "", []) else form(value)


def _plain(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(_plain(each) for each in value)
    return str(value)


def _with(unit: str) -> Callable[[object], str]:
    def form(value: object) -> str:
        held = value if isinstance(value, list) else [value]
        return ", ".join(f"{each}{unit}" for each in held)

    return form


def _share(value: object) -> str:
    return f"{100 * float(str(value)):g}%"


def _days(value: object) -> str:
    return " to ".join(map(str, value)) if isinstance(value, list) else str(value)


def _walls(value: object) -> str:
    walls = value if isinstance(value, list) else []
    return ", ".join(f"{str(wall).replace('_', ' ')} {limit} mm" for wall, limit in walls)


SETTINGS: dict[str, tuple[str, Callable[[object], str]]] = {
    "audit_window_days": ("days after the operation on which an audit scan is made", _days),
    "counted_reading": (
        "of a reading and its change once the proposal was shown, the one that counts",
        _plain,
    ),
    "cut_offs_mm": ("a reading near one of these asks for a second", _with(" mm")),
    "floor_mm": ("a measured extent below this is 0", _with(" mm")),
    "headline_mm": ("cut-off of the headline rate", _with(" mm")),
    "minimum_graded": ("fewest graded screws that have a rate", _plain),
    "near_share": ("how likely the other side of a cut-off is for a reading near it", _share),
    "outcome_window_days": ("days after the operation on which an outcome belongs to it", _days),
    "policy_mm": ("the policy for findings that cannot wait: met from", _walls),
    "policy_words": ("that policy in the unit's own words", _plain),
    "proposal_extents": ("when a first reader is shown what the program measured", _plain),
    "reply_cover": ("contained screws read again beside each that a surgeon asks for", _plain),
    "reply_days": ("days in which surgeons may reply", _plain),
    "scale": ("grading scale", _plain),
    "seal_countersigned": ("another person countersigns, whoever seals", _plain),
    "seal_delay_days": ("days after a quarter's end before it is sealed", _plain),
    "second_reads_all": ("every screw is read twice", _plain),
    "second_share": ("random share of the other first readings that are read twice", _share),
    "standard_percent": ("the unit's standard for its headline rate: at most", _with("%")),
    "standard_words": ("where that standard comes from", _plain),
    "tolerance_mm": ("by how much two readings may differ and agree", _with(" mm")),
    "unit_name": ("unit", _plain),
    "zone": ("zone in which the unit's days are counted", _plain),
}
"""By name: what it means, and how its value is written."""
