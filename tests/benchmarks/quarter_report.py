"""A quarter's report in all its forms, against the drawing of its charts alone.

    python -m tests.benchmarks.quarter_report [HOME QUARTER]

Without a home, on the tests' own unit of 240 screws; the demo's home has 3,000. What is beside the
charts is the counting of every table, and the writing of HTML, PDF, workbook, JSON and CSV.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from registry.actions.accounts import acting
from registry.actions.initialise import initialise
from registry.actions.quarter_files import quarter_files
from registry.actions.quarter_numbers import quarter_numbers
from registry.store.home import open_ledger
from reports.documents.quarter_document import quarter_document
from tests.benchmarks.turns import ratio
from tests.build.loaded import NOW
from tests.build.quarters import PERIOD, fill_quarters


def compare(ledger, period):
    """Print the ratio."""
    viewer, now = acting(ledger, None), datetime.now(UTC)
    report = quarter_numbers(ledger, viewer, period, now)
    size = report.rates.periods[2].tables[0].rows[0].placed
    ratio(
        f"report of {period}, {size} screws in its year",
        lambda: quarter_files(quarter_numbers(ledger, viewer, period, now)),
        {"its charts alone": lambda: quarter_document(report)},
        turns=3,
    )


if __name__ == "__main__":
    if len(sys.argv) > 1:
        compare(open_ledger(Path(sys.argv[1]), {}), sys.argv[2])
    else:
        with TemporaryDirectory() as folder:
            made = initialise(Path(folder) / "ledger", {}, NOW)
            fill_quarters(made)
            compare(made, PERIOD)
            made.close()
