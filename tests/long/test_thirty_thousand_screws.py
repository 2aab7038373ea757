"""30,000 screws and their readings, in one file each: how long each step takes, and on what."""

from __future__ import annotations

import cProfile
import io
import pstats
import time

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.count import count_rates
from reports.tables.rates import Question
from reports.tables.splits import Split
from tests.build.loaded import NOW, TODAY, table
from tests.build.tables import a_log, a_readings

CASES, SCREWS = 3000, 10
LEVELS = ("L1", "L2", "L3", "L4", "L5")
MODULES_SHOWN = 12


def rows():
    for case in range(CASES):
        for place in range(SCREWS):
            yield {
                "case_ref": f"OP-{case:05}",
                "level": LEVELS[place // 2],
                "side": "LR"[place % 2],
            }


def log_rows():
    for row in rows():
        case = int(row["case_ref"][3:])
        yield row | {
            "patient_ref": f"H{case:06}",
            "operated_on": f"20{24 + case % 2}-{1 + case % 12:02}-{1 + case % 28:02}",
            "surgeon": f"Surgeon {case % 8}",
            "diameter_mm": "6.5",
            "birth_date": "1950-01-01",
        }


def reading_rows():
    for number, row in enumerate(rows()):
        case = int(row["case_ref"][3:])
        yield row | {
            "reader": f"Reader {case % 3}",
            "read_on": f"20{24 + case % 2}-{1 + case % 12:02}-{1 + case % 28:02}",
            "medial_mm": "2.4" if number % 19 == 0 else "0",
        }


class Steps:
    """Times steps and prints where each one's time went."""

    def __init__(self):
        self.taken = {}

    def run(self, name, action):
        profile = cProfile.Profile()
        started = time.perf_counter()
        result = profile.runcall(action)
        self.taken[name] = time.perf_counter() - started
        text = io.StringIO()
        pstats.Stats(profile, stream=text).sort_stats("tottime").print_stats(MODULES_SHOWN)
        lines = [line for line in text.getvalue().splitlines() if line.strip()]
        print(f"\n{name}: {self.taken[name]:.1f} s with the profiler on")
        print("\n".join(lines[3:]))
        return result


def test_thirty_thousand_screws_and_readings_load_in_one_file_each(ledger):
    from registry.actions.load_log import load_log  # noqa: PLC0415 - timed apart from its import
    from registry.actions.load_readings import load_readings  # noqa: PLC0415 - the same

    local, steps = acting(ledger, None), Steps()
    log = table(a_log(*log_rows()), "log.csv")
    read = table(a_readings(*reading_rows()), "readings.csv")
    how = {"new_persons": True, "today": TODAY, "now": NOW}
    print(f"\n{ledger.engine.dialect.name}")
    loaded = steps.run("load-log", lambda: load_log(ledger, local, log, **how))
    assert loaded.new == {"patients": CASES, "cases": CASES, "screws": CASES * SCREWS}
    again = steps.run("load-log again", lambda: load_log(ledger, local, log, **how))
    assert again.new == {}
    loaded = steps.run("load-readings", lambda: load_readings(ledger, local, read, **how))
    assert loaded.new == {"scans": CASES, "readings": CASES * SCREWS}
    question = Question(by=(Split.SURGEON,))
    found = steps.run("rates by surgeon", lambda: count_rates(ledger, local, question))
    assert sum(row.graded for row in found.rows) == CASES * SCREWS
    assert sum(row.breached for row in found.rows) == len(range(0, CASES * SCREWS, 19))
    assert steps.run("verify", lambda: check_ledger(ledger, local)) == []
    print({name: round(seconds, 1) for name, seconds in steps.taken.items()})
