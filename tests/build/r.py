"""R as a second opinion: a script in, its value back.

On Debian: apt-get install --no-install-recommends r-base-core r-cran-jsonlite, and r-cran-NAME for
each package that a script uses. Only tests/long uses it, so that what runs before a change needs
no R.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import Any

# The value comes back through a file: what a script prints is its own.
_FRAME = """
options(warn = 1)
data <- jsonlite::fromJSON("data.json", simplifyDataFrame = FALSE)
for (name in commandArgs(TRUE)) suppressPackageStartupMessages(library(name, character.only = TRUE))
answer <- source("script.R", local = TRUE)$value
writeLines(jsonlite::toJSON(answer, digits = NA, auto_unbox = TRUE, null = "null", na = "null"),
           "answer.json")
"""

_VERSIONS = """
found <- lapply(data, function(name) packageDescription(name)$Version)
c(list(R = as.character(getRversion())), setNames(found, data))
"""


def run_r(script: str, data: object = None, *, packages: tuple[str, ...] = ()) -> Any:
    """Return the value of an R script's last expression; `packages` are attached before it.

    `data` is what the script finds as `data`: a dict as a list with names, a list of numbers as a
    vector (None as NA), a list of equally long lists as a matrix. Numbers come back to 15 digits, a
    vector of one as the bare number (`I(x)` keeps the list), a named list as a dict, NA and NaN as
    None. RuntimeError with what R said where it fails or is not there.
    """
    rscript = shutil.which("Rscript")
    if rscript is None:
        raise RuntimeError("Rscript is not there; tests/build/r.py names the Debian packages")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "frame.R").write_text(_FRAME, encoding="utf-8")
        (folder / "script.R").write_text(script, encoding="utf-8")
        (folder / "data.json").write_text(json.dumps(data), encoding="utf-8")
        ran = subprocess.run(
            [rscript, "--vanilla", "frame.R", *packages],
            cwd=folder,
            env={**os.environ, "LC_ALL": "C.UTF-8"},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        if ran.returncode != 0:
            raise RuntimeError(f"R ended with {ran.returncode}:\n{ran.stdout}")
        return json.loads((folder / "answer.json").read_text(encoding="utf-8"))


def r_versions(*packages: str) -> dict[str, str]:
    """Return the versions of R and of packages, to be printed beside what they say."""
    versions: dict[str, str] = run_r(_VERSIONS, list(packages))
    return versions
