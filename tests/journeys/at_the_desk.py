"""A reader's hands at the reading desk: what is on the page, found and marked by mouse or by keys.

Everything is taken from what the page itself is sent: the level and side that it tells and the
values of its pictures. Marks come from `cortex_by_gradient`.
"""

from __future__ import annotations

import base64
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from playwright.sync_api import expect
from scipy import ndimage

from tests.journeys.cortex_by_gradient import METAL_HU

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray
    from playwright.sync_api import Page, Response

    from tests.journeys.cortex_by_gradient import Place

WALLS = ("medial", "lateral", "cranial", "caudal")
SHANK_MM2 = (12.0, 60.0)
"""What a shank's metal covers in a coronal plane; rods and heads cover more. The script's own."""
PLANE_STEP_MM = 5.0
LEVELS = [*(f"T{number}" for number in range(1, 14)), *(f"L{number}" for number in range(1, 7))]


@dataclass(frozen=True)
class Picture:
    """Planes of Hounsfield values with the layout that the page was sent."""

    layout: dict
    values: NDArray[np.int16]


@dataclass(frozen=True)
class Told:
    """What the desk's table of numbers says: texts, by direction, and the grade."""

    extents: dict[str, str]
    sds: dict[str, str]
    grade: str

    def mm(self, direction: str) -> float:
        return float(self.extents[direction])


def picture_of(answer: Response) -> Picture:
    """Return the pictures in an answer that the page got."""
    return _picture(answer.headers["picture-layout"], answer.body())


def asked_picture(page: Page, address: str) -> Picture:
    """Return the pictures at an address, asked for from within the page."""
    layout, data = page.evaluate(
        """async address => {
            const answer = await fetch(address);
            const bytes = new Uint8Array(await answer.arrayBuffer());
            const parts = [];
            for (let at = 0; at < bytes.length; at += 8192) {
                parts.push(String.fromCharCode(...bytes.subarray(at, at + 8192)));
            }
            return [answer.headers.get("Picture-Layout"), btoa(parts.join(""))];
        }""",
        address,
    )
    return _picture(layout, base64.b64decode(data))


def _picture(layout: str, data: bytes) -> Picture:
    known = json.loads(layout)
    shape = (known["planes"], known["rows"], known["columns"])
    return Picture(known, np.frombuffer(data, "<i2").reshape(shape))


def owed(page: Page) -> dict[str, str]:
    """Return the addresses of the screws on the worklist that is open, by level and side."""
    page.wait_for_load_state()
    links = page.locator("tbody th a").all()
    return {link.inner_text(): link.get_attribute("href") or "" for link in links}


def find_screws(page: Page, screws: dict[str, str]) -> dict[str, NDArray[np.float64]]:
    """Return a place on each screw's shank, LPS, from the scan's coronal planes.

    The plane in which the metal falls apart into as many dots on each side as there are screws is
    looked for from the scan's middle on; dots and screws are matched from cranial to caudal.
    """
    address = f"{next(iter(screws.values()))}/plane/coronal"
    layout = asked_picture(page, address).layout
    low, high = layout["span_mm"]
    middle = layout["position_mm"]
    names = {
        side: sorted((name for name in screws if name.endswith(side)), key=_order)
        for side in ("right", "left")
    }
    for position in sorted(np.arange(low, high, PLANE_STEP_MM), key=lambda y: abs(y - middle)):
        dots = dots_of(asked_picture(page, f"{address}?position={position:.1f}"))
        between = float(np.median(dots[:, 0])) if len(dots) else 0.0
        sides = {"right": dots[dots[:, 0] < between], "left": dots[dots[:, 0] > between]}
        if all(len(sides[side]) == len(names[side]) for side in names):
            return {
                name: place
                for side, places in sides.items()
                for name, place in zip(
                    names[side], places[places[:, 2].argsort()[::-1]], strict=True
                )
            }
    raise AssertionError("no coronal plane shows every screw apart")


def _order(name: str) -> int:
    return LEVELS.index(name.split(maxsplit=1)[0])


def dots_of(picture: Picture, most_mm2: float = SHANK_MM2[1]) -> NDArray[np.float64]:
    """Return the middles of the shanks that a plane cuts, LPS, shape (n, 3)."""
    layout = picture.layout
    parts, count = ndimage.label(picture.values[0] > METAL_HU)
    areas = (
        ndimage.sum_labels(parts > 0, parts, np.arange(1, count + 1)) * layout["spacing_mm"] ** 2
    )
    shanks = 1 + np.flatnonzero((areas > SHANK_MM2[0]) & (areas < most_mm2))
    middles = np.array(ndimage.center_of_mass(parts > 0, parts, shanks)).reshape(-1, 2)
    down, right = np.array(layout["down"]), np.array(layout["right"])
    steps = layout["spacing_mm"] * middles
    return np.array(layout["corner_mm"]) + steps[:, :1] * down + steps[:, 1:] * right


