"""What marks a DICOM object from which identity was taken: PS3.15 Annex E.

The basic profile with modified dates is claimed (codes of CID 7050); of a report, whose content
tree stays, clean structured content as well. What is written was made anew from the ledger's own
records: nothing of a file that came in is copied.
"""

from __future__ import annotations

from pydicom import Dataset

# CID 7050, all of scheme DCM.
BASIC_PROFILE = ("113100", "Basic Application Confidentiality Profile")
CLEAN_STRUCTURED_CONTENT = ("113104", "Clean Structured Content Option")
MODIFIED_DATES = (
    "113107",
    "Retain Longitudinal Temporal Information Modified Dates Option",
)
METHOD = ("PS3.15 Annex E, made anew under a pseudonym", "days moved by one offset a patient")


def mark_pseudonymous(dataset: Dataset, *, is_report: bool = False) -> None:
    """Say in an object that identity was taken out of it, how, and that its days were moved."""
    claimed = [BASIC_PROFILE, *([CLEAN_STRUCTURED_CONTENT] if is_report else []), MODIFIED_DATES]
    dataset.PatientIdentityRemoved = "YES"
    dataset.DeidentificationMethod = list(METHOD)
    dataset.DeidentificationMethodCodeSequence = [_coded(*each) for each in claimed]
    dataset.LongitudinalTemporalInformationModified = "MODIFIED"


def _coded(value: str, meaning: str) -> Dataset:
    item = Dataset()
    item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, "DCM", meaning
    return item
