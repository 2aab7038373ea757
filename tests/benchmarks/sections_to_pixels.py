"""A screw's sections from the request to pixels, ten readers at once, against a static file.

The invented demo is served by the program's own production server; each reader is a page of
Chromium with a session of its own, and asks for all sections of an axis that nobody asked for
before, then for those of one that another reader has asked for. The peer is a file of the same
size that the same server sends as it sends its scripts.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from tests.build.chromium import chromium

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import BrowserContext, Page

ROOT = Path(__file__).parents[2]
READERS, REQUESTS, ROUNDS = 10, 10, 2
NAME, PASSPHRASE = "elif", "nobody walks these corridors"
AXIS = ((8.0, 40.0, 0.0), (4.0, -2.0, 2.0))
"""Somewhere in the drawn scan: cutting takes no longer where there is metal."""
PEER = "peer.bin"

_SERVED = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from flask import Blueprint
from registry.store.home import open_ledger
from registry.web.app import create_app
from registry.web.server import serve

app = create_app(open_ledger(Path(sys.argv[1]), {}), clock=lambda: datetime.now(UTC))
app.register_blueprint(Blueprint("peer", __name__, url_prefix="/peer", static_folder=sys.argv[2]))
serve(app, "127.0.0.1", 0, on_listening=lambda address: print(address, flush=True))
"""

_READ = """
async ([address, token, kind, count, ends]) => {
    const { Api } = await import("/reading/static/api.js");
    const api = new Api(address, token);
    const canvas = document.createElement("canvas");
    canvas.width = canvas.height = 448;
    const context = canvas.getContext("2d");
    const took = [];
    for (let turn = 0; turn < count; turn += 1) {
        const start = performance.now();
        if (kind !== "file") {
            const away = kind === "cold" ? [Math.random(), Math.random()] : [0, turn / 16];
            const tip = [ends[1][0] + away[0], ends[1][1] + away[1], ends[1][2]];
            const asked = { entry: ends[0].join(), tip: tip.join() };
            const picture = await api.picture("sections", asked);
            context.drawImage(picture.drawn(0, [-450, 1050]), 0, 0, 448, 448);
            context.getImageData(0, 0, 1, 1);
        } else {
            const answer = await fetch("/peer/static/peer.bin", { cache: "no-store" });
            await answer.arrayBuffer();
        }
        took.push(performance.now() - start);
    }
    return took;
}
"""

_BEGIN = f"asked => {{ window.reading = ({_READ})(asked); }}"


def measure(folder: Path) -> None:
    """Print median and 99th percentile of both, and the ratios."""
    home, peer = folder / "demo", folder / "peer"
    peer.mkdir()
    _program("demo", "--no-serve", "--home", str(home))
    with _serving(home, peer) as address, chromium() as browser:
        readers = [_reader(browser.new_context(base_url=address)) for _ in range(READERS)]
        pages = [page for page, _ in readers]
        desk, token = readers[0][1], _token(pages[0])
        size = _size(pages[0], desk)
        (peer / PEER).write_bytes(bytes(range(256)) * (size // 256) + bytes(size % 256))
        took: dict[str, list[float]] = {"cold": [], "file": [], "warm": []}
        pages[0].evaluate(_READ, [desk, token, "warm", REQUESTS, AXIS])
        for _ in range(ROUNDS):
            for kind, times in took.items():
                asked = [desk, token, kind, REQUESTS, AXIS]
                for page in pages:
                    page.evaluate(_BEGIN, asked)
                for page in pages:
                    times.extend(page.evaluate("() => window.reading"))
    _print(took, size)


def _print(took: dict[str, list[float]], size: int) -> None:
    figures = {}
    for kind, times in took.items():
        cuts = statistics.quantiles(times, n=100)
        figures[kind] = (statistics.median(times), cuts[98])
    file_median, file_last = figures["file"]
    print(
        f"sections of a screw to pixels, {READERS} readers at once, {size / 1e6:.1f} MB, median "
        f"and 99th percentile: a static file of that size {file_median:.0f} ms, {file_last:.0f} ms",
        flush=True,
    )
    for kind, words in (("cold", "asked for first"), ("warm", "asked for before")):
        median, last = figures[kind]
        print(
            f"  {words}: {median:.0f} ms, {last:.0f} ms; "
            f"ratio {median / file_median:.2f} and {last / file_last:.2f}",
            flush=True,
        )


def _program(*words: str) -> None:
    program = Path(sys.executable).with_name("pedicle-ledger")
    subprocess.run([program, *words], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)


@contextmanager
def _serving(home: Path, peer: Path) -> Iterator[str]:
    command = [sys.executable, "-c", _SERVED, str(home), str(peer)]
    with subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as served:
        assert served.stdout is not None
        yield served.stdout.readline().strip()
        served.terminate()


def _reader(context: BrowserContext) -> tuple[Page, str]:
    """Sign in; return a page and the address of the first owed screw's desk."""
    page = context.new_page()
    page.goto("/sign-in")
    page.locator("[name=name]").fill(NAME)
    page.locator("[name=password]").fill(PASSPHRASE)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda url: "sign-in" not in url)
    page.goto("/worklist")
    return page, page.locator("tbody th a").first.get_attribute("href") or ""


def _token(page: Page) -> str:
    return page.locator('meta[name="form-token"]').get_attribute("content") or ""


def _size(page: Page, desk: str) -> int:
    ends = "&".join(
        f"{name}={','.join(map(str, end))}"
        for name, end in zip(("entry", "tip"), AXIS, strict=True)
    )
    answer = page.request.get(f"{desk}/sections?{ends}")
    assert answer.ok, answer.status
    return len(answer.body())