class Desk:
    """One screw's desk, open on a page."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.sections: Picture | None = None
        page.locator("#metal[data-scale]").wait_for()

    @property
    def name(self) -> str:
        """Level and side, as the page tells them."""
        return self.page.locator("h1").inner_text()

    @property
    def diameter_mm(self) -> float:
        return float(self.page.locator("#desk").get_attribute("data-diameter-mm") or "nan")

    @property
    def depths_mm(self) -> list[float]:
        assert self.sections is not None
        return self.sections.layout["depths_mm"]

    # Finding the screw

    def find_by_mouse(self, shank_mm: NDArray[np.float64]) -> None:
        """Click the shank in the picture of the metal, where it hides behind nothing."""
        metal = asked_picture(self.page, f"{self.page.url.split('?')[0]}/metal")
        places = np.moveaxis(metal.values[1:], 0, -1) / 10.0
        apart = np.linalg.norm(places - shank_mm, axis=-1)
        row, column = np.unravel_index(int(apart.argmin()), apart.shape)
        told = self._dataset("#metal")
        spacing, scale, left, top = (
            float(told[name]) for name in ("spacingMm", "scale", "left", "top")
        )
        pixel = (left + (column + 0.5) * spacing * scale, top + (row + 0.5) * spacing * scale)
        with self.page.expect_response(lambda answer: "/sections?" in answer.url) as sent:
            self._click("#metal", [pixel])
        self._took(sent.value)

    def find_by_keys(self, shank_mm: NDArray[np.float64]) -> None:
        """Move the cross of the axial picture to the shank and take the screw there."""
        keys = self.page.keyboard
        tab_to_element(self.page, "#axial")
        at = [float(text) for text in self.page.locator("#cross-told").inner_text().split(",")]
        steps = np.rint(shank_mm - at).astype(int)
        for axis, (less, more) in enumerate(
            (("ArrowLeft", "ArrowRight"), ("ArrowUp", "ArrowDown"), ("PageDown", "PageUp"))
        ):
            key = more if steps[axis] > 0 else less
            fives, ones = divmod(abs(int(steps[axis])), 5)
            if fives:
                keys.down("Shift")
                for _ in range(fives):
                    keys.press(key)
                keys.up("Shift")
            for _ in range(ones):
                keys.press(key)
        with self.page.expect_response(lambda answer: "/sections?" in answer.url) as sent:
            keys.press("Enter")
        self._took(sent.value)

    def _took(self, answer: Response) -> None:
        self.sections = picture_of(answer)
        self.page.locator("#section[data-depth]").wait_for()
        self.page.locator("#along[data-scale]").wait_for()

    # Marking

    def choose(self, way: str) -> None:
        self.page.locator(f"#way-{way.replace(' ', '-')}").check()

    def go_to(self, depth_mm: float) -> None:
        """Bring a section into focus by clicking it in the strip."""
        self.page.locator(f'#strip [data-depth="{depth_mm:g}"]').click()
        self.in_focus(depth_mm)

    def in_focus(self, depth_mm: float) -> None:
        """Wait until a section is drawn in the large picture."""
        self.page.locator(f'#section[data-depth="{depth_mm:g}"]').wait_for()

    def click_section(self, *places_mm: Place) -> None:
        """Click places (medial, cranial) of the section in focus."""
        self._click("#section", self.section_pixels(places_mm))

    def section_pixels(self, places_mm: Sequence[Place]) -> list[Place]:
        """Return where places (medial, cranial) of the section lie in its own pixels."""
        told = self._dataset("#section")
        scale, x, y = (float(told[name]) for name in ("scale", "centreX", "centreY"))
        return [(x + u * scale, y - v * scale) for u, v in places_mm]

    def click_along(self, *places_mm: Place) -> None:
        """Click places (depth, across) of the picture along the axis."""
        told = self._dataset("#along")
        scale, left, middle, start = (
            float(told[name]) for name in ("scale", "left", "middle", "startMm")
        )
        pixels = [(left + (depth - start) * scale, middle - v * scale) for depth, v in places_mm]
        self._click("#along", pixels)

    def mark_by_mouse(self, marks: dict[float, list[Place]]) -> None:
        """Click every mark, section by section; the last numbers have come when this returns."""
        for depth, places in marks.items():
            self.go_to(depth)
            self.click_section(*places)
        self.marked({depth: len(places) for depth, places in marks.items()})

    def wheel_to(self, depth_mm: float) -> None:
        """Bring a section into focus with the wheel."""
        steps = self.depths_mm.index(depth_mm) - int(self._dataset("#section")["index"])
        self.page.locator("#section").hover()
        for _ in range(abs(steps)):
            self.page.mouse.wheel(0, 120 if steps > 0 else -120)
        self.in_focus(depth_mm)

    def turn_along(self, across: str) -> Picture:
        """Turn the picture along the axis so that medial or cranial is on top."""
        with self.page.expect_response(lambda answer: f"/along/{across}" in answer.url) as sent:
            self.page.locator(f"#across-{across}").check()
        self.page.locator(f'#along[data-across="{across}"]').wait_for()
        return picture_of(sent.value)

    def mark_front_by_mouse(self, places: list[Place]) -> None:
        """Click marks (depth, across) of the body's front on the picture along the axis."""
        self.page.locator("#along-use-front").check()
        self.click_along(*places)
        expect(self.page.locator('#marks-list [data-kind="front"]')).to_have_count(len(places))
        self.numbers_come()

    def scroll_to(self, depth_mm: float) -> None:
        """Bring a section into focus by keys; the section has the focus."""
        keys = self.page.keyboard
        steps = self.depths_mm.index(depth_mm) - int(self._dataset("#section")["index"])
        fives, ones = divmod(abs(steps), 5)
        for key, times in zip(
            ("PageDown", ".") if steps > 0 else ("PageUp", ","), (fives, ones), strict=True
        ):
            for _ in range(times):
                keys.press(key)
        self.in_focus(depth_mm)

    def marked(self, counts: dict[float, int]) -> None:
        """Hold that the page counts every mark on its section; wait until they are measured."""
        told = " ".join(f"{depth:.1f} mm ({count})" for depth, count in counts.items())
        expect(self.page.locator("#marked-sections")).to_have_text(told)
        self.numbers_come()

    # What it comes to

    def numbers_come(self) -> None:
        """Wait until the numbers on the page are those of the marks on it.

        An answer that has reached the browser is not on the page yet.
        """
        self.page.locator('#numbers[aria-busy="false"]').wait_for()

    def told(self) -> Told:
        """Return the numbers that stand on the page, all read at one moment."""
        self.numbers_come()
        rows, grade = self.page.locator("#numbers").evaluate(
            """numbers => [
                [...numbers.querySelectorAll("[data-direction]")].map(row => [
                    row.dataset.direction,
                    row.querySelector(".mm").innerText,
                    row.querySelector(".sd").innerText,
                ]),
                numbers.querySelector("#grade").innerText,
            ]"""
        )
        extents = {direction: mm for direction, mm, _ in rows}
        sds = {direction: sd.removeprefix("± ") for direction, _, sd in rows}
        return Told(extents, sds, grade)

    def save(self, confidence: str = "high") -> None:
        """Say how sure, save, and wait for the page that follows."""
        self.page.locator(f"#confidence-{confidence}").check()
        self.save_as_it_is()

    def save_as_it_is(self) -> None:
        before = self.page.url
        self.page.locator("#save").click()
        self.page.wait_for_url(lambda url: url != before)

    def _dataset(self, selector: str) -> dict[str, str]:
        return self.page.locator(selector).evaluate("canvas => ({...canvas.dataset})")

    def _click(self, selector: str, pixels: list[Place]) -> None:
        """Click places of a picture, in its own pixels."""
        self.on_screen(selector, pixels, self._click_all)

    def _click_all(self, places: list[Place]) -> None:
        for x, y in places:
            self.page.mouse.click(x, y)

    def on_screen(
        self, selector: str, pixels: list[Place], act: Callable[[list[Place]], None]
    ) -> None:
        """Bring a picture into view and act on places of it, which are the window's then."""
        picture = self.page.locator(selector)
        picture.scroll_into_view_if_needed()
        box = picture.bounding_box()
        assert box is not None
        for x, y in pixels:
            assert 0 <= x <= box["width"], "the place is not on the picture"
            assert 0 <= y <= box["height"], "the place is not on the picture"
        act([(box["x"] + x, box["y"] + y) for x, y in pixels])


def tab_to_element(page: Page, selector: str, *, key: str = "Tab", most: int = 120) -> None:
    """Press Tab until the element has the focus."""
    element = page.locator(selector)
    for _ in range(most):
        page.keyboard.press(key)
        if element.evaluate("element => element === document.activeElement"):
            return
    raise AssertionError(f"{selector} is not reached by {key}")


def expect_no_faults(page: Page) -> None:
    """Hold that the page names no fault of the marks as they are now."""
    page.locator('#numbers[aria-busy="false"]').wait_for()
    expect(page.locator("#measure-faults li")).to_have_count(0)
