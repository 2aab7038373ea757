"""`demo`: make the invented demo ledger and serve it."""

from __future__ import annotations

import os
import sys
from contextlib import ExitStack, closing, contextmanager
from importlib import import_module
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any

from registry.cli.output import say
from registry.domain.caution import CAUTION
from registry.domain.problems import BadInputError, ConflictError, FailureError, Fault

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Iterator, Mapping
    from datetime import date
    from types import ModuleType

    from registry.domain.access import Viewer
    from registry.store.home import Ledger

HOST = "127.0.0.1"
FINISHED = "invented-demo.txt"
"""A folder with this file holds a finished demo."""

UNFINISHED = "invented-demo.unfinished"
"""One with this file holds a demo whose making was cut short."""

DRAWN_CT = "drawn-ct"
LEAD = "greta"
_SCENARIO = "registry._demo_data"
_LARGEST_PORT = 65_535
_MADE_HERE = ("images", "incoming", "keys", DRAWN_CT, "ledger.sqlite*", "config.toml")


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the port and whether to serve."""
    command.add_argument("--port", type=int, default=8000, help="port to listen on (8000)")
    command.add_argument("--no-serve", action="store_true", help="only make the ledger")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Make the demo where there is none, say who may sign in, and serve it."""
    # Drawing multiplies many small matrices: more threads wait for each other and do no more. It
    # has to be said before numpy is there.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from registry.store.configuration import PREFIX
    from registry.store.home import home_folder

    if environment.get(PREFIX + "DATABASE"):
        mend = "unset it for this command; the demo keeps its own database in its folder"
        raise BadInputError(
            Fault("the demo goes into no other database", PREFIX + "DATABASE", mend)
        )
    if not given.no_serve:
        _check_port(given.port)
    home = home_folder(given.home, environment)
    is_made = _is_made(home)
    scenario = scenario_unit()
    say(f"Pedicle Ledger's demo. {scenario.NOTE}")
    if is_made:
        say(f"the demo made earlier in {home} is used again")
    else:
        _make(home, environment, scenario)
    _say_who(scenario)
    say(CAUTION)
    if given.no_serve:
        say(f"serve it with `pedicle-ledger serve --home {home}`")
        return 0
    _serve(home, environment, given.port)
    return 0


def scenario_unit() -> Any:  # noqa: ANN401 - a module that is found when it is needed
    """Return the invented unit's module."""
    return scenario_module("unit")


def scenario_module(name: str) -> Any:  # noqa: ANN401 - as above
    """Return a module of the scenario's: packed beside the program, or the checkout's."""
    if _SCENARIO not in sys.modules:
        room = Path(__file__).resolve().parents[1]
        packed, checkout = room / "_demo_data", room.parent / "demo_data" / "scenario"
        _load_package(packed if packed.is_dir() else checkout)
    return import_module(f"{_SCENARIO}.{name}")


def _load_package(folder: Path) -> ModuleType:
    first = folder / "__init__.py"
    if not first.is_file():
        raise FailureError("the program's demo is missing; install it again")
    found = spec_from_file_location(_SCENARIO, first, submodule_search_locations=[str(folder)])
    assert found is not None  # noqa: S101 - a path that ends in .py always has one
    assert found.loader is not None  # noqa: S101 - same reason
    package = sys.modules[_SCENARIO] = module_from_spec(found)
    found.loader.exec_module(package)
    return package


def _check_port(port: int) -> None:
    """Say at once, not after the making, that the port cannot be had."""
    import socket

    if not 0 <= port <= _LARGEST_PORT:
        raise BadInputError(Fault(f"there is no port {port}", "--port", "give 1 to 65535"))
    with closing(socket.socket()) as tried:
        # As the server does: a port whose last connection has just ended is free.
        tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            tried.bind((HOST, port))
        except OSError as error:
            what = f"port {port} cannot be used: {error.strerror}"
            raise BadInputError(Fault(what, "--port", "choose another")) from error


def _is_made(home: Path) -> bool:
    """Return whether a finished demo is there; ConflictError for anything that is no demo."""
    if (home / FINISHED).is_file():
        return True
    if home.exists() and not (home / UNFINISHED).is_file():
        if not home.is_dir():
            raise ConflictError(Fault(f"{home} is no folder", "--home", "name another"))
        if any(home.iterdir()):
            what = f"{home} holds something that is not a demo, and is left as it is"
            raise ConflictError(Fault(what, "--home", "name a new folder with --home DIR"))
    return False


