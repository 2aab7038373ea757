"""Visits to the pages in Chromium: watched, recorded on request, and made by keyboard."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from tests.build.chromium import enter
from tests.journeys.units import PERSONS
from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Request, Response

    from tests.journeys.program import Served
    from tests.journeys.recording import Answer, Recorder

PASSWORD = "twelve grey boats asleep"
WAIT_MILLISECONDS = 15_000

_TELL_POLICY_BREACHES = """
document.addEventListener("securitypolicyviolation", breach =>
    console.error(`policy: ${breach.violatedDirective} ${breach.blockedURI}`));
"""


@dataclass
class Watch:
    """Collects what goes wrong while pages are visited.

    `refusals` are the statuses that the test asks for; each other one from 400 on is a problem.
    """

    refusals: set[int] = field(default_factory=set)
    problems: list[str] = field(default_factory=list)

    def follow(self, context: BrowserContext) -> None:
        context.add_init_script(_TELL_POLICY_BREACHES)
        context.on("console", self._on_console)
        context.on("weberror", lambda error: self.problems.append(f"script: {error.error}"))
        context.on("requestfailed", self._on_failed)
        context.on("response", self._on_response)

    def _on_console(self, message: ConsoleMessage) -> None:
        # A refused request is judged by its status below.
        is_status = message.text.startswith("Failed to load resource: the server responded")
        if message.type in {"error", "warning"} and not is_status:
            self.problems.append(f"console: {message.text}")

    def _on_failed(self, request: Request) -> None:
        # Aborted by the browser itself: the page was left, or the answer is kept as a file.
        if request.failure != "net::ERR_ABORTED":
            self.problems.append(f"failed: {request.url} {request.failure}")

    def _on_response(self, response: Response) -> None:
        if response.status >= 400 and response.status not in self.refusals:
            self.problems.append(f"status: {response.status} {response.url}")


@dataclass
class Visit:
    """A page in a browser of its own, with what went wrong in it.

    `answers` are those of a recorded visit, as they came from the server; else none.
    """

    served: Served
    context: BrowserContext
    page: Page
    watch: Watch
    answers: list[Answer] = field(default_factory=list)

    def open(self, path: str) -> Page:
        """Go to a path of the served ledger."""
        self.page.goto(self.served.url(path))
        return self.page

    def refused(self, path: str, status: int) -> Page:
        """Go to a path that is to be refused with this status."""
        self.watch.refusals.add(status)
        response = self.page.goto(self.served.url(path))
        assert response is not None
        assert response.status == status
        return self.page

    def end(self) -> None:
        """Close the browser's window; nothing may have gone wrong."""
        self.context.close()
        assert not self.watch.problems, "; ".join(self.watch.problems)


def visit(
    browser: Browser, served: Served, recorder: Recorder | None = None, **options: object
) -> Visit:
    """Open an empty page in a browser's context of its own, behind the recorder if there is one."""
    if recorder is not None:
        options["proxy"] = {"server": recorder.address}
    context = browser.new_context(**options)
    context.set_default_timeout(WAIT_MILLISECONDS)
    watch = Watch()
    watch.follow(context)
    begun = Visit(served, context, context.new_page(), watch)
    if recorder is not None:
        begun.answers = recorder.answers
    return begun


def set_password(page: Page, link: str) -> None:
    """Use an invitation."""
    page.goto(link)
    page.get_by_label("New password").fill(PASSWORD)
    page.get_by_label("The same again").fill(PASSWORD)
    page.get_by_role("button", name="Set the password").click()
    page.get_by_role("status").wait_for()
    page.wait_for_load_state()


def sign_in(page: Page, address: str, name: str, password: str = PASSWORD) -> None:
    """Sign in by the form."""
    page.goto(address + "sign-in")
    page.get_by_label("Account name").fill(name)
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Sign in").click()


def sign_in_as(visit: Visit, role: str, *, by_form: bool = False) -> None:
    """Sign in as a role, whose account the command makes when it is first asked for.

    In no page, or by the form, which leads to the first page.
    """
    page, served = visit.page, visit.served
    if role not in served.accounts:
        name, person = role.split(maxsplit=1)[0], PERSONS[role]
        belongs = ["--person", person] if person else []
        address = served.address.rstrip("/")
        told = served.run("account", "add", name, "--role", role, "--address", address, *belongs)
        link = told.splitlines()[0]
        if by_form:
            set_password(page, link)
        else:
            use_invitation(visit.context, link)
        served.accounts[role] = name
    if by_form:
        sign_in(page, served.address, served.accounts[role])
        page.wait_for_url(lambda url: "sign-in" not in url)
    else:
        enter(visit.context, served.address, served.accounts[role], PASSWORD)


def use_invitation(context: BrowserContext, link: str) -> None:
    """Set the first password by what the invitation's form sends, in no page."""
    form = form_token(context.request.get(link).text())
    sent = {"csrf_token": form, "password": PASSWORD, "again": PASSWORD}
    answer = context.request.post(link, form=sent, max_redirects=0)
    assert answer.status == 303, answer.text()


def tab_to(page: Page, label: str, *, most: int = 60) -> None:
    """Press Tab until what has this accessible name has the focus."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if focused_name(page) == label:
            return
    raise AssertionError(f"{label!r} is not reached by Tab")


def go_by_group(page: Page, group: str, name: str) -> None:
    """Open a group of the pages' navigation by keyboard, and go to one of its pages."""
    page.evaluate("document.body.tabIndex = -1; document.body.focus()")
    tab_to(page, group)
    page.keyboard.press("Enter")
    tab_to(page, name)
    with page.expect_navigation():
        page.keyboard.press("Enter")


def focused_name(page: Page) -> str:
    """Return the name of what has the focus: its label, else its text."""
    return page.evaluate(
        """() => {
            const at = document.activeElement;
            const label = at.labels?.length ? at.labels[0].innerText : at.ariaLabel;
            return (label || at.innerText || "").trim();
        }"""
    )
