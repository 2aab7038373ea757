"""Programs of others that look at DICOM files: dicom3tools' dciodvfy and dcmtk's dsrdump."""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

# Study ID and Study Time are of type 2 and may be empty (PS3.3 C.7.2.1); a table of contents on a
# disk would need them.
_OF_TABLES_OF_CONTENTS = "needed to build DICOMDIR"
# dciodvfy knows a list of makers' schemes by heart and warns of every other; PS3.3 section 8.2
# lets a private scheme begin with 99, and Coding Scheme Identification Sequence names ours.
_OF_OUR_SCHEME = (
    "Warning - Unrecognized defined term <99LEDGER> for value 1 of attribute "
    "<Coding Scheme Designator>"
)


def complaints(path: Path) -> list[str]:
    """Return what dciodvfy has against a file, errors and warnings, but for the two above."""
    ran = subprocess.run(["dciodvfy", str(path)], capture_output=True, text=True, check=False)
    said = [line for line in ran.stderr.splitlines() if line.startswith(("Error", "Warning"))]
    assert "Abort" not in ran.stderr, ran.stderr
    return [line for line in said if line != _OF_OUR_SCHEME and _OF_TABLES_OF_CONTENTS not in line]


def dumped_report(path: Path) -> str:
    """Return a structured report as dcmtk's dsrdump prints it; it fails where it cannot."""
    ran = subprocess.run(["dsrdump", str(path)], capture_output=True, text=True, check=True)
    return ran.stdout
