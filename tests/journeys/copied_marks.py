"""A reader's mouse at the desk, from the second section on: marks are copied, and put right.

The first section's marks are clicked. On each other one those of its neighbour are taken over;
those that lie off are dragged, and taken out where no cortex is seen (`cortex_by_gradient`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.journeys.at_the_desk import Desk
    from tests.journeys.cortex_by_gradient import Outline, Place

NEAR_ENOUGH_MM = 0.25
"""A copied mark that lies as near as this to the cortex stays; the reader's own choice."""
BY_PIXELS = 6
"""Beyond a mark and back: less than three pixels would be a click."""


def mark_on_by_mouse(desk: Desk, outlines: Sequence[Outline], count: int) -> None:
    """Mark the outlines' sections; the last numbers have come when this returns."""
    first = outlines[0]
    desk.go_to(first.depth_mm)
    here = first.marks(count)
    desk.click_section(*here)
    counts = {first.depth_mm: len(here)}
    middle = (float(first.centre_mm[0]), float(first.centre_mm[1]))
    for outline in outlines[1:]:
        desk.wheel_to(outline.depth_mm)
        desk.page.locator("#copy-nearest").click()
        here = _put_right(desk, outline, middle, here)
        counts[outline.depth_mm] = len(here)
    desk.marked(counts)


def _put_right(desk: Desk, outline: Outline, middle: Place, copied: list[Place]) -> list[Place]:
    """Return where the marks lie once each was looked at, the last one first."""
    kept: list[Place] = []
    for number, place in reversed(list(enumerate(copied, start=1))):
        wanted = _along_its_ray(outline, middle, place)
        if wanted is None:
            name = f"Remove cortex {number}"
            desk.page.get_by_role("button", name=name, exact=True).click()
            continue
        is_near = np.hypot(*np.subtract(wanted, place)) <= NEAR_ENOUGH_MM
        if not is_near:
            _drag(desk, place, wanted)
        kept.insert(0, place if is_near else wanted)
    return kept


def _along_its_ray(outline: Outline, middle: Place, place: Place) -> Place | None:
    """Return where the cortex is seen in a mark's direction from the middle."""
    away = np.subtract(place, middle)
    hour = float(np.arctan2(*away) % (2 * np.pi)) * 12 / (2 * np.pi)
    reach = outline.reach_mm(hour, middle)
    if reach is None:
        return None
    u, v = np.add(middle, away * (reach / float(np.hypot(*away))))
    return float(u), float(v)


def _drag(desk: Desk, place: Place, to: Place) -> None:
    mouse = desk.page.mouse

    def drag(pixels: list[Place]) -> None:
        (x, y), end = pixels
        mouse.move(x, y)
        mouse.down()
        mouse.move(x + BY_PIXELS, y + BY_PIXELS)
        mouse.move(*end)
        mouse.up()

    desk.on_screen("#section", desk.section_pixels([place, to]), drag)
