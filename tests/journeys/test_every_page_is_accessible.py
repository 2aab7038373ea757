"""Each page as each role: axe-core's rules, narrow and wide, light and dark, and the focus seen.

The rules are those that axe-core tags with WCAG 2.0, 2.1 and 2.2, levels A and AA. What it cannot
judge is looked at here: reflow at 320 CSS pixels (WCAG 2.2, 1.4.10), a visible focus (2.4.7) that
nothing hides (2.4.11), and every control within the keyboard's reach (2.1.1).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from importlib.resources import files

import pytest
from playwright.sync_api import expect

from registry.store.home import open_ledger
from registry.web.app import create_app
from tests.journeys.browsing import PASSWORD, sign_in_as, visit
from tests.journeys.units import cases

pytestmark = pytest.mark.browser

AXE = files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")
TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")
CAUTION = (
    "For audit and quality improvement; not for diagnosis or treatment decisions; "
    "follow local policy and licensed practice."
)
LONGEST_CASE = 1 + max(range(len(cases())), key=lambda place: len(cases()[place].screws))
NEXT_SCREW = "/reading/next"
"""The desk with whichever screw the worklist offers first."""
OWN_NOTE = "/own/notes/one"
"""The first note of the list: notes are numbered by chance."""
NOT_PAGES = {
    "/health.json",
    "/rates.csv",
    "/rates.json",
    "/rates/chart.svg",
    "/explore/chart.svg",
    "/case-mix.csv",
    "/case-mix.json",
    "/compare.csv",
    "/compare.json",
    "/compare/chart.svg",
    "/quarters/<period>/report.<form>",
    "/own/report.pdf",
    "/quarters/<period>/sealed/<int:part>/<name>",
    "/quarters/public_key.pem",
    "/surgeons.csv",
    "/surgeons.json",
    "/runs.json",
    "/readers.json",
    "/completeness.json",
    "/known-truth.json",
    "/practice/<int:reading_id>/truth.png",
    "/reading/made/<int:reading_id>/proposal",
    "/scans/<int:arrival_id>.json",
    "/sign-out",
    "/readings/<int:reading_id>/picture.png",
    "/readings/<int:reading_id>/upright.png",
    "/readings/<int:reading_id>/sections/<int:number>.png",
    "/readings/<int:reading_id>/along/<across>.png",
}
"""Files for programs, pictures, and what only redirects."""


@dataclass(frozen=True)
class Asked:
    """A page: who opens it, where, and with which status; `rule` is its route's."""

    role: str | None
    path: str
    rule: str
    status: int = 200
    name: str = field(default="")

    def __str__(self) -> str:
        return f"{self.role or 'nobody'} {self.name or self.path}"


