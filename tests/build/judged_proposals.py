"""A proposal judged against a drawing's truth: every figure that says how far to trust it."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field

import numpy as np

from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.millimetres import measured_to_stored
from registry.domain.scales import grade
from registry.domain.settings import Settings
from registry.measure.proposals.propose import propose
from tests.build.drawn_scenes import the_log

FOUND_WITHIN_MM = 8.0
"""A proposed tip farther than this from the drawn one is another screw's."""


@dataclass
class Judged:
    """What came of some scans; errors are proposed minus true."""

    drawn: int = 0
    found: int = 0
    wrong: int = 0
    false: int = 0
    axis_deg: list[float] = field(default_factory=list)
    tip_mm: list[float] = field(default_factory=list)
    entry_mm: list[float] = field(default_factory=list)
    extents: list[tuple[Direction, float, float, float]] = field(default_factory=list)
    not_measured: int = 0
    graded: int = 0
    same_grade: int = 0
    walls_missed: list[str] = field(default_factory=list)
    screws_missed: list[str] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)

    def add(self, name: str, voxels, affine, truth) -> None:
        """Propose for one scan and count what came of it."""
        started = time.process_time()
        proposal = propose(voxels, affine, the_log(truth))
        self.seconds.append(time.process_time() - started)
        found = {
            (screw.logged.level, screw.logged.side.value, screw.logged.number): screw
            for screw in proposal.screws
        }
        present = [screw for screw in truth if screw.is_logged and screw.is_drawn]
        self.drawn += len(present)
        self.false += len(proposal.unmatched) + len(proposal.screws)
        self.false -= sum(screw.is_drawn for screw in truth)
        for true in present:
            screw = found.get((true.level, true.side, true.number))
            if screw is None:
                continue
            if math.dist(screw.axis.tip_mm, true.tip_mm) > FOUND_WITHIN_MM:
                self.wrong += 1
                continue
            self._screw(f"{name} {true.level} {true.side}", screw, true)

    def _screw(self, name: str, screw, true) -> None:
        self.found += 1
        along = np.subtract(true.tip_mm, true.entry_mm)
        cosine = float(along @ screw.axis.direction) / float(np.linalg.norm(along))
        self.axis_deg.append(math.degrees(math.acos(min(1.0, cosine))))
        self.tip_mm.append(math.dist(screw.axis.tip_mm, true.tip_mm))
        self.entry_mm.append(math.dist(screw.axis.entry_mm, true.entry_mm))
        for wall in Direction:
            extent, drawn = screw.extents.get(wall), true.extents_mm[wall.value]
            if drawn is None:
                continue
            if extent is None:
                self.not_measured += 1
                continue
            self.extents.append((wall, drawn, extent.extent_mm, extent.sd_mm))
            if wall in PEDICLE_WALLS and drawn >= 2.0 and extent.extent_mm < 1.0:
                self.walls_missed.append(f"{name} {wall} {drawn:.1f} as {extent.extent_mm:.1f}")
        self._grade(name, screw, true)

    def _grade(self, name: str, screw, true) -> None:
        settings = Settings()
        proposed = {
            wall: measured_to_stored(extent.extent_mm, settings.floor_mm)
            for wall, extent in screw.extents.items()
        }
        drawn = {
            wall: measured_to_stored(true.extents_mm[wall.value], settings.floor_mm)
            for wall in Direction
            if true.extents_mm[wall.value] is not None
        }
        got, wanted = (grade(each, true.level, settings.scale) for each in (proposed, drawn))
        if got is None or wanted is None:
            return
        self.graded += 1
        self.same_grade += got == wanted
        worst = {
            which: max(float(each[wall]) for wall in PEDICLE_WALLS if wall in each)
            for which, each in (("got", proposed), ("true", drawn))
        }
        if worst["true"] >= 2.0 and worst["got"] < 1.0:
            self.screws_missed.append(f"{name} {worst['true']:.1f} as {worst['got']:.1f}")

    def errors_mm(self, *, is_pedicle: bool) -> np.ndarray:
        """Return the absolute errors of the pedicle's extents, or of the body's."""
        return np.array(
            [
                abs(got - drawn)
                for wall, drawn, got, _ in self.extents
                if (wall in PEDICLE_WALLS) == is_pedicle
            ]
        )

    def breached_errors_mm(self) -> np.ndarray:
        """Return the errors of the pedicle walls that were drawn breached."""
        return np.array(
            [
                got - drawn
                for wall, drawn, got, _ in self.extents
                if wall in PEDICLE_WALLS and drawn > 0.0
            ]
        )

    @property
    def covered(self) -> float:
        """The share of truths within two standard deviations of what was proposed."""
        return float(np.mean([abs(got - true) <= 2.0 * sd for _, true, got, sd in self.extents]))

    def lines(self) -> list[str]:
        """Return the figures in words."""

        def spread(values) -> str:
            return f"median {np.median(values):.2f}, 95% within {np.percentile(values, 95):.2f}"

        pedicle, body = self.errors_mm(is_pedicle=True), self.errors_mm(is_pedicle=False)
        breached = self.breached_errors_mm()
        found = (
            f"screws drawn {self.drawn}, found {self.found}, at another level {self.wrong}, "
            f"false {self.false}"
        )
        walls = (
            f"pedicle extents, mm: mean {pedicle.mean():.2f}, "
            f"90% within {np.percentile(pedicle, 90):.2f} (n {len(pedicle)})"
        )
        outside = (
            f"of walls drawn breached: mean {np.abs(breached).mean():.2f}, "
            f"90% within {np.percentile(np.abs(breached), 90):.2f}, "
            f"bias {breached.mean():+.2f} (n {len(breached)})"
        )
        of_body = (
            f"body extents, mm: mean {body.mean():.2f}, "
            f"90% within {np.percentile(body, 90):.2f} (n {len(body)})"
        )
        return [
            found,
            f"axis, degrees: {spread(self.axis_deg)}",
            f"tip, mm: {spread(self.tip_mm)}",
            f"entry, mm: {spread(self.entry_mm)}",
            walls,
            outside,
            of_body,
            f"not measured: {self.not_measured} extents",
            f"exact grade: {self.same_grade} of {self.graded} graded",
            f"truths within two standard deviations: {self.covered:.3f}",
            f"screws of 2 mm or more proposed under 1 mm: {self.screws_missed or 'none'}",
            f"walls of 2 mm or more proposed under 1 mm: {self.walls_missed or 'none'}",
            f"seconds a scan: median {np.median(self.seconds):.1f}, most {max(self.seconds):.1f}",
        ]