def _make(home: Path, environment: Mapping[str, str], scenario: Any) -> None:  # noqa: ANN401 - the scenario's module
    """Make the demo from the start; what an earlier try left is taken away."""
    from registry.actions.accounts import acting
    from registry.actions.initialise import initialise
    from registry.cli.opening import instant

    say(f"making it in {home}; this takes up to a minute")
    home.mkdir(mode=0o700, parents=True, exist_ok=True)
    with _only_one(home / UNFINISHED):
        _clear(home)
        (home / "config.toml").write_text(_settings(scenario), encoding="utf-8")
        with closing(initialise(home, environment, instant())) as ledger:
            operator = acting(ledger, None)
            _fill(ledger, operator, scenario)
        (home / UNFINISHED).write_text(f"{scenario.NOTE}\n", encoding="utf-8")
        (home / UNFINISHED).rename(home / FINISHED)


def _settings(scenario: Any) -> str:  # noqa: ANN401 - the scenario's module
    limits = ", ".join(f"{direction} = {mm}" for direction, mm in scenario.POLICY_MM.items())
    return (
        f"# {scenario.NOTE}\n"
        f'unit_name = "{scenario.UNIT_NAME}"\n'
        f'policy_words = "{scenario.POLICY_WORDS}"\n'
        f"policy_mm = {{ {limits} }}\n"
        f"standard_percent = {scenario.STANDARD_PERCENT}\n"
        f'standard_words = "{scenario.STANDARD_WORDS}"\n'
    )


@contextmanager
def _only_one(marker: Path) -> Iterator[None]:
    """Mark the folder as unfinished, and keep a second maker out while this one is at work."""
    import fcntl

    with marker.open("a", encoding="utf-8") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            what = f"another `demo` is at work in {marker.parent}"
            raise ConflictError(Fault(what, "--home", "wait for it, or name another")) from None
        yield


def _clear(home: Path) -> None:
    """Take away what a demo's making puts into its folder, and nothing else."""
    import shutil

    for pattern in _MADE_HERE:
        for path in home.glob(pattern):
            if path.is_dir():
                shutil.rmtree(path)
            else:
                path.unlink()


def _fill(ledger: Ledger, operator: Viewer, scenario: Any) -> None:  # noqa: ANN401 - the scenario's module
    """Load tables and CT by the same actions that the commands call, and make the accounts."""
    from datetime import date

    from registry.actions.accounts import acting
    from registry.actions.load_log import load_log
    from registry.actions.load_readings import load_readings
    from registry.actions.load_scan import ScanOrder, load_scan
    from registry.actions.loading import TableFile
    from registry.cli.demo_actions import agree
    from registry.cli.demo_notes import write_notes
    from registry.cli.demo_reading import read_drawn
    from registry.cli.demo_teaching import READER, teach
    from registry.cli.opening import instant, today

    unit = _timed("invented the unit", scenario.invent_unit)
    # The invented operations run to a fixed day, whatever day it is here.
    day, now = max(today(ledger), date(2026, 12, 31)), instant()
    log = TableFile(unit.theatre_log_csv(), "invented theatre log.csv")
    loaded = _timed(
        "loaded its theatre log",
        lambda: load_log(ledger, operator, log, new_persons=True, today=day, now=now),
    )
    say(f"  {_counts(loaded.new)}; {len(loaded.warnings)} notes by rules of the trade")
    table = TableFile(unit.readings_csv(), "invented readings.csv")
    loaded = _timed(
        "loaded its readings",
        lambda: load_readings(ledger, operator, table, new_persons=True, today=day, now=now),
    )
    say(f"  {_counts(loaded.new)}")
    _timed("made its accounts", lambda: _add_accounts(ledger, operator, scenario))
    _timed("recorded a few outcomes", lambda: _record(ledger, operator, unit, day))
    folder = ledger.home / DRAWN_CT
    made = _timed(
        "drew a CT and read it", lambda: read_drawn(ledger, operator, unit, folder / "read")
    )
    say(f"  {made} readings of case {unit.read_case.reference}, with what they were made on")
    rounds = unit.rounds()
    _timed("laid its quarters before its surgeons", lambda: _reply(ledger, rounds, scenario))
    _timed("wrote a few own notes", lambda: write_notes(ledger, scenario))
    acted = scenario_module("actions").ACTIONS
    _timed("noted what it agreed to do", lambda: agree(ledger, acting(ledger, LEAD), acted))
    read = _timed("drew a small teaching set", lambda: teach(ledger, operator))
    say(f"  {read} drawn screws read by {READER}, all of it invented; they are in no rate")
    _timed("drew a post-operative CT", lambda: unit.draw_ct(folder))
    order = ScanOrder(case_ref=unit.drawn_case.reference)
    scan = _timed("loaded it", lambda: load_scan(ledger, operator, [folder], order, instant()))
    say(f"  {scan.readings_owed} screws of case {scan.case_ref} wait to be read; files in {folder}")