PAGES = [
    Asked(None, "/sign-in", "/sign-in"),
    Asked(None, "/invitation/none", "/invitation/<token>", 403),
    Asked("registrar", "/worklist", "/worklist"),
    Asked("registrar", "/worklist?page=7", "/worklist", 404),
    Asked("registrar", NEXT_SCREW, "/reading/<int:assignment_id>"),
    Asked("registrar", "/rates?by=entry_technique,region", "/rates"),
    Asked("registrar", "/nowhere", "", 404),
    Asked("registrar", "/cases/", "/cases/", 403),
    Asked("surgeon", "/rates?by=surgeon", "/rates"),
    Asked("surgeon", "/cases/", "/cases/"),
    Asked("surgeon", "/worklist", "/worklist"),
    Asked("surgeon", "/reading/1000", "/reading/<int:assignment_id>", 404),
    Asked("quality lead", "/rates?by=level&minimum=0", "/rates"),
    Asked("quality lead", "/rates?by=moon&from=x&minimum=many", "/rates", 400, "faults"),
    Asked("quality lead", "/rates?by=level&from=2030-01-01", "/rates", name="no row"),
    Asked("quality lead", "/explore?minimum=0", "/explore"),
    Asked("surgeon", "/explore?by=level", "/explore", 400, "explore, faults"),
    Asked("surgeon", "/explore/screws?by=level&by=side&row=L4", "/explore/screws"),
    Asked("quality lead", "/compare?minimum=1", "/compare"),
    Asked("quality lead", "/case-mix?by=region&threshold=any", "/case-mix"),
    Asked("quality lead", "/compare?by=moon&group=a", "/compare", 400, "compare, faults"),
    Asked("quality lead", "/readers?named=yes", "/readers"),
    Asked("surgeon", "/readers", "/readers"),
    Asked("quality lead", "/completeness?assumed=5", "/completeness"),
    Asked("quality lead", "/angles", "/angles"),
    Asked("quality lead", "/export", "/export"),
    Asked("quality lead", "/meeting-pack/?least=every", "/meeting-pack/"),
    Asked("quality lead", "/meeting-pack/?from=x&least=3", "/meeting-pack/", 400, "pack, faults"),
    Asked("quality lead", "/meeting-pack/pages?screw=1&screw=2", "/meeting-pack/pages"),
    Asked("quality lead", "/surgeons?minimum=5", "/surgeons"),
    Asked("surgeon", "/surgeons", "/surgeons"),
    Asked("quality lead", "/runs", "/runs"),
    Asked("quality lead", "/adjudications/", "/adjudications/"),
    Asked("quality lead", "/second-readings", "/second-readings"),
    Asked("quality lead", "/screws/1", "/screws/<int:screw_id>"),
    Asked("registrar", "/my-readings/", "/my-readings/"),
    # One that is there is looked at in tests/journeys/test_from_a_proposal.py.
    Asked("registrar", "/reading/made/100000", "/reading/made/<int:reading_id>", 404),
    Asked("quality lead", "/readings/1", "/readings/<int:reading_id>"),
    Asked("registrar", "/readings/1/decided", "/readings/<int:reading_id>/decided", 404),
    Asked("quality lead", "/cases/", "/cases/"),
    Asked("quality lead", "/cases/?notes=yes", "/cases/"),
    Asked("quality lead", f"/cases/{LONGEST_CASE}", "/cases/<int:case_id>"),
    Asked("registrar", "/policy/", "/policy/"),
    Asked("registrar", "/policy/1", "/policy/<int:finding_id>", 404),
    Asked("quality lead", "/quarters/", "/quarters/"),
    Asked("quality lead", "/quarters/2026Q1", "/quarters/<period>"),
    Asked("quality lead", "/quarters/2026Q1/actions", "/quarters/<period>/actions"),
    Asked("quality lead", "/quarters/actions/1", "/quarters/actions/<int:number>"),
    Asked("quality lead", "/quarters/2026Q1/closing", "/quarters/<period>/closing"),
    Asked(
        "quality lead", "/quarters/2026Q1/closing/again", "/quarters/<period>/closing/again", 409
    ),
    Asked("quality lead", "/quarters/2026Q1/report", "/quarters/<period>/report"),
    Asked("surgeon", "/quarters/2026Q1/reply", "/quarters/<period>/reply"),
    Asked("surgeon", "/own/?threshold=any&minimum=1", "/own/"),
    Asked("surgeon", "/own/report", "/own/report"),
    Asked("surgeon", "/own/notes/", "/own/notes/"),
    Asked("surgeon", OWN_NOTE, "/own/notes/<int:note_id>"),
    Asked("quality lead", "/own/notes/shown", "/own/notes/shown"),
    Asked("steward", "/accounts", "/accounts"),
    Asked("steward", "/accounts/invite", "/accounts/invite"),
    Asked("steward", "/accounts/1", "/accounts/<int:account_id>"),
    Asked("steward", "/accounts/2", "/accounts/<int:account_id>"),
    Asked("steward", "/account", "/account"),
    Asked("steward", "/confirm?next=/accounts", "/confirm"),
    Asked("steward", "/rates", "/rates", 403),
    Asked("registrar", "/cases/to-correct", "/cases/to-correct"),
    Asked("registrar", "/cases/to-correct?reference=OP-0", "/cases/to-correct", 404),
    Asked("quality lead", "/cases/1/correct", "/cases/<int:case_id>/correct"),
    Asked("quality lead", "/cases/1/screws/add", "/cases/<int:case_id>/screws/add"),
    Asked(
        "quality lead",
        "/cases/1/screws/1/correct",
        "/cases/<int:case_id>/screws/<int:screw_id>/correct",
    ),
    Asked("quality lead", "/cases/1/outcomes/add", "/cases/<int:case_id>/outcomes/add"),
    Asked(
        "quality lead",
        "/cases/1/outcomes/1/correct",
        "/cases/<int:case_id>/outcomes/<int:outcome_id>/correct",
        404,
    ),
    Asked("quality lead", "/cases/1/scans/add", "/cases/<int:case_id>/scans/add"),
    Asked(
        "quality lead",
        "/cases/1/scans/9999/correct",
        "/cases/<int:case_id>/scans/<int:scan_id>/correct",
        404,
    ),
    Asked("quality lead", "/trail/?record=screw", "/trail/"),
    Asked("steward", "/trail/?first=long+ago", "/trail/", 400),
    Asked("steward", "/trail/9", "/trail/<int:number>"),
    Asked("steward", "/withdrawal", "/withdrawal"),
    Asked("registrar", "/cases/new", "/cases/new"),
    Asked("registrar", "/cases/new/saved/1", "/cases/new/saved/<int:case_id>", 404),
    Asked("registrar", "/scans/", "/scans/"),
    Asked("registrar", "/scans/add", "/scans/add"),
    Asked("registrar", "/scans/1", "/scans/<int:arrival_id>", name="a scan that waits"),
    Asked("registrar", "/scans/2", "/scans/<int:arrival_id>", name="a scan that is coming in"),
    Asked("quality lead", "/scans/3", "/scans/<int:arrival_id>", name="a scan that was dropped"),
    # One with readings is looked at in tests/journeys/test_practice.py.
    Asked("quality lead", "/known-truth?of=practice", "/known-truth"),
    Asked("registrar", "/practice/", "/practice/"),
    Asked("registrar", "/practice/1", "/practice/<int:reading_id>", 404),
    Asked("registrar", "/", "/"),
    Asked("surgeon", "/", "/"),
    Asked("quality lead", "/", "/"),
    Asked("steward", "/", "/"),
]
each_page = pytest.mark.parametrize("asked", PAGES, ids=str)


