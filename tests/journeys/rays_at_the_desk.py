"""A reader's keys along the rays of the desk's sections: what is pressed for marks that are known.

The reader sees where a ray meets the cortex (`cortex_by_gradient`), brings the cross there in steps
of 0.2 mm, and takes over a section's marks where another one is marked already.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from playwright.sync_api import Keyboard

    from tests.journeys.at_the_desk import Desk
    from tests.journeys.cortex_by_gradient import Outline, Place

HOURS = 12
STEP_MM, LONG_STEP_MM = 0.2, 1.0
NEAR_ENOUGH_MM = 0.1
# These are the reader's own choices.
LEAST_RAYS = 9
"""With fewer that meet the cortex, from the screw's axis, they begin in the pedicle's middle."""
WELL_WITHIN_MM = 1.5


@dataclass
class RayHand:
    """What a reader who goes along rays has in mind: where the cross is, and what is marked.

    Attributes
    ----------
    middle_mm : where the rays begin
    reach_mm : of the cross, from there
    hour : of the cross, None while it is on no ray
    marked_mm : how far out each hour's mark stands on the section that was marked last
    """

    desk: Desk
    middle_mm: Place = (0.0, 0.0)
    reach_mm: float = 0.0
    hour: int | None = None
    marked_mm: dict[int, float] = field(default_factory=dict)

    @property
    def _keys(self) -> Keyboard:
        return self.desk.page.keyboard

    def mark(self, outlines: Sequence[Outline]) -> dict[float, int]:
        """Mark the outlines' sections; return how many marks each has."""
        self._begin(outlines)
        counts = {}
        for outline in outlines:
            self.desk.scroll_to(outline.depth_mm)
            wanted = dict(self._wanted(outline))
            if self.marked_mm:
                self._keys.press("t")
                self._move(wanted)
            else:
                self._place(wanted)
            counts[outline.depth_mm] = len(self.marked_mm)
        return counts

    def _begin(self, outlines: Sequence[Outline]) -> None:
        """Put the middle of the rays where they meet the cortex all round."""
        is_within = min(each.inner_mm(self.middle_mm) for each in outlines) >= WELL_WITHIN_MM
        if is_within and min(len(dict(self._wanted(each))) for each in outlines) >= LEAST_RAYS:
            return
        u, v = np.rint(np.mean([each.centre_mm for each in outlines], axis=0)).astype(int)
        with self._long():
            for steps, (less, more) in (
                (u, ("ArrowLeft", "ArrowRight")),
                (v, ("ArrowDown", "ArrowUp")),
            ):
                for _ in range(abs(int(steps))):
                    self._keys.press(more if steps > 0 else less)
        self._keys.press("h")
        self.middle_mm = (float(u), float(v))

    def _wanted(self, outline: Outline) -> Iterator[tuple[int, float]]:
        for hour in range(HOURS):
            reach = outline.reach_mm(hour, self.middle_mm)
            if reach is not None:
                yield hour, reach

    def _place(self, wanted: dict[int, float]) -> None:
        """Mark ray after ray, from 12 o'clock on; rays on which nothing is seen are passed by."""
        self._turn()
        for hour in range(HOURS):
            if hour not in wanted:
                self._turn()
                continue
            self._reach(wanted[hour])
            self.marked_mm[hour] = self.reach_mm
            self._keys.press("Space")
            self._gone_on()

    def _move(self, wanted: dict[int, float]) -> None:
        """Move the marks that were taken over; one where nothing is seen any more is removed."""
        for _ in range(HOURS):
            self._turn()
            here = self.hour
            if here not in self.marked_mm:
                continue
            if here not in wanted:
                self._keys.press("Delete")
                del self.marked_mm[here]
                continue
            self._reach(wanted[here])
            self.marked_mm[here] = self.reach_mm

    def _turn(self) -> None:
        self._keys.press("k")
        self._gone_on()

    def _gone_on(self) -> None:
        if self.hour is None:
            self.hour, self.reach_mm = 0, self.desk.diameter_mm / 2
            return
        self.hour = (self.hour + 1) % HOURS
        self.reach_mm = self.marked_mm.get(self.hour, self.reach_mm)

    def _reach(self, wanted_mm: float) -> None:
        """Bring the cross, or the chosen mark, as near as the steps let it."""
        away = wanted_mm - self.reach_mm
        if abs(away) <= NEAR_ENOUGH_MM + 1e-6:
            return
        long = round(away / LONG_STEP_MM) if abs(away) > 3 * STEP_MM else 0
        short = round((away - long * LONG_STEP_MM) / STEP_MM)
        if long:
            with self._long():
                self._along(long)
        self._along(short)
        self.reach_mm += long * LONG_STEP_MM + short * STEP_MM

    def _along(self, steps: int) -> None:
        for _ in range(abs(steps)):
            self._keys.press("o" if steps > 0 else "i")

    def _long(self) -> _Shift:
        return _Shift(self._keys)


@dataclass
class _Shift:
    """Shift, held."""

    keys: Keyboard

    def __enter__(self) -> None:
        self.keys.down("Shift")

    def __exit__(self, *_: object) -> None:
        self.keys.up("Shift")
