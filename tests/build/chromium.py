"""One Chromium a process: Playwright's plain calls cannot be started twice in one."""

from __future__ import annotations

import os
import shutil
from contextlib import contextmanager
from typing import TYPE_CHECKING

from playwright.sync_api import sync_playwright

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser

CHROMIUM = "PEDICLE_LEDGER_TEST_CHROMIUM"
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
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