@pytest.fixture(scope="module")
def windows():
    """Keep a window of each role and way of showing, which its tests use one after another."""
    kept = {}
    yield kept
    for each in kept.values():
        each.end()


@pytest.fixture
def opened(unit_with_ct, browser, windows):
    """Give `opened(asked, **context)`: a visit with that page open, as if it were a new one."""
    used = []

    def start(asked, **options):
        kind = (asked.role, *options.items())
        if kind not in windows:
            windows[kind] = visit(browser, unit_with_ct, **options)
            if asked.role:
                sign_in_as(windows[kind], asked.role)
        here = windows[kind]
        used.append(here)
        here.page.set_viewport_size({"width": 1280, "height": 720})
        here.page.emulate_media(color_scheme="light")
        if asked.path == NEXT_SCREW:
            here.open("/worklist").get_by_role("link", name="Read the next screw").click()
            here.page.wait_for_url("**/reading/*")
        elif asked.path == OWN_NOTE:
            here.open("/own/notes/").locator("tbody a").first.click()
            here.page.wait_for_url(re.compile(r"/own/notes/\d+$"))
        elif asked.status == 200:
            here.open(asked.path)
        else:
            here.refused(asked.path, asked.status)
        if asked.path.startswith("/reading/"):
            here.page.wait_for_load_state("networkidle")
        return here

    yield start
    for here in used:
        problems, here.watch.problems = here.watch.problems, []
        here.watch.refusals.clear()
        assert problems == []


def violations(page):
    """Return what axe-core finds, one line a rule and element."""
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE)
    found = page.evaluate(
        """tags => axe.run({
            runOnly: {type: "tag", values: tags},
            // Of what passes one element a rule is told: telling all takes most of the time.
            resultTypes: ["violations"],
            rules: {"target-size": {enabled: true}},
        })""",
        list(TAGS),
    )
    judged = {rule["id"] for part in ("passes", "violations", "incomplete") for rule in found[part]}
    assert {"document-title", "html-has-lang", "target-size"} <= judged
    return [
        f"{rule['id']}: {node['html'][:160]} {node.get('failureSummary', '')}"
        for rule in found["violations"]
        for node in rule["nodes"]
    ]


def overflow(page):
    """Return by how many pixels the page itself is wider than the window."""
    return page.evaluate(
        "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
    )


def assert_good(page, width, scheme):
    page.set_viewport_size({"width": width, "height": 800})
    page.emulate_media(color_scheme=scheme)
    assert violations(page) == [], (width, scheme)
    assert overflow(page) <= 0, (width, scheme)


@each_page
def test_a_page_breaks_no_rule_wide_and_narrow_light_and_dark(opened, asked):
    page = opened(asked).page
    assert_good(page, 1280, "light")
    assert_good(page, 320, "dark")
    page.emulate_media(color_scheme="light")
    page.set_viewport_size({"width": 640, "height": 400})  # 1280 by 800 at 200 %
    assert overflow(page) <= 0
    assert page.locator("footer").inner_text() == CAUTION
    assert page.locator("h1").count() == 1
    assert page.title().split(" - ")[0]


