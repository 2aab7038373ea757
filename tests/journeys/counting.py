"""What a reader's hands do on the pages: keys pressed, buttons of the mouse, turns of the wheel."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext

_TELL = """
for (const kind of ["keydown", "pointerdown", "wheel"]) {
    document.addEventListener(kind, event => {
        if (event.isTrusted) window.handsDid(kind);
    }, { capture: true, passive: true });
}
"""


@dataclass
class Hands:
    """Counts since the last `told`, and the seconds."""

    did: Counter[str] = field(default_factory=Counter)
    since: float = field(default_factory=time.perf_counter)

    def follow(self, context: BrowserContext) -> None:
        context.expose_function("handsDid", lambda kind: self.did.update([kind]))
        context.add_init_script(_TELL)

    def told(self) -> tuple[int, int, float]:
        """Return presses, clicks and seconds, and begin anew."""
        now = time.perf_counter()
        found = self.did["keydown"], self.did["pointerdown"], now - self.since
        self.did.clear()
        self.since = now
        return found


def told_in_words(name: str, presses: int, clicks: int, seconds: float) -> str:
    return f"{name:10} {presses:5} presses {clicks:4} clicks {seconds:6.1f} s"
