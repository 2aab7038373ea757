"""One Chromium a process, as Playwright's plain calls start once in one; and signing in."""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager
from typing import TYPE_CHECKING

from playwright.sync_api import sync_playwright

from tests.web.reading_pages import form_token

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, BrowserContext

CHROMIUM = "PEDICLE_LEDGER_TEST_CHROMIUM"
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    # Each test has one site: processes kept apart by site only take a tenth more work.
    "--disable-site-isolation-trials",
)


@contextmanager
def chromium() -> Iterator[Browser]:
    """Give a headless browser that speaks to nobody but the tests' own servers."""
    path = os.environ.get(CHROMIUM) or shutil.which("chromium")
    assert path, f"no Chromium: install it or set {CHROMIUM}"
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=[*ARGUMENTS])
        yield opened
        opened.close()


def enter(context: BrowserContext, address: str, name: str, password: str) -> None:
    """Sign in by what the form sends, in no page: a page of it takes a second of work."""
    form = form_token(context.request.get(f"{address}sign-in").text())
    sent = {"csrf_token": form, "name": name, "password": password}
    answer = context.request.post(f"{address}sign-in", form=sent, max_redirects=0)
    assert answer.status == 303, answer.text()