def test_no_page_is_left_out(unit_with_ct):
    ledger = open_ledger(unit_with_ct.home, {})
    app = create_app(ledger, clock=None)
    shown = {
        rule.rule
        for rule in app.url_map.iter_rules()
        if "GET" in rule.methods and not rule.endpoint.endswith("static")
    }
    ledger.close()
    part_of_the_desk = {rule for rule in shown if rule.startswith("/reading/<int:assignment_id>/")}
    assert shown - NOT_PAGES - part_of_the_desk == {page.rule for page in PAGES} - {""}


@each_page
def test_every_control_is_reached_by_tab_and_shows_its_focus(opened, asked):
    page = opened(asked).page
    # From the page's top, wherever it puts the focus when it opens.
    page.evaluate("document.body.tabIndex = -1; document.body.focus()")
    stops = page.evaluate(
        """() => {
            const reachable = [...document.querySelectorAll(
                "a[href], button, input, select, summary, textarea, [tabindex='0']")]
                .filter(at => at.checkVisibility() && !at.disabled && at.type !== "hidden");
            window.unfocused = new Map(reachable.map(at => {
                const style = getComputedStyle(at);
                return [at, [style.outlineStyle, style.outlineWidth, style.boxShadow].join()];
            }));
            window.reached = new Set();
            return reachable.length;
        }"""
    )
    hidden = []
    for _ in range(4 * stops):
        page.keyboard.press("Tab")
        told = page.evaluate(
            """() => {
                const at = document.activeElement;
                if (at === document.body) return null;
                window.reached.add(at);
                const style = getComputedStyle(at);
                const now = [style.outlineStyle, style.outlineWidth, style.boxShadow].join();
                const box = at.getBoundingClientRect();
                const middle = document.elementFromPoint(
                    Math.max(0, box.left) + Math.min(box.width, 8) / 2,
                    Math.max(0, box.top) + Math.min(box.height, 8) / 2);
                const seen = middle && (at.contains(middle) || middle.contains(at));
                const changed = now !== window.unfocused.get(at);
                return seen && changed ? "" : at.outerHTML.slice(0, 160);
            }"""
        )
        if told is None:
            break
        if told:
            hidden.append(told)
    assert hidden == []
    missed = page.evaluate(
        """() => [...window.unfocused.keys()].filter(at => !window.reached.has(at)
            && !(at.type === "radio" && !at.checked)).map(at => at.outerHTML.slice(0, 160))"""
    )
    assert missed == []


def test_forms_told_what_is_wrong_break_no_rule(unit_with_ct, visiting):
    visit = visiting(unit_with_ct)
    visit.watch.refusals |= {400, 403}
    page = visit.open("/sign-in")
    page.get_by_label("Account name").fill("nobody at all")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_role("alert")).to_be_visible()
    assert_good(page, 1280, "dark")
    assert_good(page, 320, "light")
    visit.context.clear_cookies()  # the form's token is then not this browser's
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_text("open it again")).to_be_visible()
    assert_good(page, 320, "light")
    address = unit_with_ct.address.rstrip("/")
    told = unit_with_ct.run(
        *("account", "add", "slow one", "--role", "registrar", "--address", address)
    )
    page.goto(told.splitlines()[0])
    assert_good(page, 1280, "light")
    page.get_by_label("New password").fill("short")
    page.get_by_role("button", name="Set the password").click()
    expect(page.get_by_role("alert")).to_be_visible()
    assert_good(page, 320, "dark")
    assert page.locator("footer").inner_text() == CAUTION


@pytest.mark.parametrize(
    "asked",
    [page for page in PAGES if page.rule in {"/rates", "/cases/<int:case_id>"} and page.role],
    ids=str,
)
def test_in_forced_colours_nothing_is_lost(opened, asked):
    page = opened(asked, forced_colors="active").page
    assert page.evaluate("matchMedia('(forced-colors: active)').matches")
    assert violations(page) == []
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    for grade in page.locator(".grade").all():
        colours = grade.evaluate(
            "at => [getComputedStyle(at).color, getComputedStyle(at).backgroundColor]"
        )
        assert colours[0] != colours[1]


@pytest.mark.parametrize("asked", PAGES[:1] + PAGES[11:13] + PAGES[17:18], ids=str)
@pytest.mark.parametrize(("width", "scheme"), [(1280, "dark"), (320, "light")])
def test_the_other_scheme_breaks_no_rule_either(opened, asked, width, scheme):
    assert_good(opened(asked).page, width, scheme)
