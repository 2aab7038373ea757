"""The desk's own rules that live in the page: marks with undo, places on a canvas, grey values.

The modules are run as they are in Chromium, without the page around them.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import registry.web.pages.reading

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page, Route

pytestmark = pytest.mark.browser

STATIC = Path(registry.web.pages.reading.__file__).parent / "static"
SITE = "http://desk.invalid/"


@pytest.fixture(scope="module")
def page(browser: Browser) -> Iterator[Page]:
    opened = browser.new_page()
    opened.route(f"{SITE}**", answer)
    opened.goto(SITE)
    yield opened
    opened.close()


def answer(route: Route) -> None:
    name = route.request.url.removeprefix(SITE)
    if name:
        route.fulfill(path=STATIC / name, content_type="text/javascript")
    else:
        route.fulfill(body="<!doctype html><title>desk</title>", content_type="text/html")


def run(page: Page, module: str, names: str, body: str) -> object:
    """Return what a few lines of script return with a module's names at hand."""
    return page.evaluate(
        f"async () => {{ const {{ {names} }} = await import('{SITE}{module}'); {body} }}"
    )


def test_marks_are_added_moved_removed_and_taken_back_one_by_one(page: Page):
    found = run(
        page,
        "marks.js",
        "MarkBook",
        """
        const book = new MarkBook();
        const counts = [];
        const note = () => counts.push([...book.countByDepth()]);
        const first = book.addPoint("outline", 8, [1, 2]);
        book.addPoint("outline", 8, [3, 4]);
        book.addPoint("outline", 6, [5, 6]);
        note();
        book.move(first, [1.1, 2]);
        book.move(first, [1.2, 2]);
        const moved = book.where(first);
        book.undo();
        const back = book.where(first);
        book.remove(first);
        note();
        book.undo();
        note();
        book.redo();
        note();
        while (book.canUndo) book.undo();
        return { counts, moved, back, isEmpty: book.isEmpty, canRedo: book.canRedo };
        """,
    )
    assert found == {
        "counts": [[[6, 1], [8, 2]], [[6, 1], [8, 1]], [[6, 1], [8, 2]], [[6, 1], [8, 1]]],
        "moved": [1.2, 2],
        "back": [1, 2],
        "isEmpty": True,
        "canRedo": True,
    }


def test_marks_of_other_ends_are_forgotten(page: Page):
    found = run(
        page,
        "marks.js",
        "MarkBook",
        """
        const book = new MarkBook();
        book.addPoint("outline", 8, [1, 2]);
        book.clear();
        book.undo();
        book.clear();
        book.forget();
        const can = [book.canUndo, book.canRedo];
        book.undo();
        book.redo();
        return { can, isEmpty: book.isEmpty };
        """,
    )
    assert found == {"can": [False, False], "isEmpty": True}


def test_only_the_newest_question_is_asked_and_answered(page: Page):
    found = run(
        page,
        "latest.js",
        "latest",
        """
        const asked = [], said = [];
        let number = 0;
        const ask = latest(0, async (signal) => {
            number += 1;
            const own = number;
            await new Promise((answer) => asked.push(answer));
            signal.throwIfAborted();
            said.push(own);
        }, (error) => said.push(error.name));
        const until = async (isSo) => {
            while (!isSo()) await new Promise((go) => setTimeout(go));
        };
        ask();
        ask();
        await until(() => asked.length === 1);
        ask();
        await until(() => asked.length === 2);
        asked[1]();
        asked[0]();
        await until(() => said.length === 2);
        return said;
        """,
    )
    assert found == [2, "AbortError"]


def test_a_calliper_line_is_sent_once_it_has_both_ends(page: Page):
    found = run(
        page,
        "marks.js",
        "MarkBook",
        """
        const book = new MarkBook();
        book.addLineEnd(9, [1, 0]);
        const open = book.toDocument().callipers;
        const marked = [book.hasMarks];
        const edge = book.addLineEnd(9, [3, 0]);
        book.addLineEnd(12, [0, 1]);
        const handles = book.handlesAt(9).length;
        const closed = book.toDocument().callipers;
        book.remove(edge);
        const left = book.toDocument().callipers;
        book.clear();
        book.setContained("medial", true);
        marked.push(book.hasMarks);
        return { open, closed, handles, left, marked };
        """,
    )
    assert found == {
        "open": [],
        "closed": [{"depth_mm": 9, "cortex_mm": [1, 0], "edge_mm": [3, 0]}],
        "handles": 2,
        "left": [],
        "marked": [True, False],
    }