def _add_accounts(ledger: Ledger, operator: Viewer, scenario: Any) -> None:  # noqa: ANN401 - the scenario's module
    from registry.actions.accounts import accept_invitation, invite
    from registry.cli.opening import instant
    from registry.domain.access import parse_roles

    for account in scenario.ACCOUNTS:
        roles = parse_roles(account.roles)
        token = invite(ledger, operator, account.name, roles, person=account.person, now=instant())
        accept_invitation(ledger, token, scenario.PASSPHRASE, instant())


def _record(ledger: Ledger, operator: Viewer, unit: Any, today: date) -> None:  # noqa: ANN401 - the scenario's
    """Record what became of some patients, by the form's own action."""
    from registry.actions.outcomes import record_outcome
    from registry.cli.opening import instant
    from registry.store.queries.constructs import cases_in_full

    with ledger.reading() as session:
        cases = cases_in_full(session, operator, ledger.settings.audit_window_days)
    known = {case.reference: case for case in cases}
    for each in unit.outcomes():
        case = known[each.reference]
        place = (each.level, each.side)
        screw = next(found for found in case.screws if (found.level, found.side) == place)
        texts = {**each.texts, "screw_id": str(screw.screw_id)}
        record_outcome(ledger, operator, case.case_id, texts, today=today, now=instant())


def _reply(ledger: Ledger, rounds: Any, scenario: Any) -> None:  # noqa: ANN401 - the scenario's
    """Lay each quarter before its surgeons and answer, at the scenario's own instants."""
    from registry.actions.accounts import acting
    from registry.actions.replies import answer_round, lay_before_surgeons

    viewers = {each.person: acting(ledger, each.name) for each in scenario.ACCOUNTS if each.person}
    lead = next(each.name for each in scenario.ACCOUNTS if each.roles == "quality lead")
    for laid in rounds:
        lay_before_surgeons(ledger, acting(ledger, lead), laid.period, laid.laid_at)
        for said in laid.answers:
            answer_round(ledger, viewers[said.surgeon], laid.period, said.words, said.at)


def _timed(what: str, action: Callable[[], Any]) -> Any:  # noqa: ANN401 - gives back what the action gave
    start = monotonic()
    result = action()
    say(f"{what} ({monotonic() - start:.1f} s)")
    sys.stdout.flush()
    return result


def _counts(new: Mapping[str, int]) -> str:
    return ", ".join(f"{count:,} {record}" for record, count in new.items())


def _say_who(scenario: Any) -> None:  # noqa: ANN401 - the scenario's module
    say("sign in as one of these invented people:")
    for account in scenario.ACCOUNTS:
        person = f" ({account.person})" if account.person else ""
        say(f"  {account.name:<8} {account.roles}{person}")
    say(f"each with the invented passphrase: {scenario.PASSPHRASE}")


def _serve(home: Path, environment: Mapping[str, str], port: int) -> None:
    from registry.actions.resettle import resettle
    from registry.cli.opening import instant
    from registry.cli.worker_process import working_beside
    from registry.store.home import open_ledger
    from registry.web.app import create_app
    from registry.web.server import serve

    def listening(url: str) -> None:
        beside.enter_context(working_beside(home))
        say(f"open {url} (Ctrl+C stops it)")
        sys.stdout.flush()

    with closing(open_ledger(home, environment)) as ledger:
        resettle(ledger, instant())
        app = create_app(ledger, clock=instant)
        with ExitStack() as beside:
            serve(app, HOST, port, on_listening=listening)
