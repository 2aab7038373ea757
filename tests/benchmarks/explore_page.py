"""The page of crossed rates at 30,000 screws, against an empty page of the same server.

    python -m tests.benchmarks.explore_page [HOME]

The server is waitress, as `serve` runs it, and the browser an HTTP connection that is kept. The
empty page is the one that asks for the password again: the sheet with one field. Timed are a ledger
of which no record has changed since the last count, asked the same and asked something else, and
one of which a record has (a remark in the trail) before every count, so that all is fetched anew.
Without a home a ledger is made, which takes some minutes; in one that is given an account is made
if need be. Beside the time that passed stands the processor's, which a busy machine does not
lengthen.
"""

from __future__ import annotations

import re
import statistics
import sys
import threading
import time
from datetime import UTC, datetime
from http.client import HTTPConnection
from pathlib import Path
from tempfile import TemporaryDirectory
from urllib.parse import urlencode

from waitress import create_server

from registry.actions.accounts import accept_invitation, acting, invite
from registry.actions.initialise import initialise
from registry.domain.access import Role
from registry.store.home import open_ledger
from registry.store.queries.accounts import listed_accounts
from registry.web.app import create_app
from tests.build.ledgers import PASSWORD
from tests.build.loaded import NOW
from tests.build.many_screws import fill_with_many

CASES = 3000
EMPTY = "/confirm"
PAGES = {
    "level by entry technique, the same question again": "/explore",
    "level by entry technique, another question each time": "/explore?minimum={turn}",
    "surgeon by quarter, another each time": "/explore?by=surgeon&by=quarter&minimum={turn}",
    "indication by diameter, medial": "/explore?by=indication&by=diameter&direction=medial",
    "screws of a level, 100 of them": "/explore/screws?by=level&by=side&row=L3",
    "chart of level by technique": "/explore/chart.svg",
}
TURNS, ANEW = 100, 5


class Browser:
    """A signed-in connection."""

    def __init__(self, port):
        self._connection, self._cookies = HTTPConnection("127.0.0.1", port), {}
        page = self.open("/sign-in")
        token = re.search(r'name="csrf_token" value="([^"]+)"', page)[1]
        sent = {"csrf_token": token, "name": "timer", "password": PASSWORD}
        self.open("/sign-in", urlencode(sent))

    def open(self, address, sent=None):
        headers = {"Cookie": "; ".join(f"{name}={said}" for name, said in self._cookies.items())}
        if sent:
            headers["Content-Type"] = "application/x-www-form-urlencoded"
        self._connection.request("POST" if sent else "GET", address, sent, headers)
        answer = self._connection.getresponse()
        for line in answer.headers.get_all("Set-Cookie") or []:
            name, _, said = line.partition(";")[0].partition("=")
            self._cookies[name] = said
        text = answer.read().decode()
        assert answer.status in {200, 303}, (answer.status, address, text)
        return text

    def taken_ms(self, address, turns, before=lambda: None):
        taken, used = [], 0.0
        for turn in range(turns):
            before()
            start, began = time.perf_counter(), time.process_time()
            self.open(address.format(turn=turn))
            taken.append(1000 * (time.perf_counter() - start))
            used += 1000 * (time.process_time() - began)
        return statistics.median(taken), sorted(taken)[int(0.99 * (turns - 1))], used / turns


def measure(ledger):
    """Print medians, 99th percentiles and ratios."""
    shell = acting(ledger, None)
    with ledger.reading() as session:
        there = {account.name for account in listed_accounts(session, shell, NOW)}
    if "timer" not in there:
        token = invite(ledger, shell, "timer", frozenset({Role.QUALITY_LEAD}), person=None, now=NOW)
        accept_invitation(ledger, token, PASSWORD, NOW)
    server = create_server(create_app(ledger, clock=lambda: NOW), host="127.0.0.1", port=0)
    threading.Thread(target=server.run, daemon=True).start()
    browser = Browser(server.effective_port)
    empty = browser.taken_ms(EMPTY, TURNS)
    told("an empty page", empty, empty)
    for name, address in PAGES.items():
        browser.open(address.format(turn=1000))
        told(name, browser.taken_ms(address, TURNS), empty)

    def change():
        with ledger.writing(shell, datetime.now(UTC)) as work:
            work.note("time the pages", "unit:1")

    told(f"the first, after a change ({ANEW} turns)",
         browser.taken_ms("/explore", ANEW, change), empty)  # fmt: skip
    server.close()


def told(name, taken, empty):
    ratios = [ours / theirs for ours, theirs in zip(taken, empty, strict=True)]
    print(
        f"{name}: median {taken[0]:.1f} ms ({ratios[0]:.1f} times), 99th percentile "
        f"{taken[1]:.1f} ms ({ratios[1]:.1f} times), processor {taken[2]:.1f} ms "
        f"({ratios[2]:.1f} times)",
        flush=True,
    )


if __name__ == "__main__":
    if len(sys.argv) > 1:
        measure(open_ledger(Path(sys.argv[1]), {}))
    else:
        with TemporaryDirectory() as folder:
            made = initialise(Path(folder) / "ledger", {}, NOW)
            fill_with_many(made, CASES)
            measure(made)