def test_marks_copied_to_another_section_leave_the_first_as_it_was(page: Page):
    found = run(
        page,
        "marks.js",
        "MarkBook",
        """
        const book = new MarkBook();
        book.addPoint("outline", 8, [1, 2]);
        book.copySection("outline", 8, 10);
        book.copySection("medial", 8, 10);
        book.move({ kind: "bone", bone: "outline", depth: 10, index: 0 }, [7, 7]);
        const both = structuredClone(book.state.bones);
        book.clearSection(10);
        book.addFront("medial", [38, 1]);
        book.addFront("cranial", [39, 1]);
        return { both, after: book.toDocument() };
        """,
    )
    assert found == {
        "both": {
            "outline": [
                {"depth_mm": 8, "points_mm": [[1, 2]]},
                {"depth_mm": 10, "points_mm": [[7, 7]]},
            ],
        },
        "after": {
            "bones": {"outline": [{"depth_mm": 8, "points_mm": [[1, 2]]}]},
            "callipers": [],
            "contained": [],
            "front": {"across": "cranial", "points_mm": [[39, 1]]},
        },
    }


def test_places_on_every_canvas_go_there_and_back(page: Page):
    found = run(
        page,
        "geometry.js",
        "SectionPlace, AlongPlace, SheetPlace",
        """
        const layout = { rows: 160, columns: 280, spacing_mm: 0.25, start_mm: -15 };
        const places = [
            new SectionPlace(400, 400, 40, 2),
            new AlongPlace(700, 500, layout),
            new SheetPlace(300, 700, layout),
        ];
        return {
            back: places.map((place) => place.toMm(place.toPixels([3.5, -2.25]))),
            section: places[0].toPixels([5, 5]),
            along: places[1].toPixels([-15, 0]),
            sheet: places[2].toPixels([-0.125, -0.125]).map((value) => Math.round(value * 1000)),
        };
        """,
    )
    assert isinstance(found, dict)
    for back in found["back"]:
        assert back == pytest.approx([3.5, -2.25])
    # 400 pixels hold 20 mm: medial to the right, cranial upwards.
    assert found["section"] == [300, 100]
    assert found["along"] == [0, 250]
    assert found["sheet"] == [0, 264286]


def test_grey_runs_from_black_to_white_within_the_window(page: Page):
    found = run(
        page,
        "picture.js",
        "grey, Picture",
        """
        const values = [-32768, -1000, -450, 300, 1050, 3000];
        const bytes = new Int16Array(values);
        const layout = { planes: 1, rows: 2, columns: 3, spacing_mm: 0.25 };
        const picture = new Picture(layout, bytes.buffer);
        const drawn = picture.drawn(0, [-450, 1050]).getContext("2d").getImageData(0, 0, 3, 2);
        return {
            grey: values.map((value) => grey(value, [-450, 1050])),
            drawn: [...drawn.data].filter((_, at) => at % 4 === 0),
            corner: picture.at(0, 1, 2),
        };
        """,
    )
    assert found == {
        "grey": [0, 0, 0, 128, 255, 255],
        "drawn": [0, 0, 0, 128, 255, 255],
        "corner": 3000,
    }


STALE = ["This form was not sent from its own page, or the page is too old; open it again."]
"""Held against the server's own words in `test_reading_desk`."""


def posted(page: Page, answers: list[tuple[int, str]], name: str | None = "Rita") -> object:
    """Return what a post to the desk comes to, and the requests, when these answers come.

    The page itself was opened by Rita with the token `old`; asked for again it is `name`'s.
    """
    return page.evaluate(
        """async ([site, answers, name]) => {
            const { Api } = await import(`${site}api.js`);
            document.body.innerHTML = "<form class='leave'><a>Rita</a></form>";
            const asked = [];
            const before = window.fetch;
            window.fetch = async (address, options) => {
                const token = options.headers["X-CSRFToken"];
                asked.push(options.method === "POST" ? `${address} ${token}` : address);
                if (options.method !== "POST") {
                    return new Response(name === null ? "<p>Sign in</p>" :
                        `<meta name="form-token" content="new">
                         <form class="leave"><a>${name}</a></form>`);
                }
                const [status, body] = answers.shift();
                return new Response(body, { status });
            };
            let came;
            try {
                came = await new Api("/reading/5", "old").post("save", { way: "typed" });
            } catch (error) {
                came = error.lines;
            }
            window.fetch = before;
            return { came, asked };
        }""",
        [SITE, answers, name],
    )


def test_a_stale_token_is_renewed_from_the_page_and_the_answer_sent_once_more(page: Page):
    refused = (400, json.dumps({"problem": STALE}))
    done = (200, json.dumps({"next": "/worklist"}))
    renewed = ["/reading/5/save old", "/reading/5", "/reading/5/save new"]
    assert posted(page, [refused, done]) == {"came": {"next": "/worklist"}, "asked": renewed}
    assert posted(page, [refused, refused]) == {"came": STALE, "asked": renewed}


