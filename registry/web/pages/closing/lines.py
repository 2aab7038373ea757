"""What the closing page says of each thing in the way, and where it is mended."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from flask import url_for

from registry.domain.reply import Waits

if TYPE_CHECKING:
    from registry.actions.replies import QuarterState
    from registry.domain.reply import Hindrance


@dataclass(frozen=True)
class Line:
    """A sentence and, where somebody can do something about it, the page on which they do."""

    words: str
    href: str | None = None
    link: str = ""


def hindrance_lines(state: QuarterState, wants: str | None) -> list[Line]:
    """Return what stands in the way, each with where it is mended."""
    lines = [_line(each, state.quarter.name) for each in state.hindrances]
    if wants is not None:
        lines.append(Line(wants, "#countersign", "comments and signatures"))
    return lines


def _line(found: Hindrance, period: str) -> Line:
    before = url_for("reply.state", period=period)
    mended = {
        Waits.ROUND: (before, f"lay {period} before its surgeons"),
        Waits.REPLIES: (before, "who has replied"),
        Waits.REREADINGS: (url_for("second_readings.show"), "second and repeated readings"),
        Waits.ADJUDICATIONS: (url_for("adjudications.listed"), "adjudications"),
    }
    href, link = mended.get(found.waits_for, (None, ""))
    return Line(found.words, href, link)


def told_lines(state: QuarterState) -> list[Line]:
    """Return what keeps nobody from sealing and stands in the report; empty where nothing does."""
    before = url_for("reply.state", period=state.quarter.name)
    lines = []
    if state.provisional:
        words = f"{_screws(len(state.provisional))} provisional"
        lines.append(Line(words, before, "which ones"))
    if state.unread:
        lines.append(Line(f"{_screws(state.unread)} imaged and not read"))
    if state.open_findings:
        number = state.open_findings
        words = f"{number} finding{'' if number == 1 else 's'} that the unit's policy names open"
        lines.append(Line(words, url_for("policy.listed"), "findings"))
    return lines


def _screws(number: int) -> str:
    return f"{number} screw{'' if number == 1 else 's'}"
