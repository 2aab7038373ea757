"""The web application: configured, guarded, with a blueprint a page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from flask import Flask
from flask_wtf.csrf import CSRFProtect
from werkzeug.middleware.proxy_fix import ProxyFix

from registry.actions.accounts_secrets import nobodys
from registry.domain.caution import CAUTION
from registry.web import errors, guard, headers, logs
from registry.web.context import (
    Surroundings,
    give_cookies,
    surround,
    surroundings,
    viewer_or_none,
)
from registry.web.input import take_input
from registry.web.navigation import groups, number_places
from registry.web.pages.account.own import own_account
from registry.web.pages.account.views import account
from registry.web.pages.accounts.views import accounts
from registry.web.pages.adjudications.views import adjudications_page
from registry.web.pages.agreed.views import agreed_page
from registry.web.pages.angles.views import angles_page
from registry.web.pages.case_mix.views import case_mix_page
from registry.web.pages.cases.corrections import corrections
from registry.web.pages.cases.outcomes import outcomes_page
from registry.web.pages.cases.scans import case_scans
from registry.web.pages.cases.views import cases_page
from registry.web.pages.closing.views import closing_page
from registry.web.pages.compare.views import compare_page
from registry.web.pages.completeness.views import completeness_page
from registry.web.pages.entry.views import entry_page
from registry.web.pages.evidence.views import evidence_page
from registry.web.pages.explore.views import explore_page
from registry.web.pages.export.views import export_page
from registry.web.pages.health.views import health
from registry.web.pages.home.views import home
from registry.web.pages.known_truth.views import known_truth_page
from registry.web.pages.meeting_pack.views import meeting_pack_page
from registry.web.pages.my_readings.views import my_readings_page
from registry.web.pages.own.notes import own_notes_page
from registry.web.pages.own.views import own_page
from registry.web.pages.policy.views import policy_page
from registry.web.pages.practice.views import practice_page
from registry.web.pages.proposal.views import proposal_page
from registry.web.pages.rates.views import rates_page
from registry.web.pages.readers.views import readers_page
from registry.web.pages.reading.shown import reading_shown
from registry.web.pages.reading.views import reading_desk
from registry.web.pages.reply.report import quarter_report
from registry.web.pages.reply.views import reply
from registry.web.pages.runs.views import runs_page
from registry.web.pages.scans.decide import arrival_decision
from registry.web.pages.scans.sending import sending
from registry.web.pages.scans.views import scans_page
from registry.web.pages.screw.views import screw_page
from registry.web.pages.second_readings.views import second_readings_page
from registry.web.pages.surgeons.views import surgeons_page
from registry.web.pages.trail.views import trail
from registry.web.pages.withdrawal.views import withdrawal
from registry.web.pages.worklist.views import worklist_page
from registry.web.sent import embedded
from registry.web.words import headed, sentence

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from datetime import datetime

    from registry.store.home import Ledger

_LAYOUT = Path(__file__).parent / "layout"
_BLUEPRINTS = (
    account,
    own_account,
    accounts,
    adjudications_page,
    cases_page,
    entry_page,
    corrections,
    outcomes_page,
    case_scans,
    evidence_page,
    export_page,
    health,
    home,
    meeting_pack_page,
    my_readings_page,
    rates_page,
    explore_page,
    compare_page,
    surgeons_page,
    runs_page,
    case_mix_page,
    readers_page,
    completeness_page,
    angles_page,
    known_truth_page,
    practice_page,
    reading_desk,
    reading_shown,
    proposal_page,
    scans_page,
    sending,
    arrival_decision,
    screw_page,
    second_readings_page,
    policy_page,
    own_page,
    own_notes_page,
    reply,
    closing_page,
    agreed_page,
    quarter_report,
    trail,
    withdrawal,
    worklist_page,
)
_LOOPBACK = ("localhost", "127.0.0.1", "[::1]")
LARGEST_REQUEST_BYTES = 2 * 1024 * 1024


def create_app(
    ledger: Ledger,
    *,
    clock: Callable[[], datetime],
    hosts: Iterable[str] = (),
    is_https: bool = False,
) -> Flask:
    """Return the application that serves a ledger.

    `hosts` and `is_https` add to the settings `hosts` and `behind_https`.
    """
    nobodys()
    settings = ledger.settings
    is_https = is_https or settings.behind_https
    app = Flask(
        "registry.web",
        root_path=str(_LAYOUT),
        static_folder="static",
        template_folder="templates",
    )
    around = Surroundings(ledger, clock, is_https)
    surround(app, around)
    app.config.update(
        SECRET_KEY=ledger.keys.cookies,
        MAX_CONTENT_LENGTH=LARGEST_REQUEST_BYTES,
        TRUSTED_HOSTS=[*_LOOPBACK, *settings.hosts, *hosts],
        SESSION_COOKIE_NAME=around.form_cookie,
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_SECURE=is_https,
        PREFERRED_URL_SCHEME="https" if is_https else "http",
        # A reading may take longer than an hour; the token lives as long as the browser's session.
        WTF_CSRF_TIME_LIMIT=None,
        # Asks for the Referer header, which our own policy leaves out.
        WTF_CSRF_SSL_STRICT=False,
    )
    # The client's address counts wrong tries; only what a trusted proxy says of it is believed.
    app.wsgi_app = ProxyFix(  # type: ignore[method-assign]
        app.wsgi_app, x_for=settings.proxies, x_proto=0, x_host=0, x_port=0, x_prefix=0
    )
    app.jinja_options = app.jinja_options | {"trim_blocks": True, "lstrip_blocks": True}
    take_input(app)
    _in_order(app)
    errors.register_errors(app)
    for blueprint in _BLUEPRINTS:
        app.register_blueprint(blueprint)
    app.add_template_filter(_moment, "moment")
    app.add_template_filter(sentence, "sentence")
    app.add_template_filter(headed, "headed")
    app.add_template_filter(embedded, "embedded")
    app.context_processor(_shared_values)
    return app


def _in_order(app: Flask) -> None:
    """Say what happens to a request before its view, and to its answer after."""
    app.before_request(logs.begin_request)
    app.before_request(guard.check_guard)
    app.before_request(guard.check_origin)
    CSRFProtect(app)
    app.before_request(guard.check_confirmed)
    app.after_request(logs.log_request)
    app.after_request(give_cookies)
    app.after_request(headers.add_headers)


def _shared_values() -> dict[str, object]:
    return {
        "unit_name": surroundings().ledger.settings.unit_name,
        "viewer": viewer_or_none(),
        "page_groups": groups(viewer_or_none()),
        "number_places": number_places(viewer_or_none()),
        "caution": CAUTION,
    }


def _moment(instant: datetime) -> str:
    """Return an instant in the unit's own time: 2026-03-02 10:30."""
    zone = ZoneInfo(surroundings().ledger.settings.zone)
    return f"{instant.astimezone(zone):%Y-%m-%d %H:%M}"
