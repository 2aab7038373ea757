"""The invented unit's two tables, as any unit would hand them in."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from registry.domain.techniques import EntryTechnique, Life

from .placements import BODY, WALLS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from .records import InventedCase, InventedReading, InventedScrew

_LOG = (
    "case_ref",
    "patient_ref",
    "birth_date",
    "operated_on",
    "surgeon",
    "second_surgeon",
    "assistants",
    "indication",
    "revision",
    "cobb_deg",
    "bmi",
    "bone_quality",
    "approach",
    "no_ct_reason",
    "level",
    "side",
    "entry_technique",
    "guidance",
    "operator",
    "supervision",
    "diameter_mm",
    "length_mm",
    "alloy",
    "intention",
    "life",
)
_READINGS = (
    "case_ref",
    "level",
    "side",
    "reader",
    "role",
    "scan_on",
    "scan_kind",
    "scan_reason",
    "read_on",
    "method",
    "assessable",
    "reason",
    *(f"{wall}_mm" for wall in (*WALLS, *BODY)),
    "uncertainty_mm",
    "convergence_deg",
    "sagittal_deg",
)


def theatre_log(cases: Iterable[InventedCase]) -> bytes:
    """Return the theatre log: UTF-8, commas, one row a screw."""
    return _csv(_LOG, (_screw_row(case, screw) for case in cases for screw in case.screws))


def readings_table(readings: Iterable[InventedReading]) -> bytes:
    """Return the table of readings: UTF-8, commas, one row a reading."""
    return _csv(_READINGS, (_reading_row(reading) for reading in readings))


def _screw_row(case: InventedCase, screw: InventedScrew) -> dict[str, object]:
    is_other = screw.technique is EntryTechnique.OTHER
    technique = f"other: {screw.technique_words}" if is_other else screw.technique.value
    return {
        "case_ref": case.reference,
        "patient_ref": case.patient.reference,
        "birth_date": case.patient.birth_date,
        "operated_on": case.operated_on,
        "surgeon": case.surgeon,
        "second_surgeon": case.second_surgeon,
        "assistants": " | ".join(case.assistants),
        "indication": case.indication,
        "revision": "yes" if case.is_revision else "no",
        "cobb_deg": case.cobb_deg,
        "bmi": case.body_mass_index,
        "bone_quality": case.bone_quality,
        "approach": case.approach.value,
        "no_ct_reason": case.no_scan_reason.value if case.no_scan_reason else None,
        "level": screw.level,
        "side": screw.side,
        "entry_technique": technique,
        "guidance": screw.guidance.value,
        "operator": screw.operator,
        "supervision": screw.supervision,
        "diameter_mm": screw.diameter_mm,
        "length_mm": screw.length_mm,
        "alloy": screw.alloy,
        "intention": screw.intention.value if screw.intention else None,
        "life": None if screw.life is Life.PLACED else screw.life.value,
    }


def _reading_row(reading: InventedReading) -> dict[str, object]:
    return {
        "case_ref": reading.case.reference,
        "level": reading.screw.level,
        "side": reading.screw.side,
        "reader": reading.reader,
        "role": reading.role.value,
        "scan_on": reading.scan_on,
        "scan_kind": reading.scan_kind.value,
        "scan_reason": reading.scan_reason.value,
        "read_on": reading.read_on,
        "method": reading.method.value,
        "assessable": "no" if reading.not_assessable else "yes",
        "reason": reading.not_assessable.value if reading.not_assessable else None,
        **{f"{wall}_mm": _decimal(tenths) for wall, tenths in reading.extents.items()},
        "uncertainty_mm": _decimal(reading.uncertainty_tenths),
        "convergence_deg": _decimal(reading.convergence_tenths),
        "sagittal_deg": _decimal(reading.sagittal_tenths),
    }


def _decimal(tenths: int | None) -> str:
    return "" if tenths is None else f"{tenths / 10:.1f}"


def _csv(columns: Sequence[str], rows: Iterable[Mapping[str, object]]) -> bytes:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\r\n", restval="")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue().encode()
