"""Two worlds that one person must not be able to tell apart: colleagues' results differ.

The same unit, its keys and its records' numbers included, goes on in two ways. Everything that an
account is given is compared byte by byte: what differs would tell of a colleague. What is counted
of a whole unit is looked at by subtraction in `tests.build.attacked`; here nothing of it may be
told, because the unit is too small or its days are not settled.
"""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import combinations, product
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from registry.actions.initialise import initialise
from registry.domain.access import Role
from registry.store.home import open_ledger
from registry.web.app import create_app
from reports.tables.splits import PERSONS, IntervalName, Split
from tests.build.ledgers import KnownAccount
from tests.build.loaded import NOW, an_account, load_reading_rows, load_rows
from tests.build.quarters import SURGEONS, rows_of_quarters
from tests.web.every_route import (
    QUALITY_LEAD,
    REGISTRAR,
    address_of,
    every_route,
    signed_in,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

    from flask.testing import FlaskClient

    from registry.store.home import Ledger

    Row = Mapping[str, object]
    Rows = list[dict[str, object]]

SETTLED_AT = datetime(2026, 7, 15, 9, 0, tzinfo=UTC)
OPEN_AT = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
"""The first of the unit's two quarters is settled then, the second is not."""

_FIRST_OF_LATE = 46  # cases are two days apart from 2025-10-02 on, so that this one is in January
_OTHERS = 3  # surgeons without whom nothing is counted of the unit
SPLITS = [split.value for split in Split if split not in PERSONS]
PERIODS: tuple[dict[str, str], ...] = (
    {},
    {"period": "../2026-03-31"},
    {"period": "2026-01-01/2026-03-31"},
    {"period": "2025-10-01/2025-12-31"},
    {"period": "2025-11-03/2026-02-02"},
)
EVENTS: tuple[dict[str, str], ...] = (
    {},
    {"threshold": "any"},
    {"threshold": "4", "direction": "medial"},
    {"threshold": "any", "intended": "exclude"},
)
_KINDS_OF_INTERVAL: tuple[dict[str, str], ...] = ({}, {"interval": IntervalName.WILSON.value})
# A form's token, and the number under which the log holds an answer, are drawn anew each time.
_DRAWN = re.compile(
    r'(?:name="csrf_token" value=|name="form-token" content=)"[^"]+"|'
    r'Reference <code>[0-9a-f]+</code>|"reference":"[0-9a-f]+"'
)


def surgeons(size: int) -> list[KnownAccount]:
    """Return an account of each surgeon of a unit of so many."""
    roles = frozenset({Role.SURGEON})
    return [KnownAccount(name.split()[0].lower(), roles, name) for name in SURGEONS[:size]]


@dataclass(frozen=True)
class Unit:
    """A unit before anything was read, to be gone on with.

    Attributes
    ----------
    home : its folder
    size : its surgeons, who operate in turn
    log, read : the theatre log that it holds, and the readings to come
    """

    home: Path
    size: int
    log: Rows
    read: Rows

    def is_small(self, account: KnownAccount) -> bool:
        """Return whether too few others are in the unit for anything to be counted of it."""
        return sum(each != account for each in surgeons(self.size)) < _OTHERS

    def is_of(self, row: Row, account: KnownAccount) -> bool:
        """Return whether a row is of a case in which somebody took part."""
        turn = _number(row)
        if account == REGISTRAR:
            return turn % 9 == 0
        return SURGEONS[turn % self.size] == account.person


def begun(home: Path, size: int) -> Unit:
    """Make a unit of so many surgeons with their accounts and the theatre log, and no reading.

    A registrar puts in some of their screws, and reads.
    """
    log, read = rows_of_quarters()
    for row in log:
        turn = _number(row)
        row["surgeon"] = SURGEONS[turn % size]
        row["operator"] = REGISTRAR.person if turn % 9 == 0 else ""
    ledger = initialise(home, {}, NOW)
    load_rows(ledger, *log)
    for account in (*surgeons(size), REGISTRAR):
        an_account(ledger, account.name, *account.roles, person=account.person)
    lead = QUALITY_LEAD
    an_account(ledger, lead.name, *lead.roles, person=lead.person, new_person=True)
    ledger.close()
    return Unit(home, size, log, read)


def one_world(unit: Unit, to: Path) -> Ledger:
    """Return a copy of the unit with its readings."""
    return _continued(unit, to, unit.read, [])


def another_world(unit: Unit, to: Path, account: KnownAccount) -> Ledger:
    """Return a copy in which everything that the account must not learn is otherwise.

    What is contained in screws of others stands outside, what stands outside is contained. In a
    unit large enough to be counted only what is not settled is changed, and there are two more
    cases. (Who operated when and how is no secret: a settled case more may change what is shown.)
    """
    is_small = unit.is_small(account)
    read = []
    for row in unit.read:
        held = dict(row)
        if not unit.is_of(row, account) and (is_small or _number(row) >= _FIRST_OF_LATE):
            for wall in {"medial_mm", "lateral_mm"} & held.keys():
                held[wall] = "4.7" if held[wall] == "0" else "0"
        read.append(held)
    other = next(each for each in surgeons(unit.size) if each != account)
    more = [
        row
        | {"case_ref": f"X{row['case_ref']}", "patient_ref": f"X{row['patient_ref']}"}
        | {"surgeon": other.person, "operator": ""}
        | {"operated_on": date(2026, 2, 3)}
        for row in unit.log[:8]
    ]
    return _continued(unit, to, read, [] if is_small else more)


def _continued(unit: Unit, to: Path, read: Rows, more: Rows) -> Ledger:
    shutil.copytree(unit.home, to)
    ledger = open_ledger(to, {})
    load_reading_rows(ledger, *read)
    if more:
        load_rows(ledger, *more)
        about = {"scan_on": date(2026, 3, 8), "read_on": date(2026, 3, 9), "medial_mm": "5.0"}
        keys = ("case_ref", "level", "side")
        load_reading_rows(ledger, *({name: row[name] for name in keys} | about for row in more))
    return ledger


def _number(row: Row) -> int:
    return int(str(row["case_ref"])[1:])


@dataclass(frozen=True)
class Answer:
    """What came back, without what is drawn anew each time."""

    status: int
    headers: tuple[tuple[str, str], ...]
    body: bytes


def answer(client: FlaskClient, address: str) -> Answer:
    """Return what an address gives."""
    came = client.get(address)
    is_text = came.mimetype.startswith("text/") or came.mimetype == "application/json"
    body = _DRAWN.sub("", came.text).encode() if is_text else came.data
    headers = sorted((name, value) for name, value in came.headers if name != "Set-Cookie")
    came.close()
    return Answer(came.status_code, tuple(headers), body)


def client_of(ledger: Ledger, account: KnownAccount, at: datetime) -> FlaskClient:
    """Return a client that has signed in at an instant."""
    return signed_in(create_app(ledger, clock=lambda: at), account)


def told_apart(
    unit: Unit, folder: Path, account: KnownAccount, addresses: Iterable[str]
) -> list[str]:
    """Return the addresses at which an account is given something else in the other world."""
    at = SETTLED_AT if unit.is_small(account) else OPEN_AT
    worlds = [
        one_world(unit, folder / "one"),
        another_world(unit, folder / "another", account),
    ]
    one, another = (client_of(ledger, account, at) for ledger in worlds)
    found = [each for each in addresses if answer(one, each) != answer(another, each)]
    for ledger in worlds:
        ledger.close()
    return found


def routes(unit: Unit, numbers: Iterable[int], texts: Iterable[str]) -> list[str]:
    """Return every address that asks no question, with each of these numbers and texts."""
    ledger = open_ledger(unit.home, {})
    app = create_app(ledger, clock=lambda: SETTLED_AT)
    found = [
        address_of(app, route, number, text)
        for route in every_route(app, "GET")
        if not route.is_static
        for number in (numbers if route.numbers else (1,))
        for text in (texts if route.texts else ("",))
    ]
    ledger.close()
    return list(dict.fromkeys(found))


def questions() -> Iterator[str]:
    """Yield the addresses that ask for numbers: every page, its files, every pair of splits."""
    for asked in product(PERIODS, EVENTS, _KINDS_OF_INTERVAL):
        yield from _of_screws(_together(asked) | {"minimum": "0"})
    for asked in product(PERIODS, EVENTS):
        told = urlencode(_together(asked))
        for page in ("surgeons", "surgeons.json", "surgeons.csv", "runs", "runs.json", "own/"):
            yield f"/{page}?{told}"
        yield f"/own/report?{told}&notes=yes"
        yield f"/own/report.pdf?{told}"
    for least in ("every", "any", "2", "4"):
        yield f"/meeting-pack/?least={least}"
        yield f"/meeting-pack/pages?least={least}&all=yes"


def _of_screws(held: Mapping[str, str]) -> Iterator[str]:
    alone = [(), *combinations([*SPLITS, "surgeon", "operator"], 1)]
    for by in (*alone, *combinations([*SPLITS, "surgeon"], 2)):
        for page in ("rates", "rates.json", "rates.csv", "rates/chart.svg"):
            yield f"/{page}?{_query(by, held)}"
    for by, own in product(combinations(SPLITS, 2), ("surgeon", "operator")):
        asked = f"{_query(by, held)}&own={own}"
        yield f"/explore?{asked}"
        yield f"/explore/chart.svg?{asked}"
        for more in ("", "&row=L4", "&column=L4", "&only=breached"):
            yield f"/explore/screws?{asked}{more}"


def _together(parts: Iterable[Mapping[str, str]]) -> dict[str, str]:
    return {name: value for part in parts for name, value in part.items()}


def _query(by: Iterable[str], held: Mapping[str, str]) -> str:
    return urlencode([*(("by", each) for each in by), *held.items()])
