"""Take the README's pictures, desk.png and rates.png, from the invented demo in Chromium.

    .venv-tests/bin/python -m demo_data.pictures.take [HOME OF A DEMO]

Without a home the demo is made first. The desk's marks are put where the drawing has its cortex:
this is a picture of the page and no test of reading.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image
from playwright.sync_api import sync_playwright

from demo_data.scenario.ct.placement import place_all
from demo_data.scenario.ct.study import line_of
from demo_data.scenario.ct.truth import pedicle_sections
from demo_data.scenario.ct.vertebra import build_vertebrae
from demo_data.scenario.people import PASSPHRASE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page

    from demo_data.scenario.ct.placement import PlacedScrew
    from demo_data.scenario.ct.truth import Section

PICTURES_MS = 4000
PROGRAM = Path(sys.executable).with_name("pedicle-ledger")
FOLDER = Path(__file__).parent
WIDTH = 1280
LARGEST_BYTES = 400_000
COLOURS = 256
SHOWN_SCREW = ("L2", "R")
MARKS_A_SECTION = 14
MARKED_SECTIONS = 5
ARGUMENTS = ("--no-sandbox", "--disable-gpu", "--disable-background-networking")


def main() -> None:
    """Take both pictures."""
    chromium = os.environ.get("PEDICLE_LEDGER_TEST_CHROMIUM") or shutil.which("chromium")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        home = Path(sys.argv[1]) if len(sys.argv) > 1 else _made_demo(Path(folder) / "ledger")
        with _served(home) as address:
            browser = playwright.chromium.launch(executable_path=chromium, args=[*ARGUMENTS])
            take_rates(browser, address)
            take_desk(browser, address)
            browser.close()


def take_rates(browser: Browser, address: str) -> None:
    """Show the lead's rates by level."""
    page = _signed_in(browser, address, "greta", height=800)
    page.goto(f"{address}rates?by=level")
    _keep(page, "rates.png")


def take_desk(browser: Browser, address: str) -> None:
    """Show the registrar's desk with a screw found and its cortex marked on a few sections."""
    page = _signed_in(browser, address, "elif", height=1000)
    level, side = SHOWN_SCREW
    page.goto(f"{address}worklist")
    page.get_by_role("link", name=f"{level} {'left' if side == 'L' else 'right'}").click()
    page.wait_for_load_state("networkidle")
    screw = next(
        placed
        for placed in place_all(build_vertebrae())
        if (placed.plan.level, placed.plan.side) == SHOWN_SCREW
    )
    for name, point in (("entry", screw.entry), ("tip", screw.tip)):
        for axis, value in zip("xyz", point, strict=True):
            page.locator(f"#{name}-{axis}").fill(f"{value:.1f}")
            page.locator(f"#{name}-{axis}").dispatch_event("change")
    page.locator("#look").wait_for()
    page.wait_for_load_state("networkidle")
    # Each end that is set asks for pictures anew; nothing is marked on those of the ends before.
    page.wait_for_timeout(PICTURES_MS)
    page.get_by_label("by the contour").check()
    chosen = _chosen(screw)
    for section in chosen:
        _mark(page, section)
    page.get_by_text(f"{len(chosen)} sections marked").wait_for()
    page.wait_for_load_state("networkidle")
    _keep(page, "desk.png")


def _mark(page: Page, section: Section) -> None:
    """Go to the section nearest to this depth and click its cortex in even directions."""
    canvas = page.locator("#section")
    canvas.press("Home")
    best = np.inf
    while True:
        away = abs(_told(page, "depth") - section.depth_mm)
        if away > best:
            canvas.press(",")
            break
        best = away
        canvas.press(".")
        page.wait_for_timeout(40)
    page.wait_for_timeout(60)
    scale, left, top = (_told(page, name) for name in ("scale", "centreX", "centreY"))
    for medial, cranial in _even(section):
        canvas.click(position={"x": left + scale * medial, "y": top - scale * cranial})
        canvas.press("Escape")


def _told(page: Page, name: str) -> float:
    return float(page.locator("#section").evaluate("(at, name) => Number(at.dataset[name])", name))


def _chosen(screw: PlacedScrew) -> list[Section]:
    """Return a few of the pedicle's sections, the isthmus's last."""
    vertebra = build_vertebrae()[screw.plan.level]
    found = pedicle_sections(
        vertebra.outer_distance, line_of(screw, vertebra), vertebra.pedicle_axis(screw.plan.side)
    )
    least = min(range(len(found)), key=lambda place: found[place].area_mm2)
    steps = sorted(
        range(-MARKED_SECTIONS // 2 + 1, MARKED_SECTIONS // 2 + 1), key=abs, reverse=True
    )
    return [found[least + 4 * step] for step in steps if 0 <= least + 4 * step < len(found)]


def _even(section: Section) -> list[tuple[float, float]]:
    """Return points of the cortex in even directions from its middle."""
    points = section.contour.mean(axis=1)
    away = points - points.mean(axis=0)
    angles = np.arctan2(away[:, 1], away[:, 0])
    wanted = np.linspace(-np.pi, np.pi, MARKS_A_SECTION, endpoint=False)
    nearest = [int(np.abs(angles - angle).argmin()) for angle in wanted]
    return [(float(points[place, 0]), float(points[place, 1])) for place in nearest]


def _signed_in(browser: Browser, address: str, name: str, *, height: int) -> Page:
    context = browser.new_context(
        viewport={"width": WIDTH, "height": height}, color_scheme="light", locale="en-GB"
    )
    page = context.new_page()
    page.goto(f"{address}sign-in")
    page.get_by_label("Account name").fill(name)
    page.get_by_label("Password").fill(PASSPHRASE)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name="Sign out").wait_for()
    return page


def _keep(page: Page, name: str) -> None:
    """Keep the whole page as a picture; ValueError where it is too large for a README."""
    taken = page.screenshot(full_page=True, animations="disabled", caret="hide")
    kept = BytesIO()
    few = Image.open(BytesIO(taken)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    few.save(kept, "PNG", optimize=True)
    if kept.tell() > LARGEST_BYTES:
        raise ValueError(f"{name} has {kept.tell()} bytes, more than {LARGEST_BYTES}")
    (FOLDER / name).write_bytes(kept.getvalue())


def _made_demo(home: Path) -> Path:
    subprocess.run([PROGRAM, "demo", "--no-serve", "--home", home], check=True)  # noqa: S603 - our own program
    return home


@contextmanager
def _served(home: Path) -> Iterator[str]:
    """Serve a ledger on a free port and give its address."""
    command = [PROGRAM, "serve", "--port", "0", "--home", home]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:  # noqa: S603 - our own program
        try:
            told = process.stdout.readline() if process.stdout else ""
            yield next(word for word in told.split() if word.startswith("http://"))
        finally:
            process.send_signal(signal.SIGTERM)
            process.communicate()


if __name__ == "__main__":
    main()
