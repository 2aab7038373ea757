"""The frame counted: screws and patients of each stratum, in as few passes as there are columns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reports.statistics.clustered import UnitClustering, pooled_clustering
from reports.statistics.patient_sums import PatientSums

if TYPE_CHECKING:
    import numpy.typing as npt

    from reports.frame import Event

    Codes = npt.NDArray[np.int64]
    Mask = npt.NDArray[np.bool_]

# The four things of a screw that are counted, as the bits of one small number.
_IMAGED, _GRADED, _BREACHED, _PROVISIONAL = 1, 2, 4, 8
_KINDS = 16
# Cells are counted in a dense table while it has at most so many places a screw; else hashed.
_DENSE = 8


@dataclass(frozen=True)
class ScrewColumns:
    """What is counted of each screw; every array has shape (n,).

    Attributes
    ----------
    graded, breached, imaged, provisional : as the frame and the event say; breached only if graded
    patient : whole numbers from 0
    patients : how many there are
    """

    graded: Mask
    breached: Mask
    imaged: Mask
    provisional: Mask
    patient: Codes
    patients: int

    @classmethod
    def of(cls, table: pd.DataFrame, event: Event) -> ScrewColumns:
        """Return the columns of a frame for an event."""
        patient, found = pd.factorize(table["patient"])
        return cls(
            graded=event.graded(table).to_numpy(dtype=np.bool_),
            breached=event.breached(table).to_numpy(dtype=np.bool_),
            imaged=table["imaged"].to_numpy(),
            provisional=table["provisional"].to_numpy(),
            patient=patient.astype(np.int64, copy=False),
            patients=len(found),
        )

    def cells(self, members: Mask, group: Codes, groups: int) -> Cells:
        """Return the graded screws of `members`, a cell a patient and group."""
        chosen = members & self.graded
        key = self.patient[chosen] * groups + group[chosen]
        width = self.patients * groups
        if width > _DENSE * max(len(key), 1):
            key, found = pd.factorize(key)
            width = len(found)
        else:
            found = np.arange(width)
        sizes = np.bincount(key, minlength=width)
        events = np.bincount(key[self.breached[chosen]], minlength=width)
        there = np.flatnonzero(sizes)
        patient, of_group = np.divmod(found[there], max(groups, 1))
        return Cells(patient, of_group, sizes[there], events[there])

    def unit_clustering(self, members: Mask, surgeons: pd.Series[int]) -> UnitClustering:
        """Return the clustering of the graded screws of `members`, pooled within surgeons."""
        surgeon, found = pd.factorize(surgeons)
        cells = self.cells(members, surgeon, len(found))
        shape = (self.patients, len(found))
        return pooled_clustering(cells.events, cells.sizes, cells.patient, cells.group, shape)

    def counts(self, stratum: Codes, strata: int) -> Counted:
        """Return the counts of each stratum; a screw of stratum -1 is in none."""
        kind = (
            _IMAGED * self.imaged.astype(np.int64)
            + _GRADED * self.graded
            + _BREACHED * self.breached
            + _PROVISIONAL * self.provisional
        )
        width = _KINDS * (strata + 1)
        held = np.bincount((stratum + 1) * _KINDS + kind, minlength=width)
        by_kind = held.reshape(strata + 1, _KINDS)[1:]
        kinds = np.arange(_KINDS)

        def with_all(bits: int) -> Codes:
            summed: Codes = by_kind[:, (kinds & bits) == bits].sum(axis=1)
            return summed

        cells = self.cells(stratum >= 0, stratum, strata)
        sums = PatientSums.by_stratum(cells.events, cells.sizes, cells.group, strata)
        return Counted(
            placed=with_all(0),
            imaged=with_all(_IMAGED),
            graded=with_all(_GRADED),
            breached=with_all(_BREACHED),
            provisional=with_all(_PROVISIONAL | _GRADED),
            sums=sums,
        )


@dataclass(frozen=True)
class Cells:
    """Graded screws of each patient in each group; every array has an entry a cell.

    Attributes
    ----------
    patient, group : whole numbers from 0
    sizes, events : graded screws, 1 or more, and the breached among them
    """

    patient: Codes
    group: Codes
    sizes: Codes
    events: Codes


@dataclass(frozen=True)
class Counted:
    """Screws of each stratum; every array has an entry a stratum.

    Attributes
    ----------
    placed, imaged, graded, breached : screws
    provisional : graded screws of which a second reading or an adjudication is owed
    sums : over the patients with a graded screw
    """

    placed: Codes
    imaged: Codes
    graded: Codes
    breached: Codes
    provisional: Codes
    sums: PatientSums