def test_an_answer_is_never_sent_again_as_somebody_else(page: Page):
    refused = (400, json.dumps({"problem": STALE}))
    for name, words in (("Mateo", "Somebody else is signed in now"), (None, "Signed out")):
        found = posted(page, [refused], name)
        assert isinstance(found, dict)
        assert found["came"][0].startswith(f"{words}; what you marked and typed is kept.")
        assert found["asked"] == ["/reading/5/save old", "/reading/5"]


def test_a_session_that_ended_and_what_is_wrong_are_told_and_nothing_is_sent_again(page: Page):
    kept = "what you marked and typed is kept"
    signed_out = [f"Signed out; {kept}. Sign in again, here or in another tab, then save again."]
    gone = [f"The server cannot be reached; {kept}. Save again once it is back: it is saved once."]
    for answer, told in (
        ((401, json.dumps({"problem": ["sign in first"]})), signed_out),
        ((400, json.dumps({"problem": ["way: not said"]})), ["way: not said"]),
        ((502, "<html>"), gone),
        ((500, "<html>"), [f"The server answered 500; {kept}. Try again."]),
    ):
        assert posted(page, [answer]) == {"came": told, "asked": ["/reading/5/save old"]}


def test_ticks_for_a_doubtful_screw_come_when_told_and_count_for_these_ends_alone(page: Page):
    found = run(
        page,
        "doubts.js",
        "Doubts",
        """
        document.body.innerHTML = `<form>
            <div id="side-doubt" hidden><p id="side-doubt-told"></p>
                <label><input type="checkbox" id="side-confirmed"></label></div>
            <div id="axis-doubt" data-line="read already" hidden>
                <label><input type="checkbox" id="axis-confirmed"></label></div></form>`;
        const doubts = new Doubts(document.querySelector("form"));
        const seen = [];
        const note = () => seen.push([
            doubts.side.hidden, doubts.sideTick.closest("label").hidden, doubts.axis.hidden,
            ...Object.values(doubts.toDocument()),
        ]);
        doubts.renew({ words: "other side", may_be_confirmed: true });
        doubts.notice(["way: not said"]);
        note();
        doubts.sideTick.checked = true;
        doubts.notice(["read already"]);
        doubts.axisTick.checked = true;
        note();
        doubts.renew({ words: "beyond the midplane", may_be_confirmed: false });
        note();
        doubts.renew(null);
        note();
        return seen;
        """,
    )
    assert found == [
        [False, False, True, False, False],
        [False, False, False, True, True],
        [False, True, True, False, False],
        [True, True, True, False, False],
    ]


def test_the_time_at_a_screw_leaves_out_pauses_and_a_hidden_page(page: Page):
    found = run(
        page,
        "attention.js",
        "Attention",
        """
        let now = 0;
        const attention = new Attention(() => now * 1000);
        const told = [];
        const at = (second, what) => { now = second; what(); told.push(attention.seconds); };
        at(10, () => attention.note());
        at(100, () => attention.note());
        at(1000, () => attention.note());
        at(1030, () => attention.turn(false));
        at(5000, () => attention.turn(true));
        at(5005, () => attention.note());
        return told;
        """,
    )
    # 10; 90 more; a pause counts 120; 30 more; hidden counts nothing; 5 more.
    assert found == [10, 100, 220, 250, 250, 255]


def test_the_vertebra_s_planes_are_undone_as_marks_are_and_what_was_found_is_nothing_to_undo(
    page: Page,
):
    found = run(
        page,
        "marks.js",
        "MarkBook",
        """
        const book = new MarkBook();
        const seen = [];
        const note = () => seen.push([
            book.state.endplate.map((end) => end && end[2]), book.isFound("endplate"),
            book.isEmpty, book.canUndo,
        ]);
        book.putFound("endplate", [[0, -30, 9], [0, 0, 8]]);
        note();
        book.move({ kind: "endplate", index: 0 }, [0, -30, 9.1]);
        book.move({ kind: "endplate", index: 0 }, [0, -30, 9.2]);
        note();
        book.addPoint("outline", 8, [1, 2]);
        book.clear();
        note();
        book.undo();
        book.undo();
        book.undo();
        note();
        book.setPlane("endplate", [null, null]);
        book.putFound("endplate", [[0, -30, 7], [0, 0, 6]]);
        note();
        return [seen, Object.keys(book.toDocument()).sort()];
        """,
    )
    assert found == [
        [
            [[9, 8], True, True, False],
            # Moves in a row are one change, and the reader's: no longer as found.
            [[9.2, 8], False, True, True],
            # All marks are removed; the planes hang on none of them.
            [[9.2, 8], False, True, True],
            [[9, 8], True, True, False],
            [[7, 6], True, True, True],
        ],
        ["bones", "callipers", "contained", "front"],
    ]
